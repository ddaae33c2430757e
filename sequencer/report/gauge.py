"""The page of a gauge study: what its readings come to, a drawing of all of them, a chart of their ranges, and what that rests on."""

from __future__ import annotations

import math
from datetime import datetime

from markupsafe import Markup

from sequencer.analysis.gauge import GaugeFinding, components_of, notes_of, rests_on, verdict_of
from sequencer.frozen import dataclass
from sequencer.report.control_chart import control_chart, share_bar
from sequencer.report.gauge_chart import readings_chart, shape_of
from sequencer.report.page import style_text, template, time_shown
from sequencer.results.gauge_log import GaugeRecord
from sequencer.results.text import with_minus
from sequencer.statistics.charts import means_and_ranges
from sequencer.units.format import counted, format_quantity

RANGES = (
    "A range beyond its limit (3 sigma, from the mean range of all cells): an operator whose readings of that unit scatter more than the "
    "others. Look at how it was connected and read before the figures are used."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRow:
    """A row of the table of variances, as it is printed; ``bar`` shows its share of the study."""

    name: str
    is_part: bool
    deviation: str
    interval: str
    of_study: str
    of_tolerance: str
    bar: Markup


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityView:
    """One quantity of the study as it is printed; drawings are None where there is nothing to draw."""

    title: str
    limits: str
    verdict: str
    notes: tuple[str, ...]
    unit: str
    rows: tuple[SourceRow, ...]
    categories: str
    readings: Markup | None
    caption: str
    ranges: Markup | None
    ranges_say: str
    table: tuple[tuple[str, str, str], ...]


def render_gauge(
    record: GaugeRecord,
    findings: list[GaugeFinding],
    *,
    title: str,
    comments: tuple[str, ...],
    written: datetime,
) -> str:
    """Return the page of a study that is whole, or was ended."""
    sentences = dict.fromkeys(filter(None, map(rests_on, findings)))
    return template("gauge.html").render(
        style=Markup(style_text()),
        title=title or f"Gauge study {record.head.gauge}",
        head=record.head,
        comments=comments,
        written=time_shown(written),
        planned=record.planned,
        measured=record.measured,
        ended_early=record.ended_early and not record.is_whole,
        quantities=[_view(one) for one in findings],
        rests_on=list(sentences),
        damaged=", ".join(map(str, record.damaged)),
    )


def _view(finding: GaugeFinding) -> QuantityView:
    drawing, caption = _readings(finding)
    ranges, ranges_say = _ranges(finding)
    study = finding.study
    hidden = study is not None and study.scatter_hidden
    return QuantityView(
        title=with_minus(finding.name.replace("_", " ")),
        limits=_limits(finding),
        verdict=with_minus(verdict_of(finding)),
        notes=tuple(with_minus(one) for one in notes_of(finding) if one),
        unit=finding.unit_of_difference,
        rows=_sources(finding),
        categories="" if study is None else "not known" if hidden else str(study.distinct_categories),
        readings=drawing,
        caption=caption,
        ranges=ranges,
        ranges_say=ranges_say,
        table=tuple(
            (unit, operator, ", ".join(_shown(finding, one) for one in cell) or "none")
            for (unit, operator), cell in finding.readings.items()
        ),
    )


def _shown(finding: GaugeFinding, value: float) -> str:
    return with_minus(format_quantity(value, finding.unit))


def _limits(finding: GaugeFinding) -> str:
    words = [
        f"{word} {_shown(finding, value)}"
        for word, value in (("at least", finding.lower), ("at most", finding.upper))
        if value is not None
    ]
    return ", ".join(words) or "no limit"


def _sources(finding: GaugeFinding) -> tuple[SourceRow, ...]:
    study = finding.study
    if study is None:
        return ()
    rows = []
    for name, variance, interval in components_of(study, finding.intervals):
        deviation = finding.deviation_of(variance)
        within = ""
        if interval is not None:
            low, high = finding.deviation_of(interval.lower), finding.deviation_of(interval.upper)
            within = f"{low:.3g} to {high:.3g}"
        tolerance = finding.share_of_tolerance(deviation)
        share = math.sqrt(variance / study.total)
        rows.append(
            SourceRow(
                name=name.strip(),
                is_part=name.startswith(" "),
                deviation=f"{deviation:.4g}",
                interval=within,
                of_study=f"{100.0 * share:.1f} %",
                of_tolerance="" if tolerance is None else f"{100.0 * tolerance:.1f} %",
                bar=share_bar(share, 1.0),
            )
        )
    return tuple(rows)


def _readings(finding: GaugeFinding) -> tuple[Markup | None, str]:
    if not finding.count:
        return None, "No reading: nothing is drawn."
    drawing, has_limits = readings_chart(
        finding.readings,
        lower=finding.lower,
        upper=finding.upper,
        title=finding.name,
        shown=lambda value: _shown(finding, value),
    )
    operators = dict.fromkeys(operator for _, operator in finding.readings)
    shapes = "; ".join(f"{shape_of(at)}: {operator}" for at, operator in enumerate(operators))
    said = f"Each reading, unit by unit. {shapes}; stroke: the mean of an operator's readings of a unit."
    if finding.lower is not None or finding.upper is not None:
        said += " Dashed: the limits." if has_limits else " A limit lies too far away to be drawn."
    return drawing, said


def _ranges(finding: GaugeFinding) -> tuple[Markup | None, str]:
    """Return the R chart of the cells, and what it says; None where a cell is short, or has one reading."""
    cells = {key: cell for key, cell in finding.readings.items() if cell}
    if finding.missing or len(cells) < 2 or min(map(len, cells.values())) < 2:
        return None, ""
    chart = means_and_ranges(list(cells.values())).spread
    if not chart.centre:  # the step of the meter hides the scatter
        return None, ""
    outside = [f"{unit} by {operator}" for at, (unit, operator) in enumerate(cells) if at in chart.outside]
    unit = finding.unit_of_difference
    drawing = control_chart(
        chart,
        title="Range of each operator's readings of a unit",
        shown=lambda value: f"{value:.3g} {unit}".strip(),
    )
    if not outside:
        return drawing, f"No range of {counted(len(cells), 'cell')} lies beyond its limit."
    return drawing, f"Beyond the limit: {'; '.join(outside)}. {RANGES}"
