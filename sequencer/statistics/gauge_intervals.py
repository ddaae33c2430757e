"""Intervals of a gauge study's variances, by modified large samples.

A sum of mean squares with positive and negative weights has no exact interval. The bound used here is exact where all but one of the
degrees of freedom grow without end. Sources: Graybill and Wang, Journal of the American Statistical Association 75, 1980, for positive
weights; Ting, Burdick, Graybill, Jeyaratnam and Lu, Journal of Statistical Computation and Simulation 35, 1990, for both signs; as told
in Burdick, Borror and Montgomery, Design and Analysis of Gauge R&R Studies, 2005 (from memory; a test measures what they cover).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequencer.frozen import dataclass
from sequencer.statistics.gauge import GaugeStudy


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """Both ends of an interval of a variance; never below 0."""

    lower: float
    upper: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeIntervals:
    """Two-sided intervals of the variances of a study."""

    repeatability: Interval
    measuring: Interval
    unit: Interval


def find_gauge_intervals(study: GaugeStudy, *, confidence: float = 0.95) -> GaugeIntervals:
    """Return the intervals, each at ``confidence``, between 0 and 1."""
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence {confidence} must lie between 0 and 1")
    squares = {row.name: (row.mean_square, float(row.dof)) for row in study.rows}
    p, o, r = study.units, study.operators, study.trials
    unit, operator, rest = squares["unit"], squares["operator"], squares["repeatability"]
    if study.is_pooled:
        measuring = [(1.0 / (p * r), operator), (1.0 - 1.0 / (p * r), rest)]
        units = [(1.0 / (o * r), unit), (-1.0 / (o * r), rest)]
    else:
        both = squares["unit x operator"]
        measuring = [(1.0 / (p * r), operator), ((p - 1.0) / (p * r), both), ((r - 1.0) / r, rest)]
        units = [(1.0 / (o * r), unit), (-1.0 / (o * r), both)]
    return GaugeIntervals(
        repeatability=_interval([(1.0, rest)], confidence),
        measuring=_interval(measuring, confidence),
        unit=_interval(units, confidence),
    )


_Terms = Sequence[tuple[float, tuple[float, float]]]
"""Weight, and mean square with its degrees of freedom."""


def _interval(terms: _Terms, confidence: float) -> Interval:
    tail = (1.0 - confidence) / 2.0
    value = math.fsum(weight * square for weight, (square, _) in terms)
    lower = value - math.sqrt(_spread(terms, tail))
    upper = value + math.sqrt(_spread([(-weight, one) for weight, one in terms], tail))
    return Interval(lower=max(0.0, lower), upper=max(0.0, upper))


def _spread(terms: _Terms, tail: float) -> float:
    """Return the square of the distance to the lower bound; with all weights negated, to the upper one."""
    total = 0.0
    for weight, (square, dof) in terms:
        reach = _g(dof, tail) if weight > 0 else _h(dof, tail)
        total += (reach * weight * square) ** 2
    for plus, (one, dof) in terms:
        for minus, (other, other_dof) in terms:
            if plus > 0 > minus:
                total += _mixed(dof, other_dof, tail) * plus * -minus * one * other
    return max(0.0, total)


def _g(dof: float, tail: float) -> float:
    """1 - 1 / F: how far down the lower bound of a mean square stands."""
    return 1.0 - 1.0 / _f(tail, dof, math.inf)


def _h(dof: float, tail: float) -> float:
    """1 / F - 1: how far up the upper bound stands."""
    return 1.0 / _f(1.0 - tail, dof, math.inf) - 1.0


def _mixed(plus_dof: float, minus_dof: float, tail: float) -> float:
    f = _f(tail, plus_dof, minus_dof)
    return ((f - 1.0) ** 2 - (_g(plus_dof, tail) * f) ** 2 - _h(minus_dof, tail) ** 2) / f


def _f(tail: float, dof: float, other_dof: float) -> float:
    """Return the value of F that leaves ``tail`` above it."""
    from scipy.special import chdtri, fdtri

    if math.isinf(other_dof):
        return float(chdtri(dof, tail)) / dof
    return float(fdtri(dof, other_dof, 1.0 - tail))
