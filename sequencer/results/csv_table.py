"""The results table of one run: a timestamped CSV that grows by a check at a time and is on the disk when the check ends."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from io import StringIO
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sequencer.frozen import dataclass
from sequencer.results.model import COLUMNS, Result, row_of

MOST_AT_ONCE = 50
"""How often another run may take a table's name between looking and creating it."""


class ResultsTable:
    """A CSV file (RFC 4180, UTF-8) with one row a result, under the names of `sequencer.results.model.COLUMNS`."""

    def __init__(self, path: Path, *, power_safe: bool = True, stands: bool = False) -> None:
        """Create the file, which must not exist yet unless it is said that it ``stands``: see `take_up`. OSError if it cannot be written.

        Rows survive the end of this process in any case; ``power_safe`` also waits for the disk.
        """
        self.path = path
        self._power_safe = power_safe
        self._lines: list[bytes] = []  # all that is to stand there, the header first
        self._kept = 0  # how many lines do
        self._good = 0  # and how many bytes they are
        self._others: set[int] = set()  # the places of lines that stand there and are nobody's to count
        self._add(dict(zip(COLUMNS, COLUMNS, strict=True)))
        self._file = path.open("r+b" if stands else "xb", buffering=0)
        if stands:
            return
        self._keep()
        if power_safe:
            _keep_name(path.parent)

    @classmethod
    def begin(
        cls, folder: Path, *, time: datetime, serial: str, sequence: str, power_safe: bool = True
    ) -> Self:
        """Create a table under a fresh name (see `table_path`): the next one where another run takes that in the same moment. OSError."""
        for _ in range(MOST_AT_ONCE):
            with suppress(FileExistsError):
                path = table_path(folder, time=time, serial=serial, sequence=sequence)
                return cls(path, power_safe=power_safe)
        return cls(table_path(folder, time=time, serial=serial, sequence=sequence), power_safe=power_safe)

    @classmethod
    def take_up(cls, path: Path, results: Iterable[Result], *, power_safe: bool = True) -> Self | None:
        """Go on with the table of a run that was cut short; `write` then adds what it lacks of ``results``. OSError.

        None where something else stands there than the first of them, whole, and half a line at most.
        """
        if not path.exists():
            table = cls(path, power_safe=power_safe)
            content = path.read_bytes()
        else:
            table, content = cls(path, power_safe=power_safe, stands=True), path.read_bytes()
        for one in results:
            table._add(row_of(one))
        if not b"".join(table._lines).startswith(content):
            table.close()
            return None
        table._kept = table._good = 0
        for line in table._lines:
            if table._good + len(line) > len(content):
                break
            table._kept, table._good = table._kept + 1, table._good + len(line)
        return table

    @classmethod
    def take_up_longer(cls, longer: LongerTable, *, power_safe: bool = True) -> Self:
        """Go on with a table that holds more rows of its run than are known: they stay, and are not counted. OSError."""
        table = cls(longer.path, power_safe=power_safe, stands=True)
        table._lines += longer.lines
        table._kept, table._good = len(table._lines), sum(map(len, table._lines))
        table._others = {at for at, known in enumerate(longer.known, start=1) if known is None}
        table._file.truncate(table._good)
        return table

    def write(self, results: Iterable[Result]) -> None:
        """Append ``results`` and see them onto the disk. On OSError none of them stands there; the next write tries again."""
        for result in results:
            self._add(row_of(result))
        self._keep()

    def count_kept(self) -> int:
        """Read the file back and return how many of the results stand there, whole, from the first on."""
        try:
            content = self.path.read_bytes()
        except OSError:
            return 0
        end = 0
        for at, line in enumerate(self._lines):
            if content[end : end + len(line)] != line:
                return max(at - 1 - sum(other < at for other in self._others), 0)
            end += len(line)
        return len(self._lines) - 1 - len(self._others)

    def arrange(self, order: Sequence[int]) -> None:
        """Put the results that stand there into another order, given by their places from 0; a reader never meets half of it.

        Nothing may be waiting to be written. On OSError the file stands as it was.
        """
        lines = [self._lines[0], *(self._lines[1 + place] for place in order)]
        beside = self.path.with_name(f".{self.path.name}.{os.getpid()}.part")
        try:
            with beside.open("xb") as file:
                file.write(b"".join(lines))
                file.flush()
                if self._power_safe:
                    os.fsync(file.fileno())
            self._file.close()  # a file that is open cannot be replaced on Windows
            try:
                beside.replace(self.path)
                self._lines = lines
                self._others = {at for at, place in enumerate(order, start=1) if 1 + place in self._others}
            finally:
                self._file = self.path.open("r+b", buffering=0)
        finally:
            with suppress(OSError):
                beside.unlink()
        if self._power_safe:
            _keep_name(self.path.parent)

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _add(self, row: Mapping[str, Any]) -> None:
        self._lines.append(_line(row))

    def _keep(self) -> None:
        """Write the lines that do not stand there yet. A disk that fills up leaves no half of a line behind."""
        waiting = b"".join(self._lines[self._kept :])
        try:
            self._file.seek(self._good)
            written = 0
            while written < len(waiting):
                written += self._file.write(waiting[written:]) or 0
            if self._power_safe:
                os.fsync(self._file.fileno())
        except OSError:
            with suppress(OSError):
                self._file.truncate(self._good)
            raise
        self._kept, self._good = len(self._lines), self._good + len(waiting)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class LongerTable:
    """A table that holds all results that are known of a run, and more rows of the same run.

    ``known`` has the place of each row among the known ones; None for one more.
    """

    path: Path
    lines: tuple[bytes, ...]
    known: tuple[int | None, ...]

    @property
    def more(self) -> list[dict[str, str]]:
        """The rows that are not known, by the names of their columns."""
        text = b"".join(line for line, at in zip(self.lines, self.known, strict=True) if at is None).decode(
            "utf-8"
        )
        return [dict(zip(COLUMNS, row, strict=True)) for row in csv.reader(StringIO(text, newline=""))]


def read_longer(path: Path, results: Iterable[Result], *, run: str) -> LongerTable | None:
    """Return the table of ``run`` if it holds all ``results`` and more; None where it does not, or something else stands there too."""
    header = _line(dict(zip(COLUMNS, COLUMNS, strict=True)))
    try:
        content = path.read_bytes()
        text = content.decode("utf-8")
        rows = list(csv.reader(StringIO(text, newline="")))[1:]
    except (OSError, UnicodeDecodeError, csv.Error):
        return None
    if not content.startswith(header):
        return None
    at, lines, own = len(header), [], spreadsheet_safe(run)
    for row in rows:
        if len(row) != len(COLUMNS) or row[COLUMNS.index("run")] != own:
            break
        line = _as_line(row)
        if not content.startswith(line, at):
            break
        lines.append(line)
        at += len(line)
    if b"\r\n" in content[at:]:  # half a row at most may follow
        return None
    waiting: dict[bytes, list[int]] = {}
    for number, one in enumerate(results):
        waiting.setdefault(_line(row_of(one)), []).append(number)
    known = tuple(waiting[line].pop(0) if waiting.get(line) else None for line in lines)
    if any(waiting.values()) or None not in known:
        return None
    return LongerTable(path=path, lines=tuple(lines), known=known)


def lines_of(results: Iterable[Result]) -> str:
    """Return results as a table holds them, under its header."""
    header = _line(dict(zip(COLUMNS, COLUMNS, strict=True)))
    return b"".join([header, *(_line(row_of(one)) for one in results)]).decode("utf-8")


def _line(row: Mapping[str, Any]) -> bytes:
    return _as_line([spreadsheet_safe(row[name]) for name in COLUMNS])


def _as_line(cells: Sequence[Any]) -> bytes:
    line = StringIO(newline="")
    csv.writer(line).writerow(cells)
    return line.getvalue().encode("utf-8", "backslashreplace")


def table_path(folder: Path, *, time: datetime, serial: str, sequence: str) -> Path:
    """Return a fresh name in ``folder``: time (to the second, with offset), serial, sequence, and a number if need be.

    Serial and sequence are cut where they would make the name longer than file systems take (255 bytes).
    """
    stem = f"{time.strftime('%Y%m%dT%H%M%S%z')}_{_cut(serial)}_{_cut(sequence)}"
    path = folder / f"{stem}.csv"
    number = 2
    while path.exists():
        path = folder / f"{stem}_{number}.csv"
        number += 1
    return path


def _cut(text: str, most_bytes: int = 100) -> str:
    return text.encode("utf-8", "replace")[:most_bytes].decode("utf-8", "ignore")


def _keep_name(folder: Path) -> None:
    """See the new file's name onto the disk too, where a folder can be synchronised at all (not on Windows)."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def spreadsheet_safe(cell: str | float | int | bool | None) -> str | float | int | bool | None:
    """Return the cell so that a spreadsheet shows it: a text that it would run as a formula gets an apostrophe before it.

    OWASP, CSV injection: a text that begins with one of = + - @, a tab or a line's end, wide forms included.
    """
    if isinstance(cell, str) and cell[:1] in tuple("=+-@\t\r\n＝＋－＠"):
        return "'" + cell
    return cell
