"""Two samples laid beside each other: the difference of their means, and of two shares, with what chance would do alone."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

from sequencer.frozen import dataclass
from sequencer.quantiles import student_quantile


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanDifference:
    """The second mean less the first, with its expanded uncertainty (95 %) from the scatter of the values alone."""

    difference: float
    expanded: float
    dof: float

    @property
    def is_seen(self) -> bool:
        """Whether it is larger than what the scatter would do."""
        return abs(self.difference) > self.expanded


def find_mean_difference(one: Sequence[float], other: Sequence[float]) -> MeanDifference | None:
    """Return the difference of two means whose scatters need not be alike; None for fewer than two values in either, or no scatter.

    Welch, Biometrika 34, 1947, with the degrees of freedom of Satterthwaite, Biometrics Bulletin 2, 1946 (both from memory).
    """
    if min(len(one), len(other)) < 2:
        return None
    squares = [_variance(values) / len(values) for values in (one, other)]
    if not sum(squares) > 0.0:
        return None
    dof = sum(squares) ** 2 / sum(
        square**2 / (len(values) - 1) for square, values in zip(squares, (one, other), strict=True)
    )
    return MeanDifference(
        difference=statistics.fmean(other) - statistics.fmean(one),
        expanded=student_quantile(dof, 0.975) * math.sqrt(sum(squares)),
        dof=dof,
    )


def _variance(values: Sequence[float]) -> float:
    mean = statistics.fmean(values)
    return math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1)


def shares_alike(count: int, of: int, other_count: int, other_of: int) -> float:
    """Return how probable shares at least as far apart are, if both samples are of one population: Fisher's exact test, both sides.

    ``of`` above 0 and ``count`` 0...``of`` in both; ValueError otherwise. Fisher, Journal of the Royal Statistical Society 98, 1935 (from
    memory): the probabilities of all tables with these margins that are no more probable than the one found are summed.
    """
    if not (0 <= count <= of and 0 <= other_count <= other_of and of and other_of):
        raise ValueError(f"{count} of {of} and {other_count} of {other_of} are no two shares")
    counted = count + other_count
    least, most = max(0, counted - other_of), min(counted, of)
    found = _log_probability(count, of, counted, other_of)
    every = (_log_probability(at, of, counted, other_of) for at in range(least, most + 1))
    return min(1.0, math.fsum(math.exp(one) for one in every if one <= found + 1e-9))


def _log_probability(count: int, of: int, counted: int, other_of: int) -> float:
    return _log_ways(of, count) + _log_ways(other_of, counted - count) - _log_ways(of + other_of, counted)


def _log_ways(of: int, count: int) -> float:
    return math.lgamma(of + 1) - math.lgamma(count + 1) - math.lgamma(of - count + 1)
