"""The log that a person reads in the morning: a line an event, with time and zone, in a file that rotates."""

from __future__ import annotations

import logging
import re
import sys
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
KEPT = 9
"""How many that were put aside are kept: NAME.1 is the newest of them."""


class _Handler(RotatingFileHandler):
    """A handler of the standard library that keeps why it could not write, in place of a traceback on the screen."""

    failed = ""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - the library's name
        """Keep what went wrong."""
        error = sys.exc_info()[1]
        self.failed = getattr(error, "strerror", None) or str(error)


class HumanLog:
    """Writes what a series and its runs tell into the log at ``path``. A log that cannot be written costs no run: see `failed`."""

    def __init__(self, path: Path, clock: SeriesClock) -> None:
        """Open it; what stands there stays. Raises InputError where it cannot be written."""
        self.path = path
        self._clock = clock
        self._checks = CheckLines(headed=False)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._handler = _Handler(
                path, maxBytes=LARGEST_BYTES, backupCount=KEPT, encoding="utf-8", errors="backslashreplace"
            )
        except (OSError, ValueError) as error:
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
        """Close the file."""
        self._handler.close()

    def _write(self, line: str) -> None:
        self._handler.handle(logging.makeLogRecord({"msg": f"{_stamp(self._clock.now())}  {line}"}))


def _stamp(time: datetime) -> str:
    return f"{time:%Y-%m-%d %H:%M:%S %z}"


def _unwritable(path: Path, error: Exception) -> InputError:
    why = getattr(error, "strerror", None) or str(error)
    return about_file(
        path,
        f"the log cannot be written here: {why}",
        allowed="a file that can be written",
        hint="name another with --log",
    )
