"""How far a kept gauge study has come: what is missing, what is damaged, and which of its runs the store does not hold."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from sequencer.results.gauge_log import GaugeRecord, KeptCell
from sequencer.units.format import counted

_SHOWN = 10


def missing_of(record: GaugeRecord) -> list[str]:
    """Return in words which cells of the study are short, as it was planned."""
    made = Counter((cell.unit, cell.operator) for cell in record.cells.values() if cell.is_whole)
    trials = record.head.trials
    return [
        f"{unit} by {operator}: {made[unit, operator]} of {trials}"
        for unit in record.head.units
        for operator in record.head.operators
        if made[unit, operator] < trials
    ]


def withheld_lines(record: GaugeRecord) -> Iterator[str]:
    """Give what is missing, without a value, and how the study goes on or ends."""
    if not record.measured:
        yield "Nothing has been measured yet."
        return
    yield f"Missing: {_some(missing_of(record))}."
    if record.ended_early:
        return
    yield "No value is shown until the study is whole: whoever sees them measures otherwise."
    yield (
        "'sequencer gauge' with the study's file goes on with it; --show with --end-early ends it as it is, for good, and shows what "
        "it says."
    )


def damaged_lines(path: Path, record: GaugeRecord) -> list[str]:
    """Return which lines of the study's file are damaged, and what that costs."""
    if not record.damaged:
        return []
    which = ", ".join(map(str, record.damaged[:_SHOWN]))
    more = f" and {len(record.damaged) - _SHOWN} more" if len(record.damaged) > _SHOWN else ""
    line, is_are = ("line", "is") if len(record.damaged) == 1 else ("lines", "are")
    said = (
        f"{path}: {line} {which}{more} {is_are} damaged; the others count. When the study goes on, a measurement that is lost is taken "
        "from the store, or made again."
    )
    return [said]


def without_run_lines(path: Path, cells: Sequence[KeptCell], why: str) -> list[str]:
    """Return which measurements have no run in the store, or why that is not known."""
    if why:
        return [f"Whether the store holds its runs is not known: {why}"]
    if not cells:
        return []
    named = _some([f"{cell.number} ({cell.unit} by {cell.operator}), run {cell.run}" for cell in cells])
    said = (
        f"The store does not hold the run of {counted(len(cells), 'measurement')}, whose values stand in {path.name} alone: {named}. "
        "'sequencer import-kept' takes a run in from the journal it left beside its results table."
    )
    return [said]


def _some(texts: Sequence[str]) -> str:
    return "; ".join(texts[:_SHOWN]) + (f" and {len(texts) - _SHOWN} more" if len(texts) > _SHOWN else "")
