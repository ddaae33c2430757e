"""A comparison on the screen in one table: the differences that count, and how many others there are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from rich.box import SIMPLE_HEAD
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from sequencer.analysis.compare import (
    CONNECTION_UNSTATED,
    DIFFERS,
    NO_VALUE,
    NOT_COMPARABLE,
    NOT_THERE,
    THE_FIRST,
    Cell,
    Comparison,
    Line,
)
from sequencer.analysis.estimates import ASSUMPTION
from sequencer.analysis.order import EXPLAINED
from sequencer.cli.common.long_names import LongNames
from sequencer.cli.screens.comparison_screen import difference_cell, e_n_cell, value_cell
from sequencer.frozen import dataclass
from sequencer.problems import printable
from sequencer.results.sweep import FOLDED_FROM, SWEEP
from sequencer.units.format import counted, ranges_text

COUNTING = (DIFFERS, CONNECTION_UNSTATED, NO_VALUE)
"""Statements that are shown; the others are counted."""
_SLIM = 72
"""Below so many columns a difference is a few lines instead of a row."""
_WIDE = 100
"""From so many columns on E_n has one of its own."""
HINT = "'sequencer compare --all' lays every result side by side, with the order of the units."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Difference:
    """One row: a group that differs in a quantity; ``channels`` are those of a sweep it stands for."""

    line: Line
    cell: Cell
    channels: tuple[int, ...] = ()

    @property
    def what(self) -> str:
        """The quantity with its channel and mode."""
        where = "" if self.line.channel is None else f", ch {self.line.channel}"
        several = f", worst of {counted(len(self.channels), 'channel')}" if self.channels else ""
        return f"{self.line.quantity}{several}{where}, {self.line.mode}"


def differences_screen(comparison: Comparison, *, width: int = 80) -> RenderableType:
    """Return the differences of a comparison that count, for a screen of ``width`` columns."""
    names = LongNames()
    found = list(_differences(comparison))
    parts: list[RenderableType] = []
    if found:
        parts.append(_slim(found, names) if width < _SLIM else _table(found, names, comparison, width))
    parts += names.lines()
    parts += [Text(printable(one)) for one in _counts(comparison)]
    parts += [Text(printable(one), style="dim") for one in [*_channels(found), *_notes(comparison), HINT]]
    return Group(*parts)


def _differences(comparison: Comparison) -> Iterator[_Difference]:
    """Yield what counts, line by line; channels of a sweep in which a group differs by their largest difference."""
    swept: dict[tuple[str, str, str, str], list[_Difference]] = {}
    rows: list[list[_Difference]] = []
    for line in comparison.lines:
        for cell in line.cells:
            if cell.statement not in COUNTING:
                continue
            one = _Difference(line=line, cell=cell)
            if line.check != SWEEP:
                rows.append([one])
                continue
            key = (line.quantity, line.mode, cell.group, cell.statement)
            if key not in swept:
                rows.append(swept.setdefault(key, []))
            swept[key].append(one)
    for several in rows:
        yield from several if len(several) < FOLDED_FROM else [_worst(several)]


def _worst(several: Sequence[_Difference]) -> _Difference:
    worst = max(several, key=lambda one: abs(one.cell.difference or 0.0))
    channels = tuple(one.line.channel for one in several if one.line.channel is not None)
    return _Difference(line=worst.line, cell=worst.cell, channels=channels)


def _table(found: Sequence[_Difference], names: LongNames, comparison: Comparison, width: int) -> Table:
    firsts = dict.fromkeys(
        cell.group for line in comparison.lines for cell in line.cells if cell.statement == THE_FIRST
    )
    base = names.shown(next(iter(firsts))).plain if len(firsts) == 1 else "the first"
    table = Table(header_style="bold", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("quantity")
    table.add_column("unit or\ngroup")
    table.add_column("value ± U", no_wrap=True)
    table.add_column(Text(f"difference ± U\nfrom {base}"), no_wrap=True)
    if width >= _WIDE:
        table.add_column("E_n", justify="right", no_wrap=True)
    table.add_column("")
    before: Line | None = None
    for one in found:
        table.add_row(
            "" if one.line is before else Text(printable(one.what)),
            names.shown(one.cell.group),
            value_cell(one.cell, one.line.unit),
            difference_cell(one.cell, one.line.unit),
            *([e_n_cell(one.cell)] if width >= _WIDE else []),
            Text(one.cell.statement, style="bold" if one.cell.statement == DIFFERS else ""),
        )
        before = one.line
    return table


def _slim(found: Sequence[_Difference], names: LongNames) -> RenderableType:
    """Return differences where a table would break every word."""
    lines: list[RenderableType] = []
    for one in found:
        difference = difference_cell(one.cell, one.line.unit)
        said = Text.assemble(names.shown(one.cell.group), f": {one.cell.statement}", style="bold")
        if difference:
            said.append(f" by {difference}", style="not bold")
        lines += [
            Text(printable(one.what)),
            Padding(said, (0, 0, 0, 2)),
            Padding(Text(value_cell(one.cell, one.line.unit)), (0, 0, 0, 2)),
        ]
    return Padding(Group(*lines), (0, 0, 1, 0))


def _counts(comparison: Comparison) -> Iterator[str]:
    """Say how many results were held against the first, and what came of it; why some could not be."""
    cells = [cell for line in comparison.lines for cell in line.cells]
    counts = Counter(cell.statement for cell in cells if cell.statement not in (THE_FIRST, NOT_THERE))
    if not counts:
        yield "Nothing to compare: no two groups have a result in common."
        return
    quantities = counted(len(comparison.lines), "quantity", "quantities")
    told = ", ".join(
        f"{statement} {count}" for statement, count in sorted(counts.items(), key=lambda one: -one[1])
    )
    yield f"{len(comparison.groups)} groups, {quantities}. {told[0].upper()}{told[1:]}."
    reasons = dict.fromkeys(cell.reason for cell in cells if cell.reason and cell.statement == NOT_COMPARABLE)
    for reason in reasons:
        yield f"{NOT_COMPARABLE.capitalize()}: {reason}."
    for line in comparison.lines:
        for cell in line.cells:
            if cell.statement == NO_VALUE and cell.reason and line.check != SWEEP:
                yield f"{cell.group}, {line.quantity}: {cell.reason}."


def _channels(found: Sequence[_Difference]) -> Iterator[str]:
    for one in found:
        if one.channels:
            yield f"{one.line.quantity}, {one.cell.group}: {one.cell.statement} on channels {ranges_text(one.channels)}."


def _notes(comparison: Comparison) -> list[str]:
    """Return what a reader must know, without what is about the order, which is not shown, and about the arithmetic."""
    return [note for note in comparison.notes if not note.startswith((EXPLAINED, ASSUMPTION))]
