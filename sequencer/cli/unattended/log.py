"""The log that a person reads in the morning: a line an event, with time and zone, in a file that rotates."""

from __future__ import annotations

import logging
import os
import re
import stat
import sys
from collections.abc import Callable
from datetime import datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path

from sequencer.cli.screens.check_lines import CheckLines
from sequencer.cli.unattended.report import fault_line
from sequencer.cli.unattended.words import event_lines
from sequencer.problems import InputError, about_file, printable
from sequencer.run.events import CheckEnded, Event, FaultMet, Warned
from sequencer.run.series.clock import SeriesClock
from sequencer.run.series.events import SeriesEvent

LARGEST_BYTES = 1024 * 1024
"""A file beyond this is put aside and a new one begun."""
KEPT = 31
"""How many that were put aside are kept, a month where each day has one: NAME.1 is the newest of them."""
LAST_BYTES = 16_384  # in which a line begins
_BEGINS = re.compile(rb"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d [+-]\d{4,6}  ")
"""How every line of a log begins: see `_stamp`."""
_ALLOWED = "a name that is free, or a log that earlier runs wrote"
_HINT = "name another with --log"


class _Handler(RotatingFileHandler):
    """A handler of the standard library that begins a file for each day, too, by the day that ``today`` tells.

    It keeps why it could not write, in place of a traceback on the screen.
    """

    failed = ""
    today: Callable[[], str]
    written = ""
    """The day of the last line that stands in the file; empty for none."""

    def shouldRollover(self, record: logging.LogRecord) -> int:  # noqa: N802 - the library's name
        """Say whether the file is put aside before the line is written: it is full, or of another day."""
        was, self.written = self.written, self.today()
        return int(bool(super().shouldRollover(record)) or bool(was and was != self.written))

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - the library's name
        """Keep what went wrong first."""
        self.note(sys.exc_info()[1])

    def note(self, error: BaseException | None) -> None:
        """Keep why a line is lost; what comes of it later says less."""
        self.failed = self.failed or _why(error)


class HumanLog:
    """Writes what a series and its runs tell into the log at ``path``. A log that cannot be written costs no run: see `failed`."""

    def __init__(
        self, path: Path, clock: SeriesClock, *, other_use: Callable[[Path], str] = lambda _: ""
    ) -> None:
        """Open it; an earlier log that stands there stays, and is written on.

        ``other_use`` says what else a path is to the series ("the store"); empty for nothing. Raises InputError where the log cannot be
        written, and where something stands that is not a log: nothing is added to it.
        """
        self.path = path
        self._clock = clock
        self._checks = CheckLines(headed=False)
        try:
            _refuse_foreign(path, other_use)
            path.parent.mkdir(parents=True, exist_ok=True)
            self._handler = _Handler(
                path, maxBytes=LARGEST_BYTES, backupCount=KEPT, encoding="utf-8", errors="backslashreplace"
            )
            self._handler.today = lambda: f"{clock.now():%Y-%m-%d}"
            self._handler.written = _last_day(path)
        except (OSError, ValueError, RuntimeError) as error:  # RuntimeError: a link that leads to itself
            raise _unwritable(path, error) from error

    @property
    def failed(self) -> str:
        """Why a line could not be written; empty where all were."""
        return self._handler.failed

    def of_series(self, event: SeriesEvent) -> None:
        """Write down an event of the series."""
        for line in event_lines(event):
            self._write(line)

    def of_run(self, event: Event) -> None:
        """Write down an event of a run: what each check found, faults and warnings."""
        match event:
            case FaultMet():
                self._write(f"  fault: {fault_line(event.fault)}")
            case Warned():
                self._write(f"  warning: {printable(event.text)}")
            case CheckEnded():
                for line in self._checks.of(event):
                    self._write(f"  {re.sub(r' {2,}', '  ', line.strip())}")
            case _:
                self._checks.of(event)

    def close(self) -> None:
        """Close the file; what could not be written until now is tried once more."""
        try:
            self._handler.close()
        except OSError as error:
            self._handler.note(error)

    def _write(self, line: str) -> None:
        self._handler.handle(logging.makeLogRecord({"msg": f"{_stamp(self._clock.now())}  {line}"}))


def _last_day(path: Path) -> str:
    """Return the day of the last line of a log; empty where there is none."""
    if not path.is_file():
        return ""
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - LAST_BYTES))
        days = re.findall(_BEGINS.pattern, file.read(), re.MULTILINE)
    return days[-1][:10].decode("ascii") if days else ""


def _stamp(time: datetime) -> str:
    return f"{time:%Y-%m-%d %H:%M:%S %z}"


def _refuse_foreign(path: Path, other_use: Callable[[Path], str]) -> None:
    """Raise InputError where the log, or one put aside, would be written into something else. OSError and ValueError as of any path."""
    if use := other_use(path):
        raise about_file(path, f"this is {use}, and no log is written into it", allowed=_ALLOWED, hint=_HINT)
    if not _is_free_or_log(path):
        raise about_file(
            path,
            "what stands here is not a log of this program; nothing was added to it",
            allowed=_ALLOWED,
            hint=_HINT,
        )
    for number in range(1, KEPT + 1):
        aside = path.with_name(f"{path.name}.{number}")
        if not _is_free_or_log(aside):
            raise about_file(
                aside,
                f"the log {printable(path.name)} is put aside under this name, and what stands here is not a log of this program",
                allowed=_ALLOWED,
                hint=_HINT,
            )


def _is_free_or_log(path: Path) -> bool:
    """Say whether nothing stands there, or a log as its first line tells. A device is neither: what is behind it may be an instrument."""
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    if not stat.S_ISREG(found.st_mode):
        return path.samefile(os.devnull)
    with path.open("rb") as file:
        head = file.read(64)
    return not head or _BEGINS.match(head) is not None


def _why(error: BaseException | None) -> str:
    return getattr(error, "strerror", None) or str(error)


def _unwritable(path: Path, error: Exception) -> InputError:
    return about_file(
        path,
        f"the log cannot be written here: {_why(error)}",
        allowed="a file that can be written",
        hint=_HINT,
    )
