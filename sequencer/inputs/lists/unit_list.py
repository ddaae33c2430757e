"""A list of units to be measured one after another: a CSV file with a column of serials, and if need be of models and comments."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from sequencer.frozen import dataclass
from sequencer.inputs.lists.list_text import Row, at_line, find_columns, is_separator_line, read_list_text
from sequencer.inputs.names.serial import SERIAL_ALLOWED, looks_like_formula, wrong_with_serial
from sequencer.problems import Complaint, FileProblems, listed, printable

COLUMNS = ("serial", "model", "comment")
POSITION = "position"
"""The column of a list whose units lie in several positions at once: the bench file of the unit's own."""
MOST_UNITS = 1000
MOST_CHARACTERS = {"model": 64, "comment": 200, POSITION: 400}


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedUnit:
    """One unit of a list, and the line it stands on."""

    serial: str
    line: int
    model: str = ""
    comment: str = ""
    position: str = ""


def read_unit_list(path: Path, *, positions: bool = False) -> tuple[ListedUnit, ...]:
    """Return the units in the file, in its order. Raises FileProblems with everything that is wrong with it.

    ``positions``: it may say in which position each unit lies.
    """
    text = read_list_text(path, kind="a list of units (CSV)")
    rows = [row for row in text.rows if not row.is_blank and not is_separator_line(row)]
    if not rows:
        raise FileProblems([at_line(path, 1, "the list is empty", allowed=_HEADED)])
    places = find_columns(
        path,
        rows[0],
        known=(*COLUMNS, POSITION) if positions else COLUMNS,
        needed=("serial",),
        headed=_HEADED,
    )
    complaints: list[Complaint] = []
    units = [_unit(path, row, places, complaints) for row in rows[1:]]
    if not units:
        raise FileProblems([at_line(path, rows[0].line, "no unit stands below the names", allowed=_HEADED)])
    complaints += _twice(path, units)
    if len(units) > MOST_UNITS:
        complaints.append(
            at_line(
                path, units[MOST_UNITS].line, f"{len(units)} units", allowed=f"at most {MOST_UNITS} in a list"
            )
        )
    if complaints:
        raise FileProblems(sorted(complaints, key=lambda one: one.line))
    return tuple(units)


_HEADED = (
    "a first line with the names of the columns, 'serial' or 'serial,model,comment', and a line for each unit"
)


def _unit(path: Path, row: Row, places: Mapping[str, int], complaints: list[Complaint]) -> ListedUnit:
    values = row.values
    if beyond := [one for one in values[len(places) :] if one]:
        complaints.append(
            at_line(
                path,
                row.line,
                f"'{printable(beyond[0])[:40]}' stands beyond the last column",
                allowed=f"{len(places)} columns: {listed(places)}",
                hint="a comment with a comma in it stands in quotes",
            )
        )
    cells = {name: values[at] if at < len(values) else "" for name, at in places.items()}
    complaints += _wrong_cells(path, row.line, cells)
    return ListedUnit(
        serial=cells["serial"],
        line=row.line,
        model=cells.get("model", ""),
        comment=cells.get("comment", ""),
        position=cells.get(POSITION, ""),
    )


def _wrong_cells(path: Path, line: int, cells: Mapping[str, str]) -> Iterator[Complaint]:
    serial = cells["serial"]
    wrong = wrong_with_serial(serial)
    if not wrong and looks_like_formula(serial):
        wrong = "the serial begins as a spreadsheet's formula does"
    if wrong:
        hint = "take it from the unit's type plate, such as M40-0007"
        found = f"{wrong}: '{printable(serial)[:40]}'" if serial else wrong
        yield at_line(path, line, found, allowed=f"{SERIAL_ALLOWED}, nor with = + - @", hint=hint)
    for name, most in MOST_CHARACTERS.items():
        text = cells.get(name, "")
        if len(text) > most or not text.isprintable():
            what = f"has {len(text)} characters" if text.isprintable() else "holds a control character"
            yield at_line(path, line, f"the {name} {what}", allowed=f"at most {most} printable characters")


def _twice(path: Path, units: list[ListedUnit]) -> Iterator[Complaint]:
    first: dict[str, ListedUnit] = {}
    for unit in units:
        if unit.serial and (earlier := first.setdefault(unit.serial, unit)) is not unit:
            yield at_line(
                path,
                unit.line,
                f"the serial '{printable(unit.serial)[:64]}' stands on line {earlier.line} already",
                allowed="each unit once",
                hint="to measure it twice, call the command twice; or correct the one that was mistyped",
            )
