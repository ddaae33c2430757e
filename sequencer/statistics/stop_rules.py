"""When a batch stops itself: pure functions over what its units came to, in the order of their tests.

A rule that stops a batch says that something common to its units has changed, so the bench is suspected before them. Each unit counts once,
by its first attempt. The rules look at the newest unit, so that a stop that somebody overruled does not come back by itself.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field
from itertools import pairwise

from sequencer.frozen import dataclass
from sequencer.statistics.charts import weighted_means
from sequencer.statistics.proportion import find_proportion

WEIGHT, REACH, HELD_AT, LATEST = 0.2, 4.0, 3.0, 20
"""The chart: an exponentially weighted mean (S. W. Roberts, Technometrics 1, 1959; NIST/SEMATECH 6.3.2.4) with so much weight on the
newest value, limits so many of its standard deviations wide, each value held at so many of its own, over so many of the latest units.

Held, because one value far outside is a bad unit; three in a row are the bench. Wide, because centre and scatter are known from few units:
with limits of 3 a line in order stopped in 55 % of batches of 300 units, by 25 units [measured].
"""
MEDIAN_MOVING_RANGE = 0.954
"""The median of the range of two normal values, in standard deviations (sqrt 2 times the normal's 75 % point: 0.95387)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopLimits:
    """What stops a batch; None where nothing of the kind does. ``yield_below`` is a share, 0...1."""

    failures_in_a_row: int | None = None
    yield_below: float | None = None
    yield_after: int = 10
    chart_after: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitOutcome:
    """What the first attempt at a unit came to: ``failed`` says of each check that was judged whether it failed.

    ``values`` are the numbers that are watched, by name, and ``run`` the name of that run.
    """

    serial: str
    passed: bool
    failed: Mapping[str, bool] = field(default_factory=dict)
    values: Mapping[str, float] = field(default_factory=dict)
    run: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """Why a batch stops: the rule (`failures in a row`, `yield`, `chart`), what it is about, and a sentence."""

    rule: str
    about: str
    sentence: str


def find_stop(outcomes: Sequence[UnitOutcome], limits: StopLimits) -> Stop | None:
    """Return why the batch stops after the last of ``outcomes``, oldest first; None where it goes on."""
    return next(_stops(outcomes, limits), None) if outcomes else None


def _stops(outcomes: Sequence[UnitOutcome], limits: StopLimits) -> Iterator[Stop]:
    if limits.failures_in_a_row is not None:
        yield from _failures(outcomes, limits.failures_in_a_row)
    if limits.yield_below is not None and len(outcomes) >= limits.yield_after and not outcomes[-1].passed:
        yield from _yield(outcomes, limits.yield_below)
    if limits.chart_after is not None:
        yield from _chart(outcomes, limits.chart_after)


def _failures(outcomes: Sequence[UnitOutcome], most: int) -> Iterator[Stop]:
    """Find checks that failed in so many units that follow each other; a unit in which one was not judged is passed over."""
    for check, has_failed in outcomes[-1].failed.items():
        if not has_failed:
            continue
        row: list[str] = []
        for one in reversed(outcomes):
            if not one.failed.get(check, True):
                break
            if check in one.failed:
                row.append(one.serial)
            if len(row) == most:
                names = ", ".join(reversed(row[:5]))
                more = f" and {most - 5} before" if most > 5 else ""
                said = f"{most} units one after another failed {check} ({names}{more})"
                yield Stop(rule="failures in a row", about=check, sentence=said)
                break


def _yield(outcomes: Sequence[UnitOutcome], below: float) -> Iterator[Stop]:
    passed = sum(one.passed for one in outcomes)
    found = find_proportion(passed, len(outcomes))
    if found.upper < below:
        said = (
            f"{passed} of {len(outcomes)} units passed at their first attempt: the yield is at most {100.0 * found.upper:.1f} % "
            f"(95 % interval), below {100.0 * below:g} %"
        )
        yield Stop(rule="yield", about="first pass", sentence=said)


def _chart(outcomes: Sequence[UnitOutcome], after: int) -> Iterator[Stop]:
    """Hold the latest units' values against limits from the ones before, ``after`` of them at least."""
    for name in outcomes[-1].values:
        values = [one.values[name] for one in outcomes if name in one.values]
        first = max(after, len(values) - LATEST)
        if (scaled := scaled_by_first(values, first)) is None:
            continue
        mean = weighted_mean(scaled)
        if abs(mean) > REACH * math.sqrt(WEIGHT / (2.0 - WEIGHT)):
            side = "high" if mean > 0.0 else "low"
            said = f"{name} has got {side}: the weighted mean of the latest units lies beyond the limits that the {first} before them set"
            yield Stop(rule="chart", about=name, sentence=said)


def weighted_mean(scaled: Sequence[float]) -> float:
    """Return the exponentially weighted mean of values in standard deviations from their centre, each held at `HELD_AT`."""
    held = [max(-HELD_AT, min(HELD_AT, value)) for value in scaled]
    return (0.0, *weighted_means(held, start=0.0, weight=WEIGHT))[-1]


def scaled_by_first(values: Sequence[float], first: int) -> tuple[float, ...] | None:
    """Return what follows the ``first`` values, in standard deviations from their median; None where those do not differ.

    Median and median moving range, so that a bad unit among the first does not widen the limits.
    """
    beginning = values[:first]
    ranges = [abs(later - earlier) for earlier, later in pairwise(beginning)]
    sigma = statistics.median(ranges) / MEDIAN_MOVING_RANGE if ranges else 0.0
    if not sigma > 0.0:
        return None
    centre = statistics.median(beginning)
    return tuple((value - centre) / sigma for value in values[first:])
