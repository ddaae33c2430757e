"""What a series has done so far, in a file beside its results: the same command carries on from there what was cut short.

A line of JSON a run that begins and a run that is over, on the disk before anything follows. What a run found stands in its journal and in
the store; here stands which run of the series it was. A line that was cut short says nothing, so that its run is looked for in its journal.
"""

from __future__ import annotations

import json
import os
import sys
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, Self

from sequencer.frozen import dataclass
from sequencer.problems import about_file
from sequencer.run.events import Event, RunStarted
from sequencer.run.series.events import Ended, RunCame, SeriesEnded, SeriesEvent
from sequencer.run.status import ExitStatus

ENDING = ".series"
LARGEST_BYTES = 64 * 1024 * 1024
OVER = (Ended.DONE, Ended.UNTIL)
"""Ends after which nothing is left; of a list that `--until` ended the other units are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A run of the series: its name, its unit and, once it is over, its status. ``limit_failed``: it did not meet a limit."""

    run: str
    serial: str
    status: int | None = None
    is_done: bool = False
    limit_failed: bool = False


class SeriesBook:
    """The book of one series, at ``path``; nothing stands there before its first run begins.

    ``made`` is the last run of each number that was begun, ``failed`` the numbers of which a try did not meet a limit, ``began`` when the
    series did. ``problem`` says why a line could not be written, which costs no run.
    """

    def __init__(self, path: Path, *, is_list: bool) -> None:
        self.path = path
        self.began: datetime | None = None
        self.made: dict[int, Made] = {}
        self.failed: set[int] = set()
        self.problem = ""
        self._is_list = is_list
        self._handle = -1
        self._is_torn = False  # the last line was cut short

    @classmethod
    def take(cls, path: Path, *, is_list: bool, anew: bool) -> Self:
        """Read it, if it is there, and hold it; ``anew`` forgets what stands in it. Raises FileProblems where another process holds it."""
        book = cls(path, is_list=is_list)
        try:
            book._handle = os.open(path, os.O_RDWR | _FLAGS)
        except OSError:  # there is none, or none that could be gone on with
            return book
        book._hold()
        try:
            if anew:
                os.ftruncate(book._handle, 0)
            else:
                book._read(os.read(book._handle, LARGEST_BYTES))
        except OSError as error:
            book.problem = error.strerror or str(error)
        return book

    def begins(self, event: Event, number: int, run: str, serial: str) -> None:
        """Listen to a run: one that begins is written down."""
        if isinstance(event, RunStarted):
            self.made[number] = Made(run=run, serial=serial)
            self._write(event="begins", number=number, run=run, serial=serial)

    def __call__(self, event: SeriesEvent) -> None:
        """Listen to the series: a run that is over is written down; once nothing is left the book is taken away."""
        if isinstance(event, RunCame) and event.report.run:
            self._came(event)
        elif isinstance(event, SeriesEnded):
            if not self.leaves_rest(event.why) and self._handle >= 0:
                with suppress(OSError):
                    self.path.unlink(missing_ok=True)
            self.close()

    def leaves_rest(self, why: Ended) -> bool:
        """Say whether the same command makes what is left, once the series has ended so."""
        return bool(self.made) and not self.problem and why not in OVER[: 1 if self._is_list else 2]

    def _came(self, event: RunCame) -> None:
        report, number = event.report, event.turn.number
        made = Made(
            run=report.run,
            serial=report.serial,
            status=int(report.status),
            is_done=event.final and report.status in (ExitStatus.PASSED, ExitStatus.FAILED),
            limit_failed=report.limit_failed,
        )
        self.made[number] = made
        self._write(
            event="came",
            number=number,
            run=made.run,
            serial=made.serial,
            status=made.status,
            is_done=made.is_done,
            limit_failed=made.limit_failed,
        )

    def _write(self, **facts: Any) -> None:
        try:
            if self._handle < 0:
                self._handle = os.open(self.path, os.O_RDWR | os.O_CREAT | _FLAGS, 0o644)
                self._hold()
            if self.began is None:
                self.began = datetime.now().astimezone()
                facts = {"began": self.began.isoformat(timespec="seconds"), **facts}
            line = b"\n" * self._is_torn + json.dumps(facts).encode() + b"\n"
            os.lseek(self._handle, 0, os.SEEK_END)
            self._is_torn = True
            self._is_torn = os.write(self._handle, line) != len(line)
            os.fsync(self._handle)
        except OSError as error:
            self.problem = self.problem or error.strerror or str(error)

    def _read(self, content: bytes) -> None:
        self._is_torn = bool(content) and not content.endswith(b"\n")
        for line in content.split(b"\n"):
            with suppress(ValueError, KeyError, TypeError, AttributeError, RecursionError):
                self._take_line(json.loads(line))

    def _take_line(self, said: dict[str, Any]) -> None:
        number, status = int(said["number"]), said.get("status")
        if self.began is None and "began" in said:
            self.began = datetime.fromisoformat(said["began"]).astimezone()
        self.made[number] = Made(
            run=str(said["run"]),
            serial=str(said["serial"]),
            status=None if status is None else int(ExitStatus(status)),
            is_done=said.get("is_done") is True,
        )
        if said.get("limit_failed") is True:
            self.failed.add(number)

    def _hold(self) -> None:
        """Hold the file as long as this process lasts. Raises FileProblems where another does."""
        if sys.platform == "win32":  # a lock there would keep readers out too
            return
        import fcntl

        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            self.close()
            raise about_file(
                self.path,
                "this series goes on: another process makes its runs",
                allowed="a series that has ended, or was cut short",
                hint="wait until it has ended, or stop it; the same command then carries on what is left",
            ) from error
        except OSError:  # a file system without locks
            return

    def close(self) -> None:
        """Let go of it; what stands in it stays."""
        if self._handle >= 0:
            with suppress(OSError):
                os.close(self._handle)
        self._handle = -1


_FLAGS = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)


def number_in_series(folder: Path, run: str) -> int | None:
    """Return as which run of a series that has not ended ``run`` was made; None where it was of none."""
    for path in sorted(folder.glob(f"*{ENDING}")):
        book = SeriesBook(path, is_list=False)
        with suppress(OSError):
            if path.is_file():
                book._read(path.read_bytes()[:LARGEST_BYTES])
        for number, made in book.made.items():
            if made.run == run:
                return number
    return None
