"""A list of benches that work at the same time: a CSV file with a column of bench files, and what each of them measures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from sequencer.files.ordinary import is_ordinary, is_there
from sequencer.frozen import dataclass
from sequencer.inputs.lists.list_text import Row, at_line, find_columns, is_separator_line, read_list_text
from sequencer.inputs.lists.unit_list import ListedUnit, read_unit_list
from sequencer.inputs.names.serial import SERIAL_ALLOWED, wrong_with_serial
from sequencer.problems import Complaint, FileProblems, about_file, printable

COLUMNS = ("bench", "sequence", "serial", "units", "model")
MOST_BENCHES = 64
MOST_CHARACTERS = 400
_HEADED = (
    "a first line with the names of the columns, such as 'bench,serial' or 'bench,sequence,serial,units,model', "
    "and a line for each bench"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedBench:
    """One bench of a list, and the line it stands on. ``units`` are measured on it one after another.

    ``bench`` and ``sequence`` are as written, but for a file beside the list; ``sequence`` may be empty.
    """

    bench: str
    line: int
    sequence: str = ""
    list_of_units: str = ""
    units: tuple[ListedUnit, ...] = ()


def read_bench_list(path: Path, *, stations: bool = False) -> tuple[ListedBench, ...]:
    """Return the benches in the file, in its order. Raises InputError with everything that is wrong with it.

    ``stations``: their units are scanned, so that a list of units is one of those expected, and no line names a serial.
    """
    if not is_there(path):
        hint = "'sequencer reference many-benches' shows one"
        raise about_file(path, "there is no such file", allowed=f"a list of benches: {_HEADED}", hint=hint)
    text = read_list_text(path, kind="a list of benches (CSV)")
    rows = [row for row in text.rows if not row.is_blank and not is_separator_line(row)]
    if not rows:
        raise FileProblems([at_line(path, 1, "the list is empty", allowed=_HEADED)])
    places = find_columns(path, rows[0], known=COLUMNS, needed=("bench",), headed=_HEADED)
    complaints: list[Complaint] = []
    found = [_listed(path, row, places, complaints, stations=stations) for row in rows[1:]]
    if not found:
        raise FileProblems([at_line(path, rows[0].line, "no bench stands below the names", allowed=_HEADED)])
    if len(found) > MOST_BENCHES:
        line = found[MOST_BENCHES].line
        complaints.append(
            at_line(path, line, f"{len(found)} benches", allowed=f"at most {MOST_BENCHES} in a list")
        )
    complaints += _units_twice(path, found)
    if complaints:
        raise FileProblems(sorted(complaints, key=lambda one: one.line))
    return tuple(found)


def _listed(
    path: Path, row: Row, places: Mapping[str, int], complaints: list[Complaint], *, stations: bool
) -> ListedBench:
    values = row.values
    cells = {name: values[at] if at < len(values) else "" for name, at in places.items()}
    complaints += _wrong_cells(path, row.line, cells, stations=stations)
    serial, units = cells.get("serial", ""), cells.get("units", "")
    measured: tuple[ListedUnit, ...] = ()
    if units and not serial and not stations:
        try:
            measured = read_unit_list(Path(_beside(path, units)))
        except FileProblems as problems:
            complaints += problems.complaints
    elif serial:
        measured = (ListedUnit(serial=serial, line=row.line, model=cells.get("model", "")),)
    return ListedBench(
        bench=_beside(path, cells["bench"]),
        line=row.line,
        sequence=_beside(path, cells.get("sequence", "")),
        list_of_units=_beside(path, units),
        units=measured,
    )


def _beside(path: Path, name: str) -> str:
    """Return a file beside the list by its path; any other name as it is written."""
    beside = path.parent / name
    return str(beside) if name and is_ordinary(beside) else name


def _wrong_cells(path: Path, line: int, cells: Mapping[str, str], *, stations: bool) -> Iterator[Complaint]:
    if not cells["bench"]:
        yield at_line(
            path, line, "no bench stands here", allowed="a bench file's path, or a shipped one's name"
        )
    serial, units = cells.get("serial", ""), cells.get("units", "")
    if serial and (wrong := wrong_with_serial(serial)):
        yield at_line(path, line, f"{wrong}: '{printable(serial)[:40]}'", allowed=SERIAL_ALLOWED)
    if stations and serial:
        yield at_line(
            path, line, "a serial stands here, and units are scanned at a station", allowed="an empty cell"
        )
    elif not stations and bool(serial) is bool(units):
        said = "both a serial and a list of units stand here" if serial else "no unit stands here"
        yield at_line(path, line, said, allowed="one of the two: a serial, or under 'units' a list of units")
    for name, text in cells.items():
        if len(text) > MOST_CHARACTERS or not text.isprintable():
            what = f"has {len(text)} characters" if text.isprintable() else "holds a control character"
            yield at_line(
                path, line, f"the {name} {what}", allowed=f"at most {MOST_CHARACTERS} printable characters"
            )


def _units_twice(path: Path, found: list[ListedBench]) -> Iterator[Complaint]:
    first: dict[str, ListedBench] = {}
    for bench in found:
        for unit in bench.units:
            if (earlier := first.setdefault(unit.serial, bench)) is not bench:
                yield at_line(
                    path,
                    bench.line,
                    f"the unit '{printable(unit.serial)[:64]}' is measured by the bench on line {earlier.line} already",
                    allowed="each unit on one bench",
                )
