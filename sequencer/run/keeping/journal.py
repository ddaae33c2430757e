"""The journal of a run: what is about to happen, one line of JSON an event, written before it has effect.

A run that was cut short, however it was, is told, made safe and carried on from it (`sequencer resume`). On a real bench what must
outlive a power cut is on the disk before it happens; a simulated run is reproducible, so nothing waits for the disk.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, Self

from sequencer.results.journal_lines import ENDING, make_line
from sequencer.run.events import CheckStarted, Event, FaultMet, Warned
from sequencer.safety.remembered.announced import Announced

__all__ = ["ENDING", "Journal", "JournalBusy"]


class JournalBusy(OSError):
    """Another process writes this journal: its run goes on."""


class Journal:
    """The journal of one run. What cannot be written (the disk is full) is tried again with the next event, and nothing is raised.

    ``problem`` says why a line could not be written, as long as that is so; ``number`` is that of the next line.
    """

    def __init__(self, path: Path, handle: int, *, power_safe: bool, content: bytes = b"") -> None:
        self.path = path
        self.problem: OSError | None = None
        self.number = 0
        self._handle = handle
        self._power_safe = power_safe
        self._content = bytearray(content)  # all that is to stand there
        self._kept = len(content)  # how many bytes of it do
        self._sum = 0

    @classmethod
    def create(cls, path: Path, *, power_safe: bool, begins: Mapping[str, Any]) -> Self:
        """Make the file, which must not exist yet, with its first line. OSError if it cannot be written."""
        handle = os.open(path, _FLAGS | os.O_CREAT | os.O_EXCL, 0o644)
        journal = cls(path, handle, power_safe=power_safe)
        try:
            _lock(handle)
            journal.write("run", **begins)
            journal._raise_problem()
        except BaseException:
            journal.close()
            path.unlink(missing_ok=True)
            raise
        return journal

    @classmethod
    def take_up(cls, path: Path, *, power_safe: bool, number: int, good_bytes: int, last_sum: int) -> Self:
        """Go on with a journal from line ``number`` on; what stands after ``good_bytes`` is cut off. JournalBusy, OSError."""
        handle = os.open(path, _FLAGS)
        try:
            _lock(handle)
            content = path.read_bytes()[:good_bytes]
            os.ftruncate(handle, good_bytes)
        except BaseException:
            os.close(handle)
            raise
        journal = cls(path, handle, power_safe=power_safe, content=content)
        journal.number, journal._sum = number, last_sum
        return journal

    def write(self, event: str, *, durable: bool = True, **facts: Any) -> None:
        """Write a line; ``durable`` (a real bench): it is on the disk on return, unless there is a ``problem``."""
        said = {"time": datetime.now().astimezone(), "event": event, **facts}
        line, self._sum = make_line(self.number, self._sum, said)
        self.number += 1
        self._content += line
        try:
            self._write_waiting()
            if durable and self._power_safe:
                os.fsync(self._handle)
        except OSError as error:
            self.problem = error
        else:
            self.problem = None

    def listen(self, event: Event) -> None:
        """Write down what the run tells its listeners, but for results and the end, which are written before table and store get them."""
        if isinstance(event, CheckStarted):
            self.write("check begun", durable=False, check_index=event.index, label=event.label)
        elif isinstance(event, FaultMet):
            self.write("fault", durable=False, check_index=event.index, fault=event.fault)
        elif isinstance(event, Warned):
            self.write("warned", durable=False, text=event.text)

    def announce(self, event: Announced) -> None:
        """Write down what is about to be done to the bench."""
        self.write(event.what, durable=event.begins, **event.facts)

    def holds_all(self) -> bool:
        """Read the file back and return whether all that was to be written stands there."""
        try:
            return self.path.read_bytes() == bytes(self._content)
        except OSError:
            return False

    @property
    def lacks(self) -> int:
        """How many lines could not be written."""
        return self._content.count(b"\n", self._kept)

    def try_again(self) -> None:
        """Write what could not be written, if there is room now."""
        if self.problem is not None:
            try:
                self._write_waiting()
                if self._power_safe:
                    os.fsync(self._handle)
            except OSError as error:
                self.problem = error
            else:
                self.problem = None

    def mend(self) -> str:
        """Look whether somebody has taken away, replaced or changed the file, and write the whole of it again where nothing is overwritten.

        Returns what was found and what stands there now, in words; empty where all is as it was written.
        """
        if self.problem is not None or self.holds_all():
            return ""
        found = "was changed or emptied"
        with suppress(OSError):
            try:
                now, own = self.path.stat(), os.fstat(self._handle)
            except FileNotFoundError:
                found = "was taken away"
                self.write_anew()
            else:
                if (now.st_ino, now.st_dev) != (own.st_ino, own.st_dev):
                    found = "was replaced by another file"
                else:
                    self._kept = 0
                    os.ftruncate(self._handle, 0)
                    self._write_waiting()
        after = (
            "It was written again, and holds the whole run."
            if self.holds_all()
            else "The run cannot be carried on from it, nor imported."
        )
        return f"somebody else did something to the journal {self.path} while the run went on: it {found}. {after}"

    def write_anew(self) -> None:
        """Write the whole file where nothing stands under its name any more. OSError, also if something does."""
        handle = os.open(self.path, _FLAGS | os.O_CREAT | os.O_EXCL, 0o644)
        self.close()
        self._handle, self._kept = handle, 0
        _lock(handle)
        self._write_waiting()
        os.fsync(handle)

    def _raise_problem(self) -> None:
        if self.problem is not None:
            raise self.problem

    def close(self) -> None:
        """Let go of the file."""
        with suppress(OSError):
            os.close(self._handle)

    def _write_waiting(self) -> None:
        """Write what does not stand there yet. A disk that fills up leaves no half of a line behind."""
        waiting = bytes(self._content[self._kept :])
        written = 0
        try:
            while written < len(waiting):
                written += _write_at(self._handle, waiting[written:], self._kept + written)
        except OSError:
            with suppress(OSError):
                os.ftruncate(self._handle, self._kept)
            raise
        self._kept = len(self._content)


_FLAGS = os.O_RDWR | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)


def _write_at(handle: int, content: bytes, at: int) -> int:
    os.lseek(handle, at, os.SEEK_SET)
    return os.write(handle, content)


def _lock(handle: int) -> None:
    """Hold the file as long as this process lasts, so that nobody resumes a run that goes on. JournalBusy."""
    if sys.platform == "win32":  # a lock there would keep readers out too
        return
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise JournalBusy(error.errno, "another process writes to it") from error
    except OSError:  # a file system without locks
        return
