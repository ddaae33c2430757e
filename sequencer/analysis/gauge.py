"""A gauge study looked at: for each quantity its variances with their intervals, against the tolerance and against U.

Common practice, without a source: up to 10 % of the tolerance (or of the study) is called good, above 30 % bad; five distinct categories
are asked for.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence

from sequencer.frozen import dataclass
from sequencer.results.gauge_log import GaugeReading, GaugeRecord
from sequencer.statistics.gauge import ALIKE, STUDY_WIDTH, GaugeStudy, find_gauge_study
from sequencer.statistics.gauge_intervals import GaugeIntervals, Interval, find_gauge_intervals
from sequencer.statistics.gauge_missing import find_incomplete_study
from sequencer.units.format import unit_of_difference

GOOD, BAD = 0.10, 0.30
CATEGORIES = 5
_Key = tuple[str, str, int | None, float | None, str]
Readings = Mapping[tuple[str, str], Sequence[float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFinding:
    """What a study says of one quantity.

    ``missing``: the cells that are short, in words; ``refused``: why nothing can be said, empty where something can. ``intervals`` is None
    where readings are missing, or their scatter is hidden. ``expanded``: the mean U of the readings, None where none is stated.
    The variances of ``study`` and ``intervals`` are in the square of ``scale`` units (a power of 2, so that no digit changes), for the
    square of a very small reading is no number.
    """

    name: str
    unit: str
    readings: Readings
    mean: float
    expanded: float | None = None
    lower: float | None = None
    upper: float | None = None
    study: GaugeStudy | None = None
    intervals: GaugeIntervals | None = None
    missing: tuple[str, ...] = ()
    refused: str = ""
    scale: float = 1.0

    @property
    def count(self) -> int:
        """How many readings there are."""
        return sum(len(cell) for cell in self.readings.values())

    @property
    def unit_of_difference(self) -> str:
        """The unit of standard deviations."""
        return unit_of_difference(self.unit)

    @property
    def gauge(self) -> float:
        """The standard deviation of measuring; NaN where nothing can be said."""
        return math.nan if self.study is None else self.deviation_of(self.study.measuring)

    def deviation_of(self, variance: float) -> float:
        """Return the standard deviation, in the unit of differences, of a variance of the study."""
        return self.scale * math.sqrt(variance)

    def share_of_tolerance(self, deviation: float) -> float | None:
        """Return six standard deviations over the tolerance; None where there are not two limits."""
        if self.lower is None or self.upper is None or self.upper <= self.lower:
            return None
        return STUDY_WIDTH * deviation / (self.upper - self.lower)


def findings_of(record: GaugeRecord) -> list[GaugeFinding]:
    """Return what a kept study says, a finding for each quantity in the order they were first measured."""
    grouped: dict[_Key, list[tuple[str, str, GaugeReading]]] = {}
    cells = sorted(record.cells.values(), key=lambda cell: cell.number)
    for cell in cells:
        for one in cell.readings:
            key = (one.check, one.quantity, one.channel, one.axis_value, one.unit)
            grouped.setdefault(key, []).append((cell.unit, cell.operator, one))
    plan = [(unit, operator) for unit in record.head.units for operator in record.head.operators]
    plain = Counter((check, quantity, channel) for check, quantity, channel, _, _ in grouped)
    return [
        _of_quantity(group, plan, record.head.trials, alone=plain[key[:3]] == 1)
        for key, group in grouped.items()
    ]


def _of_quantity(
    group: Sequence[tuple[str, str, GaugeReading]],
    plan: Sequence[tuple[str, str]],
    trials: int,
    *,
    alone: bool,
) -> GaugeFinding:
    first = group[0][2]
    readings: dict[tuple[str, str], list[float]] = {key: [] for key in plan}
    for unit, operator, one in group:
        if one.value is not None:
            readings[unit, operator].append(one.value)
    known = [
        one.uncertainty
        for _, _, one in group
        if one.uncertainty is not None and math.isfinite(one.uncertainty)
    ]
    limits = {(one.lower_limit, one.upper_limit) for _, _, one in group}
    lower, upper = limits.pop() if len(limits) == 1 else (None, None)
    channel = "" if first.channel is None else f", channel {first.channel}"
    along = "" if alone or first.axis_value is None else f" at {first.axis_value:g}"
    return find_gauge_finding(
        name=f"{first.check}{channel}: {first.quantity}{along}",
        unit=first.unit,
        readings=readings,
        trials=trials,
        expanded=statistics.fmean(known) if known else None,
        lower=lower,
        upper=upper,
    )


def find_gauge_finding(
    *,
    name: str,
    unit: str,
    readings: Readings,
    trials: int,
    expanded: float | None = None,
    lower: float | None = None,
    upper: float | None = None,
) -> GaugeFinding:
    """Return what crossed readings say; a missing one is named, and done without by maximum likelihood."""
    values = [one for cell in readings.values() for one in cell]
    missing = tuple(
        f"{unit_} by {operator}: {len(cell)} of {trials}"
        for (unit_, operator), cell in readings.items()
        if len(cell) != trials
    )
    study, intervals, refused = None, None, ""
    scale = _scale_of(values)
    scaled = {key: [one / scale for one in cell] for key, cell in readings.items()}
    try:
        study = find_incomplete_study(scaled) if missing else find_gauge_study(scaled)
        if study.total == 0.0:
            study, refused = None, ALIKE
        elif not missing and not study.scatter_hidden:
            intervals = find_gauge_intervals(study)
    except ValueError as error:
        refused = str(error)
    return GaugeFinding(
        name=name,
        unit=unit,
        readings=readings,
        mean=statistics.fmean(values) if values else math.nan,
        expanded=expanded,
        lower=lower,
        upper=upper,
        study=study,
        intervals=intervals,
        missing=missing,
        refused=refused,
        scale=scale,
    )


def _scale_of(values: Sequence[float]) -> float:
    """Return the power of 2 that brings the largest reading near 1; 1 where there is none."""
    largest = max((abs(one) for one in values if math.isfinite(one)), default=0.0)
    return math.ldexp(1.0, max(-1021, math.frexp(largest)[1])) if largest > 0.0 else 1.0


def verdict_of(finding: GaugeFinding) -> str:
    """Return in a sentence whether the measuring is good enough."""
    study = finding.study
    if study is None:
        return f"Nothing can be said: {finding.refused}."
    share, of_what = finding.share_of_tolerance(finding.gauge), "tolerance"
    if share is None:
        share, of_what = study.share_of_study, "spread of these units"
    if math.isnan(share):
        return "Nothing can be said: neither units nor readings differ."
    if study.scatter_hidden:
        return _hidden(study, share, of_what)
    word = "good" if share <= GOOD else "marginal" if share <= BAD else "not good enough"
    said = f"Measuring takes {100.0 * share:.3g} % of the {of_what}: {word} (up to 10 % good, above 30 % not; common practice)."
    if study.measuring > 0 and study.distinct_categories < CATEGORIES:
        said += (
            f" It tells {study.distinct_categories} {'class' if study.distinct_categories == 1 else 'classes'} of these units apart; "
            f"{CATEGORIES} are asked for to follow a process by it."
        )
    return said


def _hidden(study: GaugeStudy, share: float, of_what: str) -> str:
    said = "Where an operator measures a unit again, the readings do not differ; the step of the meter hides the scatter."
    if share > BAD:
        return f"{said} Without it measuring already takes {100.0 * share:.3g} % of the {of_what}: not good enough."
    if study.measuring > 0.0:
        said += f" What operators differ by takes {100.0 * share:.3g} % of the {of_what}; the scatter comes on top."
    return f"{said} Whether the measuring is good cannot be said: read more digits, and measure again."


def notes_of(finding: GaugeFinding) -> Iterable[str]:
    """Give what is missing, pooled, and how U compares."""
    study = finding.study
    if finding.missing:
        shown = "; ".join(finding.missing[:5]) + (
            f" and {len(finding.missing) - 5} more" if len(finding.missing) > 5 else ""
        )
        how = ""
        if study is not None:
            how = " Done without them by restricted maximum likelihood, which gives no intervals; a study that is whole says more."
        yield f"Missing: {shown}.{how}"
    if study is None:
        return
    yield _interaction(study)
    yield from _against_u(finding)
    if (finding.lower is None) != (finding.upper is None):
        yield "With one limit there is no tolerance: 'sequencer risk' says what the measuring costs there."


def components_of(
    study: GaugeStudy, intervals: GaugeIntervals | None
) -> Iterator[tuple[str, float, Interval | None]]:
    """Give each source of variance, its variance and interval; what it is made of stands below it, set in."""
    yield "measuring", study.measuring, None if intervals is None else intervals.measuring
    yield "  repeatability", study.repeatability, None if intervals is None else intervals.repeatability
    yield "  reproducibility", study.reproducibility, None
    if not study.is_pooled:
        yield "    operators", study.operator, None
        yield "    interaction", study.interaction, None
    yield "units", study.unit, None if intervals is None else intervals.unit
    yield "all", study.total, None


def rests_on(finding: GaugeFinding) -> str:
    """Return what the figures rest on, and what they do not say; empty where there are none."""
    study = finding.study
    if study is None:
        return ""
    freedom = "1 degree" if study.operators == 2 else f"{study.operators - 1} degrees"
    return (
        f"From {study.units} units, {study.operators} operators and {finding.count} readings: what operators differ by rests on "
        f"{freedom} of freedom. What all readings share, such as the bench's own error, is not in it, nor what another day or "
        "another bench would add."
    )


def _interaction(study: GaugeStudy) -> str:
    p = next((row.p for row in study.full if row.name == "unit x operator" and row.p is not None), None)
    if p is None:
        if study.interaction > 0.0:
            return "Operators measure some units otherwise than others; without a scatter nothing tells whether that is chance."
        return ""
    if study.is_pooled:
        return f"Nothing speaks for operators measuring some units otherwise than others (p = {p:.3g}): pooled into the repeatability."
    return f"Operators may measure some units otherwise than others (p = {p:.3g}): the interaction stands by itself."


def _against_u(finding: GaugeFinding) -> Iterable[str]:
    if finding.expanded is None or finding.study is None:
        return
    if finding.study.scatter_hidden:
        return
    low = (
        finding.gauge
        if finding.intervals is None
        else finding.deviation_of(finding.intervals.measuring.lower)
    )
    twice, stated = (
        2.0 * finding.gauge,
        f"The results state U = {finding.expanded:.3g} {finding.unit_of_difference}",
    )
    if 2.0 * low > finding.expanded:
        yield (
            f"{stated}, but readings of one unit already scatter by {twice:.3g} (twice their standard deviation): the budget lacks "
            "something, such as connections made anew ('sequencer reference first-bench')."
        )
    else:
        yield (
            f"{stated}; twice the standard deviation of measuring is {twice:.3g}. The rest of U is what all these readings share."
        )
