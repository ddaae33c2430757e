"""Within what the next value of a process lies that goes on as it did, from its single values so far.

Individuals and moving range: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2. The process's own scatter is taken from the mean
of the differences between neighbours, which a slow drift or a step does not widen as it would a standard deviation. Mean and scatter of few
values are themselves uncertain: three sigma from eight values are left by one undisturbed value in 32. These limits are as much wider as
it takes for one in 370 or fewer (`tests/benchmarks/bench_own_check.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequencer.frozen import dataclass
from sequencer.quantiles import student_quantile
from sequencer.statistics.capability import moving_range_dof
from sequencer.statistics.charts import individuals_and_moving_range

BEYOND_3_SIGMA = 0.00135
"""How much of a normal distribution lies above three standard deviations."""
FEWEST = 3
"""Below this there is one difference at most, of which no scatter can be told."""
IN_A_ROW = 8
"""Values in a row on one side of the centre that tell of a shift (Western Electric rules; handbook, 6.3.2)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NextLimits:
    """Limits from ``count`` values, in their unit; ``sigma`` is the standard deviation by the moving range."""

    count: int
    centre: float
    sigma: float
    lower: float
    upper: float

    @property
    def half_width(self) -> float:
        """How far the limits lie from the centre."""
        return self.upper - self.centre

    def contains(self, value: float) -> bool:
        """Say whether ``value`` lies within the limits."""
        return self.lower <= value <= self.upper


def limits_for_next(values: Sequence[float], *, least_sigma: float = 0.0) -> NextLimits:
    """Return within what the next value lies, at most once in 370 not, if nothing has changed; ValueError for fewer than `FEWEST` values.

    Student's t on the degrees of freedom of the mean moving range, and the mean's own scatter: for many values three sigma again.
    ``least_sigma``: what the scatter is not believed to be below, such as that of an instrument's last digit.
    """
    count = len(values)
    if count < FEWEST:
        raise ValueError(f"{count} values; a scatter can be told of {FEWEST} or more")
    pair = individuals_and_moving_range(values)
    centre, sigma = pair.location.centre, max(pair.sigma, least_sigma)
    quantile = student_quantile(moving_range_dof(count), 1.0 - BEYOND_3_SIGMA)
    reach = quantile * math.sqrt(1.0 + 1.0 / count) * sigma
    return NextLimits(count=count, centre=centre, sigma=sigma, lower=centre - reach, upper=centre + reach)


def one_side(values: Sequence[float], centre: float) -> int:
    """Return how many of the last ``values`` lie in a row on one side of ``centre``: above 0 above it, below 0 below it."""
    row = 0
    for value in reversed(values):
        side = (value > centre) - (value < centre)
        if side == 0 or row * side < 0:
            break
        row += side
    return row
