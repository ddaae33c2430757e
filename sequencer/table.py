"""The results table of one run: a timestamped CSV that grows by a check at a time and is on the disk when the check ends."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from sequencer.results import COLUMNS, Result, row_of


class ResultsTable:
    """A CSV file (RFC 4180, UTF-8) with one row a result, under the names of `sequencer.results.COLUMNS`."""

    def __init__(self, path: Path) -> None:
        """Create the file, which must not exist yet. OSError if it cannot be written."""
        self.path = path
        self._file = path.open("x", newline="", encoding="utf-8")
        self._writer = csv.DictWriter(self._file, fieldnames=COLUMNS)
        self._writer.writeheader()
        self._keep()

    def write(self, results: Iterable[Result]) -> None:
        """Append ``results`` and see them onto the disk."""
        for result in results:
            self._writer.writerow({name: _safe(cell) for name, cell in row_of(result).items()})
        self._keep()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _keep(self) -> None:
        self._file.flush()
        os.fsync(self._file.fileno())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def table_path(folder: Path, *, time: datetime, serial: str, sequence: str) -> Path:
    """Return a fresh name in ``folder``: time (to the second, with offset), serial, sequence, and a number if need be."""
    stem = f"{time.strftime('%Y%m%dT%H%M%S%z')}_{serial}_{sequence}"
    path = folder / f"{stem}.csv"
    number = 2
    while path.exists():
        path = folder / f"{stem}_{number}.csv"
        number += 1
    return path


def _safe(cell: str | float | int | bool | None) -> str | float | int | bool | None:
    # A spreadsheet runs a text cell that starts with one of these as a formula (OWASP, CSV injection).
    if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + cell
    return cell
