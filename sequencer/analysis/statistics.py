"""Statistics of results: mean and scatter without lost digits, straight lines with the doubt about their slope.

The line is fitted by generalised least squares: minimise r' V^-1 r, r = y - a - b x, V the covariance of the values. With V the unit
matrix that is ordinary least squares, with a diagonal V weighted least squares. What several values share (one bench's level error)
stands off the diagonal, and a line through values that all share it does not take it for a slope.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from sequencer.frozen import dataclass
from sequencer.uncertainty.budget import ABOUT_95
from sequencer.uncertainty.coverage import gum_factor

if TYPE_CHECKING:
    from numpy.typing import NDArray

FEWEST_FOR_A_LINE = 3
CONSISTENT_ABOVE = 0.05
"""Probability of a chi-squared as large as found below which the stated uncertainties do not explain the scatter (common practice)."""


def mean(values: Sequence[float]) -> float:
    """Return the arithmetic mean, summed in exact fractions. ValueError for no values, or one that is not finite."""
    _check_finite(values, fewest=1)
    return float(statistics.mean(values))


def standard_deviation(values: Sequence[float]) -> float:
    """Return the sample standard deviation, divisor n - 1, in exact fractions. ValueError for fewer than two values."""
    # A one-pass sum of squares gives a negative variance on 10000000.1, 10000000.3, ... (NIST StRD NumAcc4).
    _check_finite(values, fewest=2)
    return float(statistics.stdev(values))


def lag_one_autocorrelation(values: Sequence[float]) -> float:
    """Return how alike neighbours are, -1...1: sum of (y_i - m)(y_i+1 - m) over sum of (y_i - m)^2 (NIST StRD's form).

    ValueError for fewer than two values, or values that are all the same.
    """
    centre = mean(values)
    off = [value - centre for value in values]
    spread = math.fsum(x * x for x in off)
    if len(values) < 2 or spread == 0:
        raise ValueError("neighbours can be compared only where there are two values or more that differ")
    return math.fsum(one * other for one, other in pairwise(off)) / spread


def e_n(difference: float, expanded: float) -> float:
    """Return E_n of a difference and its expanded uncertainty (ISO 13528; ISO/IEC 17043); beyond +-1 they differ.

    0 for no difference at all, infinite for one that has no uncertainty. ValueError for a negative or unknown uncertainty.
    """
    return _score(difference, expanded)


def zeta(difference: float, standard: float) -> float:
    """Return the zeta score of a difference and its standard uncertainty (ISO 13528): beyond +-2 a warning, +-3 an action."""
    return _score(difference, standard)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line through points.

    ``slope`` per unit of x, ``intercept`` at x = 0, each with its standard uncertainty; ``dof`` are those of the uncertainties
    (infinite where they come from the stated ones). ``consistency``: the probability of scatter as large as found if the stated
    uncertainties are right; None where none were stated. ``residual_sd`` in the unit of y, ``r_squared`` 0...1.
    """

    slope: float
    intercept: float
    slope_sd: float
    intercept_sd: float
    dof: float
    residual_sd: float
    r_squared: float
    consistency: float | None
    residuals: tuple[float, ...]

    @property
    def slope_expanded(self) -> float:
        """The slope's expanded uncertainty, about 95 %."""
        return gum_factor(ABOUT_95, self.dof) * self.slope_sd

    def at(self, x: float) -> float:
        """Return the line's value."""
        return self.intercept + self.slope * x


def fit_line(
    x: Sequence[float], y: Sequence[float], *, covariance: NDArray[np.float64] | None = None
) -> Line:
    """Fit a straight line to three or more points.

    ``covariance`` of the y values: n by n, positive definite; without it the scatter alone tells the uncertainty (ordinary least
    squares). Where the stated uncertainties do not explain the scatter (chi-squared, 5 %), the slope's uncertainty is widened by the
    Birge ratio and has n - 2 degrees of freedom; it is never narrowed.
    ValueError for too few points, x that are all the same, or a covariance that cannot be.
    """
    _check_points(x, y)
    # Centred and scaled, the normal equations lose no digits to a far origin such as a time since 1970.
    middle, span = mean(x), max(x) - min(x)
    basis = np.column_stack([np.ones(len(x)), [(at - middle) / span for at in x]])
    level = mean(y)
    target = np.array([value - level for value in y])
    white_basis, white_target = _whitened(basis, target, covariance)
    solved, *_ = np.linalg.lstsq(white_basis, white_target, rcond=None)
    doubt = np.asarray(np.linalg.inv(white_basis.T @ white_basis), dtype=np.float64)
    chi_squared = float(np.sum((white_target - white_basis @ solved) ** 2))
    dof, widening, consistency = _widening(chi_squared, len(x) - 2, stated=covariance is not None)
    residuals = target - basis @ solved
    return Line(
        slope=float(solved[1]) / span,
        intercept=level + float(solved[0]) - float(solved[1]) * middle / span,
        slope_sd=widening * math.sqrt(doubt[1, 1]) / span,
        intercept_sd=widening * _intercept_sd(doubt, middle / span),
        dof=dof,
        residual_sd=math.sqrt(float(np.sum(residuals**2)) / (len(x) - 2)),
        r_squared=_r_squared(residuals, target),
        consistency=consistency,
        residuals=tuple(float(one) for one in residuals),
    )


def chance_of_scatter(chi_squared: float, dof: float) -> float:
    """Return the probability of a chi-squared at least this large."""
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi_squared))


def _widening(chi_squared: float, dof: int, *, stated: bool) -> tuple[float, float, float | None]:
    """Return the degrees of freedom, the factor on the uncertainties, and the probability of such scatter."""
    birge = math.sqrt(chi_squared / dof)
    if not stated:
        return float(dof), birge, None
    chance = chance_of_scatter(chi_squared, dof)
    if chance < CONSISTENT_ABOVE:
        return float(dof), max(1.0, birge), chance
    return math.inf, 1.0, chance


def _whitened(
    basis: NDArray[np.float64], target: NDArray[np.float64], covariance: NDArray[np.float64] | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if covariance is None:
        return basis, target
    if covariance.shape != (len(target), len(target)) or not np.isfinite(covariance).all():
        raise ValueError(
            f"a covariance of shape {covariance.shape} for {len(target)} values; finite and square is due"
        )
    try:
        root = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        raise ValueError(
            "the covariance is not positive definite: a value without an uncertainty of its own cannot be weighed"
        ) from None
    return np.linalg.solve(root, basis), np.linalg.solve(root, target)


def _intercept_sd(doubt: NDArray[np.float64], ratio: float) -> float:
    variance = doubt[0, 0] - 2 * ratio * doubt[0, 1] + ratio**2 * doubt[1, 1]
    return math.sqrt(max(0.0, float(variance)))


def _r_squared(residuals: NDArray[np.float64], target: NDArray[np.float64]) -> float:
    about_mean = float(np.sum((target - target.mean()) ** 2))
    return 1.0 if about_mean == 0 else 1.0 - float(np.sum(residuals**2)) / about_mean


def _score(difference: float, uncertainty: float) -> float:
    if not (math.isfinite(difference) and uncertainty >= 0):
        raise ValueError(
            f"no score for a difference of {difference} with uncertainty {uncertainty}: it must be 0 or more"
        )
    if uncertainty == 0:
        return 0.0 if difference == 0 else math.copysign(math.inf, difference)
    return difference / uncertainty


def _check_points(x: Sequence[float], y: Sequence[float]) -> None:
    if len(x) != len(y):
        raise ValueError(f"{len(x)} places for {len(y)} values")
    if len(x) < FEWEST_FOR_A_LINE:
        raise ValueError(
            f"{len(x)} point(s): a line with any doubt about it needs {FEWEST_FOR_A_LINE} or more"
        )
    _check_finite(x, fewest=1)
    _check_finite(y, fewest=1)
    if max(x) == min(x):
        raise ValueError("all points stand at one place: there is no slope")


def _check_finite(values: Sequence[float], *, fewest: int) -> None:
    if len(values) < fewest:
        raise ValueError(f"{len(values)} value(s); {fewest} or more are due")
    if not all(math.isfinite(value) for value in values):
        raise ValueError("a value is not a finite number")
