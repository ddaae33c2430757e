"""The constants of control charts for samples of n, from the distributions they stand for and not from a printed table.

Printed tables round, and some are wrong in the last digit (D4 at n = 3 and 5). d2 and d3 are mean and standard deviation of the range
of n standard normal values, c4 the mean of their standard deviation. Source: ISO 7870-2:2013, annex A (from memory);
the test holds them against published values.
"""

from __future__ import annotations

import math
from functools import cache

from sequencer.frozen import dataclass

LARGEST_SAMPLE = 100
_REACH = 9.0  # standard deviations: 2e-19 lies beyond
_STEPS = 181
_NODES = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartConstants:
    """Constants for samples of ``n``; the limits stand three standard deviations off (A2, A3, B3, B4, D3, D4)."""

    n: int
    d2: float
    d3: float
    c4: float

    @property
    def a2(self) -> float:
        """Mean chart's half-width per mean range."""
        return 3.0 / (self.d2 * math.sqrt(self.n))

    @property
    def a3(self) -> float:
        """Mean chart's half-width per mean standard deviation."""
        return 3.0 / (self.c4 * math.sqrt(self.n))

    @property
    def range_limits(self) -> tuple[float, float]:
        """D3 and D4: the range chart's limits per mean range."""
        return max(0.0, 1.0 - 3.0 * self.d3 / self.d2), 1.0 + 3.0 * self.d3 / self.d2

    @property
    def deviation_limits(self) -> tuple[float, float]:
        """B3 and B4: the limits of a standard deviation's chart per its mean."""
        reach = 3.0 * math.sqrt(1.0 - self.c4**2) / self.c4
        return max(0.0, 1.0 - reach), 1.0 + reach


@cache
def chart_constants(n: int) -> ChartConstants:
    """Return the constants for samples of ``n``, 2...100; ValueError otherwise."""
    if not 2 <= n <= LARGEST_SAMPLE:
        raise ValueError(f"samples of {n} have no chart here: 2 to {LARGEST_SAMPLE} values make one")
    mean, square = _range_moments(n)
    return ChartConstants(n=n, d2=mean, d3=math.sqrt(square - mean**2), c4=c4(n))


def c4(n: int) -> float:
    """Return E[s]/sigma for ``n`` normal values, n of 2 or more."""
    return math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))


def _range_moments(n: int) -> tuple[float, float]:
    """Return the mean and mean square of the range of ``n`` standard normal values.

    P(R <= r) = n int phi(x) (Phi(x + r) - Phi(x))^(n-1) dx, E[R] = int 1 - P dr, E[R^2] = 2 int r (1 - P) dr. Over x, where everything
    vanishes smoothly at both ends, the trapezium rule is exact to the last digits; over r, which begins at 0, Gauss and Legendre's.
    """
    import numpy as np
    from scipy.special import ndtr

    x, step = np.linspace(-_REACH, _REACH, _STEPS, retstep=True)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    r = (nodes[:, np.newaxis] + 1.0) * _REACH
    within = ndtr(x + r) - ndtr(x)
    density = np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)
    beyond = 1.0 - n * np.sum(density * within ** (n - 1), axis=1) * step
    return float(_REACH * weights @ beyond), float(2.0 * _REACH * weights @ (beyond * r[:, 0]))
