"""The page of a batch: what its runs come to, with charts and a table beside each."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from markupsafe import Markup

from sequencer.analysis.batches.process import RULES, Process
from sequencer.analysis.batches.summary import BatchSummary
from sequencer.analysis.batches.words import (
    capability_lines,
    drift_text,
    index_text,
    limits_of,
    share_text,
    spread_text,
    value_text,
)
from sequencer.frozen import dataclass
from sequencer.report.control_chart import control_chart, share_bar
from sequencer.report.page import style_text, template, time_shown
from sequencer.results.text import with_minus
from sequencer.statistics.charts import Chart
from sequencer.units.format import time_text

SHOWN = 12
"""Quantities that are drawn, unless all are asked for: those that lie worst between their limits."""
MOST_POINTS = 40
"""Units that a chart's table lists one by one; of more, those that break a rule, and the last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartView:
    """One chart, and the table beside it. ``left_out`` says how many points the table does not list."""

    caption: str
    drawing: Markup
    rows: tuple[tuple[str, ...], ...]
    left_out: str


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityView:
    """One quantity as it is printed."""

    title: str
    limits: str
    figures: tuple[str, ...]
    sentence: str
    charts: tuple[ChartView, ...]
    charts_say: str
    drift: str


def render_batch(
    found: BatchSummary, *, title: str, comments: tuple[str, ...], written: datetime, every: bool = False
) -> str:
    """Return the page of a batch; ``every`` quantity is drawn, or the worst only."""
    return template("batch.html").render(
        style=Markup(style_text()),
        title=title or f"Batch {found.record.batch}",
        comments=comments,
        written=time_shown(written),
        **batch_view(found, every=every),
    )


def batch_view(found: BatchSummary, *, every: bool = False) -> dict[str, Any]:
    """Return what the pages of a batch are given: all but the head and the foot."""
    worst = found.worst_first
    shown = worst if every else worst[:SHOWN]
    most = max((one.failed for one in found.failures), default=0)
    return {
        "found": found,
        "rules": RULES,
        "record": found.record,
        "opened": time_shown(found.record.opened),
        "closed": "" if found.record.closed is None else found.record.state(),
        "yields": _yields(found),
        "failures": [
            (
                one.check.replace("_", " "),
                share_text(one.share),
                one.not_measured,
                share_bar(one.failed, most),
            )
            for one in found.failures
        ],
        "capability": [_row(one) for one in worst],
        "quantities": [_view(one) for one in shown],
        "left_out": len(worst) - len(shown),
        "counted": _counted(found),
        "seconds": _seconds(found),
        "time_text": time_text,
    }


def _yields(found: BatchSummary) -> list[tuple[str, str, str]]:
    return [
        (name, f"{100.0 * one.share:.1f} %", share_text(one))
        for name, one in (("First pass", found.yields.first_pass), ("Final", found.yields.final))
        if one is not None
    ]


def _row(one: Process) -> tuple[str, ...]:
    quantity, found = one.quantity, one.capability
    head = (with_minus(quantity.title), with_minus(limits_of(quantity)))
    if found is None:
        return (*head, str(len(quantity.values)), "", "", "", "", one.why_not)
    return (
        *head,
        str(found.n),
        with_minus(value_text(one, found.mean)),
        spread_text(found.sigma_overall, quantity.unit),
        index_text(found.cpk),
        index_text(found.ppk),
        f"p {found.normality:.2g}",
    )


def _view(one: Process) -> QuantityView:
    quantity = one.quantity

    def shown(value: float) -> str:
        return with_minus(value_text(one, value))

    charts = []
    if one.individuals is not None:
        broken = {alarm.at: alarm.rule for alarm in one.alarms}
        where = [(row.serial, f"{row.time:%Y-%m-%d %H:%M}") for row in quantity.rows]
        location, spread = one.individuals.location, one.individuals.spread
        charts.append(_chart(location, f"{quantity.title}: each unit in order", shown, where, broken))
        unit = quantity.unit
        charts.append(
            _chart(
                spread,
                "Moving range: from each unit to the next",
                lambda value: spread_text(value, unit),
                where[1:],
                {},
            )
        )
    if one.means is not None:
        broken = {alarm.at: alarm.rule for alarm in one.mean_alarms}
        sizes = [(f"{size} units", "") for size in one.groups]
        charts.append(_chart(one.means, f"Means of {one.grouped} (X-bar chart)", shown, sizes, broken))
    if one.deviations is not None:
        sizes = [(f"{size} units", "") for size in one.groups]
        charts.append(
            _chart(
                one.deviations,
                f"Standard deviations within {one.grouped} (s chart)",
                lambda value: spread_text(value, quantity.unit),
                sizes,
                {},
            )
        )
    drift = drift_text(one)
    return QuantityView(
        title=with_minus(quantity.title),
        limits=with_minus(limits_of(quantity)),
        figures=tuple(with_minus(line) for line in capability_lines(one)),
        sentence=one.capability_sentence(),
        charts=tuple(charts),
        charts_say=one.chart_sentence(),
        drift=with_minus(f"{drift}: {one.drift_sentence()}") if drift else "",
    )


def _chart(
    chart: Chart,
    caption: str,
    shown: object,
    where: list[tuple[str, str]],
    broken: dict[int, str],
) -> ChartView:
    assert callable(shown)
    marked = dict.fromkeys(chart.outside, "beyond a limit") | broken
    count = len(chart.points)
    listed = range(count) if count <= MOST_POINTS else sorted({*marked, count - 1})[:MOST_POINTS]
    rows = tuple((str(at + 1), *where[at], str(shown(chart.points[at])), marked.get(at, "")) for at in listed)
    left_out = count - len(rows)
    return ChartView(
        caption=f"{caption}. Centre {shown(chart.centre)}, limits {shown(chart.lower[-1])} to {shown(chart.upper[-1])}.",
        drawing=control_chart(chart, title=caption, shown=shown, odd=marked),
        rows=rows,
        left_out=f"{left_out} more that break no rule: 'sequencer batch --json' has all." if left_out else "",
    )


def _counted(found: BatchSummary) -> tuple[ChartView, ...]:
    charts = found.counted
    if charts.failing is None:
        return ()
    sizes = [(f"{size} units", "") for size in charts.samples]
    views = [
        _chart(
            charts.failing,
            "Share of units that fail (p chart)",
            lambda share: f"{100 * share:.1f} %",
            sizes,
            {},
        )
    ]
    if charts.defects is not None:
        views.append(
            _chart(
                charts.defects,
                f"Results that fail on {charts.by} (c chart)",
                lambda count: f"{count:.3g}",
                sizes,
                {},
            )
        )
    return tuple(views)


def _seconds(found: BatchSummary) -> list[tuple[str, ...]]:
    runs = found.seconds.runs
    rows = [
        (
            one.check.replace("_", " "),
            *(
                time_text(part / runs)
                for part in (one.bench_s, one.settling_s, one.resting_s, one.person_s, one.measuring_s)
            ),
        )
        for one in found.seconds.checks
    ]
    return (
        [*rows, ("outside checks", time_text(found.seconds.other_s / runs), "", "", "", "")] if runs else []
    )
