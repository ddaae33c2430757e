"""How a quantity of a batch lies between its limits and whether it stood still: capability, control charts, drift over the shift."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from itertools import groupby

from sequencer.analysis.batches.quantities import Quantity
from sequencer.frozen import dataclass
from sequencer.quantiles import student_quantile
from sequencer.statistics.capability import FEWEST, Capability, find_capability
from sequencer.statistics.charts import (
    Chart,
    ChartPair,
    individuals_and_moving_range,
    means_and_deviations,
    means_of_groups,
)
from sequencer.statistics.run_rules import WESTERN_ELECTRIC, Alarm, find_alarms
from sequencer.units.format import counted

RULES = (
    "Rules of the charts: Western Electric, Statistical Quality Control Handbook, 1956: one point beyond 3 sigma, two of three beyond 2, "
    "four of five beyond 1, eight on one side. An undisturbed process breaks one in 92 units on average. A chart's limits are from these "
    "units themselves, not the sequence's."
)
FEW_FOR_CAPABILITY = 30
"""Below so many units an index is a guess: of 30 with Cpk 1.33 the interval reaches 27 % to each side [worked out, 95 %]."""
FEWEST_FOR_CHART = 8
FEWEST_FOR_DRIFT = 5
SHORTEST_FOR_DRIFT_H = 0.25
"""Over less than a quarter of an hour a slope an hour says nothing that anybody could use."""
GROUP = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchDrift:
    """A straight line through the values over time: ``per_hour`` with its expanded uncertainty (95 %), over ``hours``."""

    per_hour: float
    expanded: float
    hours: float

    @property
    def is_seen(self) -> bool:
        """Whether it is told from nothing."""
        return abs(self.per_hour) > self.expanded


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """One quantity of a batch. What cannot be said is None, and ``why_not`` says why.

    ``means`` is the chart of subgroup means (by ``grouped``, in words), ``groups`` how many units are in each, ``deviations`` the chart of
    the standard deviation within each, where all are of one size. ``alarms`` are of the individuals chart.
    """

    quantity: Quantity
    capability: Capability | None
    why_not: str
    individuals: ChartPair | None
    alarms: tuple[Alarm, ...]
    means: Chart | None
    groups: tuple[int, ...]
    mean_alarms: tuple[Alarm, ...]
    grouped: str
    deviations: Chart | None
    drift: BatchDrift | None

    def capability_sentence(self) -> str:
        """Return what the capability rests on, and what it does not say."""
        found = self.capability
        if found is None:
            return f"No capability: {self.why_not}."
        said = [f"{counted(found.n, 'unit')}, one value each, from the first pass."]
        if found.n < FEW_FOR_CAPABILITY:
            said.append("That is few: see how far the intervals reach.")
        if self.alarms:
            said.append(
                "The chart breaks a rule: unless that is a false alarm Cp and Cpk speak of no one process. Find the cause before an index "
                "is quoted."
            )
        if not found.is_normal:
            said.append(
                f"The values are not normal (Anderson-Darling, p {found.normality:.2g}), and Cp to Ppk assume that they are: "
                + (
                    "read the percentiles instead."
                    if found.percentile_ppk is not None
                    else "read the share outside instead; percentiles need 741 units or more."
                )
            )
        if (u := self.quantity.uncertainty) is not None and u > 2.0 * found.sigma_overall:
            said.append(
                "The uncertainty of each value is larger than the spread of all: what is seen here may be the measuring more than the "
                "units, and an error that all of them share is in no index."
            )
        one_sided = found.limits.lower is None or found.limits.upper is None
        if one_sided:
            said.append("One limit only, so that there is neither Cp nor Pp.")
        return " ".join(said)

    def chart_sentence(self) -> str:
        """Return what the charts rest on, and what they say."""
        if self.individuals is None:
            return f"No chart: {counted(len(self.quantity.values), 'value')}, and {FEWEST_FOR_CHART} or more are needed."
        rows = self.quantity.rows
        if not self.alarms:
            said = f"No rule is broken by {counted(len(rows), 'unit')}."
        else:
            first = self.alarms[0]
            at = {alarm.at for alarm in self.alarms}
            said = (
                f"{counted(len(at), 'unit')} of {len(rows)} break{'s' if len(at) == 1 else ''} a rule, first {rows[first.at].serial} at "
                f"{rows[first.at].time:%Y-%m-%d %H:%M} ({first.rule}). Look at the bench before the units."
            )
        return said

    def drift_sentence(self) -> str:
        """Return whether it drifted over the time of the batch."""
        if self.drift is None:
            return ""
        over = f"over {self.drift.hours:.2g} h from the first unit to the last"
        if not self.drift.is_seen:
            return f"No drift that could be told from the units' own scatter ({over})."
        return f"It drifts {over}: units and bench are not told apart here; 'sequencer check-bench' tells of the bench."


def process_of(quantity: Quantity, *, group: int = GROUP, by_hour: bool = False) -> Process:
    """Return what can be said of a quantity; ``group`` units make a subgroup, or those of one hour do."""
    values = quantity.values
    capability, why_not = _capability(quantity)
    pair = individuals_and_moving_range(values) if len(values) >= FEWEST_FOR_CHART else None
    groups = _groups(quantity, group, by_hour=by_hour)
    means = means_of_groups(groups) if len(groups) >= 2 and pair is not None and pair.sigma > 0 else None
    return Process(
        quantity=quantity,
        capability=capability,
        why_not=why_not,
        individuals=pair,
        alarms=find_alarms(pair.location.scaled, WESTERN_ELECTRIC) if pair is not None else (),
        means=means,
        groups=tuple(map(len, groups)),
        mean_alarms=find_alarms(means.scaled, WESTERN_ELECTRIC) if means is not None else (),
        grouped="hour" if by_hour else f"{group} units",
        deviations=means_and_deviations(groups).spread if means is not None and _is_even(groups) else None,
        drift=_drift(quantity),
    )


def _capability(quantity: Quantity) -> tuple[Capability | None, str]:
    values, limits = quantity.values, quantity.limits
    if quantity.several_limits:
        return None, "the units were not held to the same limits"
    if limits is None:
        return None, "it has no limit"
    if len(values) < FEWEST:
        return None, f"{counted(len(values), 'value')}, and {FEWEST} or more are needed"
    try:
        return find_capability(values, limits), ""
    except ValueError as error:
        return None, str(error)


def _groups(quantity: Quantity, group: int, *, by_hour: bool) -> list[Sequence[float]]:
    """Return subgroups of two or more values: of one hour of the clock each, or of so many units one after another."""
    pairs = list(zip(quantity.times, quantity.values, strict=True))
    if by_hour:
        hours = groupby(pairs, key=lambda one: one[0].strftime("%Y-%m-%d %H"))
        return [values for _, some in hours if len(values := [value for _, value in some]) >= 2]
    every = quantity.values
    return [every[at : at + group] for at in range(0, len(every) - group + 1, group)]


def _is_even(groups: Sequence[Sequence[float]]) -> bool:
    return len(set(map(len, groups))) == 1


def _drift(quantity: Quantity) -> BatchDrift | None:
    """Return the least-squares line over time; None for few values, or where all were found within a quarter of an hour.

    Its uncertainty is from the scatter about the line, Student's t (NIST/SEMATECH e-Handbook 4.1.4.1; common practice).
    """
    values, times = quantity.values, quantity.times
    count = len(values)
    hours = [(one - times[0]).total_seconds() / 3600.0 for one in times]
    if count < FEWEST_FOR_DRIFT or hours[-1] < SHORTEST_FOR_DRIFT_H:
        return None
    mean_h, mean = statistics.fmean(hours), statistics.fmean(values)
    square = math.fsum((one - mean_h) ** 2 for one in hours)
    if square <= 0.0:
        return None
    slope = math.fsum((h - mean_h) * (v - mean) for h, v in zip(hours, values, strict=True)) / square
    rest = math.fsum((v - mean - slope * (h - mean_h)) ** 2 for h, v in zip(hours, values, strict=True))
    dof = count - 2
    expanded = student_quantile(dof, 0.975) * math.sqrt(rest / dof / square)
    return BatchDrift(per_hour=slope, expanded=expanded, hours=hours[-1])
