"""Restricted likelihood of crossed readings, worked out from the means of the cells, and where it is largest.

Readings y = mean + unit + operator + unit x operator + rest. Means of cells and the sum of squares within them say all of it, so that
the matrices have a row for each cell, not for each reading. Each effect counts by its variance over that of the rest, its ratio. Source:
S. R. Searle, G. Casella and C. E. McCulloch, Variance Components, 1992, chapter 6 (from memory); tests hold it against another
optimiser and the plain likelihood.

The likelihood may have several peaks, and the slope along a standard deviation vanishes at 0: a search that goes along it stays there.
So every set of effects that may be 0 is tried by itself, the others along the logarithm of their ratios from several starts, and the
likelihoods are compared.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

_STARTS = ((1.0, 0.25, 0.1), (100.0, 10.0, 1.0), (0.1, 1.0, 10.0))
_LEAST, _MOST = 1e-9, 1e12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellMeans:
    """Each cell's unit and operator (from 0), number of readings and mean; ``within``: the sum of squares within all cells."""

    units: NDArray[np.int64]
    operators: NDArray[np.int64]
    counts: NDArray[np.float64]
    means: NDArray[np.float64]
    within: float

    def as_single_readings(self) -> CellMeans:
        """Return the cells as if each had been read once: what is then left over is the interaction."""
        return replace(self, counts=np.ones_like(self.counts), within=0.0)

    @property
    def dof(self) -> float:
        """Degrees of freedom about the mean."""
        return float(self.counts.sum()) - 1.0

    def shared(self, effect: int) -> NDArray[np.float64]:
        """Return which cells share the ``effect``: 0 units, 1 operators, 2 both."""
        if effect == 2:
            return np.eye(len(self.means))
        names = self.units if effect == 0 else self.operators
        return np.equal.outer(names, names).astype(np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Where the likelihood is largest: the ratios of unit, operator and both to ``rest``, the variance of the rest."""

    log_likelihood: float
    ratios: tuple[float, float, float]
    rest: float


def largest_likelihood(cells: CellMeans, effects: int) -> Fit:
    """Return the largest likelihood with the first ``effects`` of unit, operator and both; any of them may be 0.

    ValueError where the rest is so small beside an effect that it cannot be told.
    """
    shared = [cells.shared(effect) for effect in range(effects)]
    tried = [
        _climbed(cells, shared, free, start)
        for many in range(effects + 1)
        for free in combinations(range(effects), many)
        for start in (_STARTS if free else _STARTS[:1])
    ]
    best = max(tried, key=lambda fit: fit.log_likelihood)
    if max(best.ratios) > 0.5 * _MOST:
        raise ValueError(
            "the readings of a cell scatter a million times less than the others differ, which cannot be told with readings missing; "
            "measure what is missing"
        )
    return best


def _climbed(
    cells: CellMeans, shared: Sequence[NDArray[np.float64]], free: tuple[int, ...], start: Sequence[float]
) -> Fit:
    """Return the peak that is reached from ``start`` where only the ``free`` effects are not 0."""
    from scipy.optimize import minimize

    used = [shared[effect] for effect in free]
    ratios = np.array([], dtype=np.float64)
    if free:

        def downhill(logs: Any) -> tuple[float, NDArray[np.float64]]:
            here = np.exp(logs)
            likelihood, slope, _ = _likelihood(cells, used, here)
            return -likelihood, -slope * here

        found = minimize(
            downhill,
            np.log([start[effect] for effect in free]),
            jac=True,
            method="L-BFGS-B",
            bounds=[(math.log(_LEAST), math.log(_MOST))] * len(free),
            options={"ftol": 1e-14, "gtol": 1e-8, "maxiter": 500},
        )
        ratios = np.exp(found.x)
    likelihood, _, rest = _likelihood(cells, used, ratios)
    of = dict(zip(free, map(float, ratios), strict=True))
    return Fit(log_likelihood=likelihood, ratios=(of.get(0, 0.0), of.get(1, 0.0), of.get(2, 0.0)), rest=rest)


def _likelihood(
    cells: CellMeans, shared: Sequence[NDArray[np.float64]], ratios: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], float]:
    """Return the restricted log likelihood (but for constants), its slope along the ratios, and the rest's variance at its best."""
    v = np.diag(1.0 / cells.counts)
    for ratio, one in zip(ratios, shared, strict=True):
        v += ratio * one
    inverse = np.linalg.inv(v)
    ones = inverse.sum(axis=1)
    weight = float(ones.sum())
    pulled = inverse @ (cells.means - float(ones @ cells.means) / weight)
    squares = cells.within + float(cells.means @ pulled)
    rest = squares / cells.dof
    log_v = float(np.linalg.slogdet(v)[1])
    projected = inverse - np.outer(ones, ones) / weight
    slope = np.array(
        [-0.5 * (float(np.sum(projected * one)) - float(pulled @ one @ pulled) / rest) for one in shared]
    )
    return -0.5 * (log_v + math.log(weight) + cells.dof * math.log(rest)), slope, rest
