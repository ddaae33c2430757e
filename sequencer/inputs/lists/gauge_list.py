"""Readings of a gauge study that were made elsewhere: a CSV file with a line for each reading."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from sequencer.frozen import dataclass
from sequencer.inputs.lists.list_text import Row, at_line, find_columns, is_separator_line, read_list_text
from sequencer.problems import Complaint, FileProblems, listed, printable
from sequencer.units.figure import LARGEST, parse_figure
from sequencer.units.parse import QuantityError

NEEDED = ("unit", "operator", "value")
COLUMNS = (*NEEDED, "trial", "quantity")
_HEADED = "a first line 'unit,operator,trial,value' (trial and quantity may be left out), and a line for each reading"
_ALLOWED = f"a number such as 3.81, at most {LARGEST:g} either way and without a unit: the unit stands with --lower or --upper"
LONGEST = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedReading:
    """One reading, and the line it stands on."""

    unit: str
    operator: str
    value: float
    line: int
    quantity: str = ""
    trial: str = ""


def read_gauge_list(path: Path) -> tuple[ListedReading, ...]:
    """Return the readings in the file. Raises FileProblems with everything that is wrong with it, each with its line."""
    rows = [
        row
        for row in read_list_text(path, kind="a list of readings (CSV)").rows
        if not row.is_blank and not is_separator_line(row)
    ]
    if not rows:
        raise FileProblems([at_line(path, 1, "the list is empty", allowed=_HEADED)])
    places = find_columns(path, rows[0], known=COLUMNS, needed=NEEDED, headed=_HEADED)
    complaints: list[Complaint] = []
    found: dict[tuple[str, ...], ListedReading] = {}
    readings: list[ListedReading] = []
    for row in rows[1:]:
        one = _reading(path, row, places, complaints)
        if one is None:
            continue
        readings.append(one)
        key = (one.quantity, one.unit, one.operator, one.trial)
        if one.trial and (earlier := found.setdefault(key, one)) is not one:
            complaints.append(
                at_line(
                    path,
                    row.line,
                    f"trial {printable(one.trial)} of {printable(one.unit)} by {printable(one.operator)} "
                    f"stands on line {earlier.line} already",
                    allowed="each trial once",
                )
            )
    if complaints:
        raise FileProblems(complaints)
    if not readings:
        raise FileProblems(
            [at_line(path, rows[0].line, "no reading stands below the names", allowed=_HEADED)]
        )
    return tuple(readings)


def _reading(
    path: Path, row: Row, places: Mapping[str, int], complaints: list[Complaint]
) -> ListedReading | None:
    values = row.values
    before = len(complaints)
    if beyond := [one for one in values[len(places) :] if one]:
        complaints.append(
            at_line(
                path,
                row.line,
                f"'{printable(beyond[0])[:40]}' stands beyond the last column",
                allowed=f"{len(places)} columns: {listed(places)}",
                hint="numbers with a comma need another separator, or a point in its place",
            )
        )
    cells = {name: values[at] if at < len(values) else "" for name, at in places.items()}
    for name, text in cells.items():
        if name in ("unit", "operator") and not text:
            complaints.append(at_line(path, row.line, f"the {name} is missing", allowed="a name"))
        elif len(text) > LONGEST or not text.isprintable():
            complaints.append(
                at_line(
                    path,
                    row.line,
                    f"the {name} is no plain text",
                    allowed=f"at most {LONGEST} printable characters",
                )
            )
    value = _value(path, row, cells["value"], complaints)
    if len(complaints) > before:
        return None
    return ListedReading(
        unit=cells["unit"],
        operator=cells["operator"],
        value=value,
        line=row.line,
        quantity=cells.get("quantity", ""),
        trial=cells.get("trial", ""),
    )


def _value(path: Path, row: Row, text: str, complaints: list[Complaint]) -> float:
    wrong, hint = f"'{printable(text)[:40]}' is no value" if text else "the value is missing", ""
    try:
        number, unit = parse_figure(text)
    except QuantityError as error:
        hint = error.hint
    else:
        if not unit:
            return number
        wrong = f"'{printable(text)[:40]}' has a unit"
        hint = f"write {text.removesuffix(unit).strip()} here"
    complaints.append(at_line(path, row.line, wrong, allowed=_ALLOWED, hint=hint))
    return 0.0
