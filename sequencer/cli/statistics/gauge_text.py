"""A gauge study on the screen, and as plain values."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from sequencer.analysis.gauge import GaugeFinding, components_of, notes_of, rests_on, verdict_of
from sequencer.cli.statistics.gauge_state import missing_of
from sequencer.cli.statistics.wrapped import table_lines
from sequencer.results.gauge_log import GaugeRecord
from sequencer.statistics.gauge import GaugeStudy, Source
from sequencer.units.format import counted, format_quantity


def head_lines(record: GaugeRecord) -> Iterator[str]:
    """Give what the study is, and how far it has come."""
    head = record.head
    yield (
        f"{head.gauge}: {len(head.units)} units x {len(head.operators)} operators x {head.trials} trials, {head.sequence} on {head.bench}; "
        f"order drawn with {head.seed} ({head.order})."
    )
    if head.simulated:
        yield "Simulated: not a study of real units or operators."
    ended = " Ended early." if record.ended_early and not record.is_whole else ""
    yield f"{record.measured} of {counted(record.planned, 'measurement')} made.{ended}"


def all_lines(findings: Sequence[GaugeFinding], *, width: int) -> Iterator[str]:
    """Give what the study says on a terminal of so many columns, and at the end what that rests on."""
    for one in findings:
        yield from finding_lines(one, width)
    yield ""
    yield from dict.fromkeys(filter(None, map(rests_on, findings)))


def finding_lines(finding: GaugeFinding, width: int) -> Iterator[str]:
    """Give what the study says of one quantity."""
    yield ""
    mean = "no reading" if math.isnan(finding.mean) else f"mean {format_quantity(finding.mean, finding.unit)}"
    yield f"{finding.name}: {counted(finding.count, 'reading')}, {mean}"
    if finding.study is not None:
        if not finding.missing:
            yield from _analysis(finding.study, finding.scale**2, width)
        yield from _variances(finding, finding.study, width)
    yield verdict_of(finding)
    yield from filter(None, notes_of(finding))


def _analysis(study: GaugeStudy, scale: float, width: int) -> Iterator[str]:
    rows = []
    for row in study.full:
        f = "" if row.f is None else f"{row.f:.4g}"
        p = "" if row.p is None else f"{row.p:.3g}"
        squares, mean = scale * row.sum_of_squares, scale * row.mean_square
        rows.append((row.name, (str(row.dof), f"{squares:.5g}", f"{mean:.5g}", f, p)))
    yield from table_lines(("degrees", "sum of squares", "mean square", "F", "p"), rows, width=width)


def _variances(finding: GaugeFinding, study: GaugeStudy, width: int) -> Iterator[str]:
    unit = finding.unit_of_difference
    title = f"std. dev. ({unit})" if unit else "std. dev."
    rows = []
    for name, variance, interval in components_of(study, finding.intervals):
        deviation = finding.deviation_of(variance)
        within = ""
        if interval is not None:
            within = (
                f"{finding.deviation_of(interval.lower):.3g} to {finding.deviation_of(interval.upper):.3g}"
            )
        of_study = f"{100.0 * math.sqrt(variance / study.total):.1f} %"
        share = finding.share_of_tolerance(deviation)
        of_tolerance = "" if share is None else f"{100.0 * share:.1f} %"
        rows.append((name, (f"{deviation:.4g}", within, of_study, of_tolerance)))
    yield from table_lines((title, "95 % interval", "of study", "of tolerance"), rows, width=width)
    yield f"  distinct categories: {'not known' if study.scatter_hidden else study.distinct_categories}"


def record_as_plain(record: GaugeRecord, findings: Sequence[GaugeFinding]) -> dict[str, Any]:
    """Return a kept study for JSON: as planned, each measurement, and what it says; its readings only where ``findings`` are."""
    cells = sorted(record.cells.values(), key=lambda cell: cell.number)
    return {
        "study": record.head.as_plain(),
        "planned": record.planned,
        "measured": record.measured,
        "missing": missing_of(record),
        "damaged_lines": list(record.damaged),
        "ended_early": record.ended_early,
        "measurements": [
            {
                "number": cell.number,
                "unit": cell.unit,
                "operator": cell.operator,
                "trial": cell.trial,
                "run": cell.run,
                "readings": [
                    {name: getattr(one, name) for name in type(one).__dataclass_fields__}
                    for one in cell.readings
                    if findings
                ],
            }
            for cell in cells
        ],
        "findings": [finding_as_plain(one) for one in findings],
    }


def finding_as_plain(finding: GaugeFinding) -> dict[str, Any]:
    """Return what a study says of one quantity, for JSON; variances in the square of ``unit_of_difference``."""
    study, intervals = finding.study, finding.intervals
    square = finding.scale**2
    return {
        "name": finding.name,
        "unit": finding.unit,
        "unit_of_difference": finding.unit_of_difference,
        "readings": finding.count,
        "mean": _finite(finding.mean),
        "uncertainty": finding.expanded,
        "lower_limit": finding.lower,
        "upper_limit": finding.upper,
        "missing": list(finding.missing),
        "refused": finding.refused,
        "scatter_hidden": study is not None and study.scatter_hidden,
        "pooled": None if study is None else study.is_pooled,
        "analysis": [] if study is None else [_source(row, square) for row in study.full],
        "variances": []
        if study is None
        else [
            {
                "source": name.strip(),
                "variance": square * variance,
                "standard_deviation": finding.deviation_of(variance),
                "lower": None if interval is None else square * interval.lower,
                "upper": None if interval is None else square * interval.upper,
                "of_study": math.sqrt(variance / study.total),
                "of_tolerance": finding.share_of_tolerance(finding.deviation_of(variance)),
            }
            for name, variance, interval in components_of(study, intervals)
        ],
        "distinct_categories": study.distinct_categories
        if study is not None and not study.scatter_hidden
        else None,
        "verdict": verdict_of(finding),
        "notes": [note for note in (*notes_of(finding), rests_on(finding)) if note],
    }


def _source(row: Source, square: float) -> dict[str, Any]:
    return {
        "source": row.name,
        "degrees_of_freedom": row.dof,
        "sum_of_squares": _finite(square * row.sum_of_squares),
        "mean_square": _finite(square * row.mean_square),
        "f": None if row.f is None else _finite(row.f),
        "p": row.p,
    }


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
