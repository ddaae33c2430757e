"""Gauge study where readings are missing: variances by restricted maximum likelihood, for the sums of squares no longer add up.

Readings y = mean + unit + operator + unit x operator + rest, all but the mean normal and drawn at random. Where nothing is missing and no
variance comes out below 0, restricted maximum likelihood gives what the analysis of variance gives: a test holds it to that. Source:
H. D. Patterson and R. Thompson, Biometrika 58, 1971 (from memory); the interaction's test is a likelihood ratio on the edge of its range,
half of a chi-squared of one degree (S. G. Self and K.-Y. Liang, JASA 82, 1987, from memory). It gives no intervals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from sequencer.statistics.gauge import POOL_ABOVE, GaugeStudy, Readings, Source

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_READINGS = 1000
"""Beyond it the likelihood takes minutes."""
_STARTS = ((1.0, 0.5, 0.3), (3.0, 1.0, 0.0), (0.2, 0.2, 0.2))
_LARGEST = 1e4


def find_incomplete_study(readings: Readings, *, pool_above: float = POOL_ABOVE) -> GaugeStudy:
    """Return the study of crossed readings of which some are missing; its ``rows`` are empty but for the interaction's test.

    Needs two units and two operators, and a unit that one operator measured twice; ValueError otherwise.
    """
    cells = {key: list(cell) for key, cell in readings.items() if cell}
    units = list(dict.fromkeys(unit for unit, _ in cells))
    operators = list(dict.fromkeys(operator for _, operator in cells))
    values = np.array([one for cell in cells.values() for one in cell], dtype=np.float64)
    _check(cells, units, operators, values)
    scale = float(values.std())
    if scale == 0.0:
        raise ValueError(
            "the readings do not differ at all, so that nothing can be said of what they differ by"
        )
    effects = _effects(cells, units, operators)
    y = (values - values.mean()) / scale
    whole, ratio_whole = _fitted(y, effects)
    without, ratio_without = _fitted(y, effects[:2])
    from scipy.special import chdtrc

    p = 0.5 * float(chdtrc(1, max(0.0, 2.0 * (whole - without))))
    pooled = p > pool_above
    ratios = (*ratio_without, 0.0) if pooled else ratio_whole
    rest = _rest(y, effects, ratios)
    unit, operator, both = (ratio**2 * rest * scale**2 for ratio in ratios)
    test = Source(name="unit x operator", dof=1, sum_of_squares=math.nan, p=p)
    return GaugeStudy(
        units=len(units),
        operators=len(operators),
        trials=max(len(cell) for cell in cells.values()),
        full=(test,),
        rows=() if pooled else (test,),
        repeatability=rest * scale**2,
        operator=operator,
        interaction=both,
        unit=unit,
    )


def _check(
    cells: dict[tuple[str, str], list[float]],
    units: Sequence[str],
    operators: Sequence[str],
    values: NDArray[np.float64],
) -> None:
    if len(units) < 2 or len(operators) < 2:
        raise ValueError(
            f"{len(units)} units and {len(operators)} operators with readings: a gauge study needs two or more of each"
        )
    if all(len(cell) < 2 for cell in cells.values()):
        raise ValueError("no operator has measured a unit twice: nothing tells how well a reading repeats")
    if len(values) > MOST_READINGS:
        raise ValueError(f"{len(values)} readings with some missing; at most {MOST_READINGS} by this method")
    if not np.isfinite(values).all():
        raise ValueError("a reading that is not finite has no place in a gauge study")


def _effects(
    cells: dict[tuple[str, str], list[float]], units: Sequence[str], operators: Sequence[str]
) -> list[NDArray[np.float64]]:
    """Return for each effect which readings share it: Z Z', of as many rows as readings."""
    names = [key for key, cell in cells.items() for _ in cell]
    of_unit = np.array([units.index(unit) for unit, _ in names])
    of_operator = np.array([operators.index(operator) for _, operator in names])
    of_both = of_unit * len(operators) + of_operator
    return [(one[:, None] == one[None, :]).astype(np.float64) for one in (of_unit, of_operator, of_both)]


def _fitted(
    y: NDArray[np.float64], effects: Sequence[NDArray[np.float64]]
) -> tuple[float, tuple[float, ...]]:
    """Return the largest likelihood, and there each effect's standard deviation over that of the rest."""
    from scipy.optimize import minimize

    best, found = -math.inf, tuple(0.0 for _ in effects)
    for start in _STARTS:
        fit = minimize(
            lambda ratios: -_log_likelihood(y, effects, ratios),
            start[: len(effects)],
            method="L-BFGS-B",
            bounds=[(0.0, _LARGEST)] * len(effects),
            options={"ftol": 1e-13, "gtol": 1e-9, "maxiter": 500},
        )
        if -fit.fun > best:
            best, found = float(-fit.fun), tuple(float(one) for one in fit.x)
    return best, found


def _solved(
    y: NDArray[np.float64], effects: Sequence[NDArray[np.float64]], ratios: Sequence[float]
) -> tuple[float, float, float]:
    """Return the log determinants of V and of 1'V^-1 1, and the weighted sum of squares about the mean, at unit rest."""
    v = np.eye(len(y))
    for ratio, shared in zip(ratios, effects, strict=False):
        v += ratio**2 * shared
    factor = np.linalg.cholesky(v)
    both = np.linalg.solve(factor, np.column_stack([np.ones_like(y), y]))
    ones, lowered = both[:, 0], both[:, 1]
    weight = float(ones @ ones)
    residual = lowered - ones * float(ones @ lowered) / weight
    return 2.0 * float(np.log(np.diag(factor)).sum()), math.log(weight), float(residual @ residual)


def _log_likelihood(
    y: NDArray[np.float64], effects: Sequence[NDArray[np.float64]], ratios: Sequence[float]
) -> float:
    """Return the restricted log likelihood, but for what does not change, with the rest's variance at its best."""
    log_v, log_weight, squares = _solved(y, effects, ratios)
    dof = len(y) - 1
    return -0.5 * (log_v + log_weight + dof * math.log(squares / dof))


def _rest(y: NDArray[np.float64], effects: Sequence[NDArray[np.float64]], ratios: Sequence[float]) -> float:
    return _solved(y, effects, ratios)[2] / (len(y) - 1)
