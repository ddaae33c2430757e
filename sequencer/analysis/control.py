"""Control charts of single values: whether a process goes on as it did.

Individuals and moving range: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2. The process's own scatter is taken from the mean
of the differences between neighbours, which a slow drift or a step does not widen as it would a standard deviation. Two uses:

- `chart_of` gives the handbook's limits, mean ± 3 MR/d2, about values that are all there.
- `limits_for_next` gives the limits for a value to come. Mean and scatter of few values are themselves uncertain, so that limits at three
  sigma from eight values would be left by one undisturbed value in some 60; these are as much wider as it takes for one in 370.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence

from sequencer.frozen import dataclass
from sequencer.quantiles import student_quantile

D2 = 2.0 / math.sqrt(math.pi)
"""Mean range of two normal values, in standard deviations: 1.128 (handbook, 6.3.2; Montgomery's table, from memory)."""
D4 = 1.0 + 3.0 * math.sqrt(math.pi / 2.0 - 1.0)
"""Upper control limit of the range of two, in mean ranges: 3.267."""
BEYOND_3_SIGMA = 0.00135
"""How much of a normal distribution lies above three standard deviations."""
FEWEST = 3
"""Below this there is one difference at most, of which no scatter can be told."""
IN_A_ROW = 8
"""Values in a row on one side of the centre that tell of a shift (Western Electric rules; handbook, 6.3.2)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Limits about ``count`` values, in their unit: within ``lower`` and ``upper`` an undisturbed process stays.

    ``sigma`` is its standard deviation by the moving range; ``range_upper`` what two neighbours may differ by.
    """

    count: int
    centre: float
    sigma: float
    lower: float
    upper: float
    range_upper: float

    @property
    def half_width(self) -> float:
        """How far the limits lie from the centre."""
        return self.upper - self.centre

    def contains(self, value: float) -> bool:
        """Say whether ``value`` lies within the limits."""
        return self.lower <= value <= self.upper


def chart_of(values: Sequence[float], *, least_sigma: float = 0.0) -> Chart:
    """Return the handbook's chart about ``values``, in the order in which they were found; ValueError for fewer than `FEWEST`.

    ``least_sigma``: what the scatter is not believed to be below, such as that of an instrument's last digit.
    """
    return _chart(values, least_sigma, factor=3.0)


def limits_for_next(values: Sequence[float], *, least_sigma: float = 0.0) -> Chart:
    """Return within what the next value lies, once in 370 not, if nothing has changed; ValueError for fewer than `FEWEST` values.

    Student's t on the degrees of freedom of the mean moving range, and the mean's own scatter: for many values three sigma again.
    """
    count = len(values)
    factor = 3.0
    if count >= FEWEST:
        quantile = student_quantile(moving_range_dof(count), 1.0 - BEYOND_3_SIGMA)
        factor = quantile * math.sqrt(1.0 + 1.0 / count)
    return _chart(values, least_sigma, factor=factor)


def moving_range_dof(count: int) -> float:
    """Return the degrees of freedom of a scatter taken from the mean moving range of ``count`` normal values.

    By its variance, neighbouring ranges sharing a value: for many values 0.826 sigma²/n (Cryer and Ryan, Journal of Quality Technology 22,
    1990, from memory), against 0.5 for the standard deviation. A relative variance v stands for 1/(2 v) degrees of freedom (GUM E.4.3).
    """
    variance = 2.0 - 4.0 / math.pi
    # two standard normals with correlation -1/2: E|UV| = 2/pi (sqrt(1 - r²) + r asin r)
    shared = 4.0 / math.pi * (math.sqrt(0.75) + 0.5 * math.asin(0.5) - 1.0)
    ranges = count - 1
    relative = (ranges * variance + 2.0 * (ranges - 1) * shared) / (ranges * D2) ** 2
    return 1.0 / (2.0 * relative)


def one_side(values: Sequence[float], centre: float) -> int:
    """Return how many of the last ``values`` lie in a row on one side of ``centre``: above 0 above it, below 0 below it."""
    row = 0
    for value in reversed(values):
        side = (value > centre) - (value < centre)
        if side == 0 or row * side < 0:
            break
        row += side
    return row


def _chart(values: Sequence[float], least_sigma: float, *, factor: float) -> Chart:
    if len(values) < FEWEST:
        raise ValueError(f"{len(values)} values; a scatter can be told of {FEWEST} or more")
    centre = statistics.fmean(values)
    moved = statistics.fmean(abs(after - before) for before, after in itertools.pairwise(values))
    sigma = max(moved / D2, least_sigma)
    return Chart(
        count=len(values),
        centre=centre,
        sigma=sigma,
        lower=centre - factor * sigma,
        upper=centre + factor * sigma,
        range_upper=D4 * D2 * sigma,
    )
