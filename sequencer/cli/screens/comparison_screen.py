"""A comparison or a history on the screen."""

from __future__ import annotations

from collections.abc import Sequence

from rich.box import SIMPLE_HEAD
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sequencer.analysis.compare import ALIKE, DIFFERS, NOT_THERE, Cell, Comparison, Line
from sequencer.analysis.history import History
from sequencer.cli.common.long_names import LongNames
from sequencer.problems import printable
from sequencer.results.text import with_bound, with_minus
from sequencer.units.format import format_quantity, format_with_uncertainty, unit_of_difference


def comparison_screen(comparison: Comparison) -> RenderableType:
    """Return a comparison for the screen: a table a line, groups below each other, and the notes."""
    parts: list[RenderableType] = []
    names = LongNames()
    for line in comparison.lines:
        where = "" if line.channel is None else f", channel {line.channel}"
        parts += [
            _heading(line, where),
            _line_table(line, names),
            *(
                Text(f"  {printable(cell.group)}: {printable(cell.reason)}", style="dim")
                for cell in line.cells
                if cell.reason
            ),
            Text(""),
        ]
    parts += names.lines()
    return Group(*parts, *(Text(printable(note), style="dim") for note in comparison.notes))


def _heading(line: Line, where: str) -> Text:
    """Return what stands above a line's table; the order of its numbers with it, where it has any."""
    said = Text(printable(f"{line.quantity}{where}, {line.mode}"), style="bold")
    if any(cell.place is not None for cell in line.cells):
        said.append(f" (numbered {line.order})", style="not bold dim")
    return said


def _line_table(line: Line, names: LongNames) -> Table:
    table = Table(header_style="bold", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for heading in ("unit or group", "value ± U", "difference ± U", "E_n", "", "no."):
        table.add_column(heading, justify="right" if heading in ("E_n", "no.") else "left")
    for cell in line.cells:
        if cell.statement == NOT_THERE:
            continue
        table.add_row(
            names.shown(cell.group),
            value_cell(cell, line.unit),
            difference_cell(cell, line.unit),
            e_n_cell(cell),
            Text(cell.statement, style={DIFFERS: "bold", ALIKE: ""}.get(cell.statement, "dim")),
            place_cell(cell),
        )
    return table


def value_cell(cell: Cell, unit: str) -> str:
    """Return the value of a cell with its uncertainty, and of how many results it is the mean."""
    if cell.value is None:
        return "–"
    told = [f"mean of {cell.count}"] if cell.count > 1 else []
    told += ["repeated"] if cell.replaced else []
    several = f" ({', '.join(told)})" if told else ""
    return with_minus(_with_uncertainty(cell.value, cell.expanded, unit)) + several


def difference_cell(cell: Cell, unit: str) -> str:
    """Return the difference of a cell with its uncertainty."""
    if cell.difference is None:
        return ""
    return with_minus(_with_uncertainty(cell.difference, cell.difference_expanded, unit_of_difference(unit)))


def e_n_cell(cell: Cell) -> str:
    """Return a cell's E_n: its difference over the difference's expanded uncertainty."""
    return "" if cell.e_n is None else with_minus(f"{cell.e_n:.2f}")


def place_cell(cell: Cell) -> str:
    """Return the number in the line's order, marked with = where the results cannot tell another group apart."""
    if cell.place is None:
        return ""
    return f"{cell.place}=" if cell.tied_with else f"{cell.place}"


def history_screen(histories: Sequence[History]) -> RenderableType:
    """Return histories for the screen: a table each, its drift below it."""
    parts: list[RenderableType] = []
    names = LongNames()
    for one in histories:
        where = "" if one.channel is None else f", channel {one.channel}"
        parts.append(Text(printable(f"{one.serial}: {one.quantity}{where}, {one.mode}"), style="bold"))
        table = Table(header_style="bold", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
        for heading in ("time", "value ± U", "decision", "run"):
            table.add_column(heading)
        for point in one.points:
            value = "–" if point.value is None else _with_uncertainty(point.value, point.expanded, one.unit)
            value = with_bound(point.bound, value)
            table.add_row(
                _moment(point.time),
                with_minus(value),
                point.decision,
                names.shown(point.run),
            )
        parts.append(table)
        parts += [
            Text(f"not counted, {_moment(point.time)}: {printable(point.left_out)}", style="dim")
            for point in one.points
            if point.left_out
        ]
        parts += [Text(with_minus(printable(one.drift.statement)))]
        parts += [*(Text(printable(note), style="dim") for note in one.notes), Text("")]
    return Group(*parts, *names.lines())


def _moment(time: str) -> str:
    return time[:19].replace("T", " ")


def _with_uncertainty(value: float, expanded: float | None, unit: str) -> str:
    if expanded is None or not expanded < float("inf"):
        return format_quantity(value, unit)
    return format_with_uncertainty(value, expanded, unit)
