"""A batch on the screen: yields, failures, capability with its charts, seconds; each with a sentence on what it rests on."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from sequencer.analysis.batches.process import RULES, Process
from sequencer.analysis.batches.summary import BatchSummary
from sequencer.analysis.batches.words import (
    capability_lines,
    drift_text,
    index_text,
    limits_of,
    share_text,
    value_text,
)
from sequencer.cli.screens.chart_text import chart_lines
from sequencer.problems import printable
from sequencer.units.format import counted, time_text

SHOWN = 3
"""Quantities that are shown with their charts, unless all are asked for: those that lie worst between their limits."""
MOST_LISTED = 12
"""Further quantities that are named."""
_BAR = 24


def batch_lines(found: BatchSummary, *, width: int, every: bool = False) -> Iterator[str]:
    """Yield the lines of a batch's page."""
    yield from _head(found, width)
    yield from _yields(found, width)
    yield from _failures(found, width)
    yield from _quantities(found, width, every=every)
    yield from _counted(found, width)
    yield from _seconds(found, width)


def _head(found: BatchSummary, width: int) -> Iterator[str]:
    record, yields = found.record, found.yields
    yield printable(
        f"Batch {record.batch}{' (SIMULATED: no measurement of real units)' if record.simulated else ''}"
    )
    target = f" of {record.target}" if record.target else ""
    model = f", model {record.model}" if record.model else ""
    yield printable(f"  {record.sequence}{model}; opened {record.opened:%Y-%m-%d %H:%M}")
    yield f"  {yields.judged}{target} units judged"
    if record.closed is not None:
        why = f": {record.stopped}" if record.stopped else ""
        yield from _wrapped(printable(f"{record.state()}{why}"), width)
    if left_out := found.left_out_sentence():
        yield from _wrapped(left_out, width)


def _yields(found: BatchSummary, width: int) -> Iterator[str]:
    yields = found.yields
    yield from _heading("Yield")
    for name, one in (("first pass", yields.first_pass), ("final", yields.final)):
        if one is not None:
            yield f"  {name:10}  {share_text(one)}"
    yield from _wrapped(yields.sentence(), width)


def _failures(found: BatchSummary, width: int) -> Iterator[str]:
    if not found.yields.judged:
        return
    yield from _heading("Failures by check, at the first attempt")
    room = max((len(one.check) for one in found.failures), default=0)
    most = max((one.failed for one in found.failures), default=0)
    for one in found.failures:
        bar = "#" * round(_BAR * one.failed / most) if most else ""
        missing = f"  {one.not_measured} not measured" if one.not_measured else ""
        yield printable(f"  {one.check:{room}}  {share_text(one.share)}  {bar}{missing}")[: max(width, 40)]
    yield from _wrapped(found.failures_sentence(), width)


def _quantities(found: BatchSummary, width: int, *, every: bool) -> Iterator[str]:
    worst = found.worst_first
    shown = worst if every else worst[:SHOWN]
    if worst:
        order = "worst first" if len(worst) > 1 else ""
        yield from _heading(f"Capability and charts{f', {order}' if order else ''}")
    for one in shown:
        yield from _process(one, width)
    if any(one.individuals is not None for one in shown):
        yield ""
        yield from _wrapped(RULES, width)
    if rest := worst[len(shown) :]:
        yield ""
        yield f"  And {counted(len(rest), 'quantity', 'quantities')} more (--all shows each with its chart):"
        room = min(max(len(one.quantity.title) for one in rest), max(20, width - 34))
        for one in rest[:MOST_LISTED]:
            index = index_text(one.capability.ppk) if one.capability is not None else one.why_not
            yield printable(
                f"    {one.quantity.title:{room}}  Ppk {index}"
                if one.capability
                else f"    {one.quantity.title:{room}}  {index}"
            )
        left = len(rest) - MOST_LISTED
        if left > 0:
            yield f"    and {left} that lie better"


def _process(one: Process, width: int) -> Iterator[str]:
    quantity = one.quantity
    yield ""
    yield printable(f"  {quantity.title}: {limits_of(quantity)}")
    for line in capability_lines(one):
        yield from _wrapped(line, width, indent=4)
    yield from _wrapped(one.capability_sentence(), width, indent=4)
    if one.individuals is not None:
        odd = {alarm.at for alarm in one.alarms}
        yield ""
        yield from (
            f"    {line}"
            for line in chart_lines(
                one.individuals.location,
                width=width - 4,
                shown=lambda value: value_text(one, value),
                odd=odd,
            )
        )
        yield "    each unit in order (o; X breaks a rule), its mean (.) and control limits (-)"
    yield from _wrapped(one.chart_sentence(), width, indent=4)
    for what, chart in (("Means of", one.means), ("Standard deviations within", one.deviations)):
        if chart is None:
            continue
        outside = len(chart.outside)
        beyond = f"{outside} beyond their limits" if outside else "none beyond its limits"
        yield from _wrapped(
            f"{what} {one.grouped}: {counted(len(chart.points), 'point')}, {beyond}.", width, indent=4
        )
    if said := drift_text(one):
        yield from _wrapped(f"{said}: {one.drift_sentence()}", width, indent=4)


def _counted(found: BatchSummary, width: int) -> Iterator[str]:
    charts = found.counted
    if charts.failing is None or not charts.failing.centre:  # no unit failed: there is nothing to draw
        return
    yield from _heading(f"Share of units that fail, {charts.by} a point (p chart)")
    yield from (
        f"  {line}"
        for line in chart_lines(
            charts.failing, width=width - 2, shown=lambda share: f"{100.0 * share:.1f} %", height=7
        )
    )
    if charts.defects is not None:
        outside = len(charts.defects.outside)
        yield from _wrapped(
            f"Results that fail on {charts.by} (c chart): {charts.defects.centre:.3g} on average, "
            f"{counted(outside, 'point') if outside else 'no point'} beyond the limits.",
            width,
        )
    yield from _wrapped(charts.sentence(), width)


def _seconds(found: BatchSummary, width: int) -> Iterator[str]:
    seconds = found.seconds
    yield from _heading("Where the seconds go")
    if seconds.checks:
        room = max(len(one.check) for one in seconds.checks)
        names = ("a run", "settling", "resting", "a person", "measuring")
        yield f"  {'':{room}}  " + "  ".join(f"{name:>10}" for name in names)
        for one in seconds.checks:
            parts = (one.bench_s, one.settling_s, one.resting_s, one.person_s, one.measuring_s)
            cells = "  ".join(f"{time_text(part / seconds.runs):>10}" for part in parts)
            yield printable(f"  {one.check:{room}}  {cells}")
        yield f"  {'outside checks':{room}}  {time_text(seconds.other_s / seconds.runs):>10}"
        if seconds.units_per_hour is not None:
            yield f"  {seconds.units_per_hour:.3g} units an hour of bench time"
    yield from _wrapped(seconds.sentence(), width)


def _heading(text: str) -> Iterable[str]:
    return ("", text)


def _wrapped(text: str, width: int, *, indent: int = 2) -> list[str]:
    if not text:
        return []
    margin = " " * indent
    return textwrap.wrap(
        printable(text),
        max(width, 24),
        initial_indent=margin,
        subsequent_indent=margin,
        break_long_words=False,
    )
