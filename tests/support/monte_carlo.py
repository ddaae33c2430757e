"""Propagation of distributions by a Monte Carlo method (JCGM 101:2008): the check on the GUM's arithmetic."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sequencer.uncertainty.budget import (
    ABOUT_95,
    Budget,
    Contribution,
    Correlation,
    check_correlations,
    correlation_matrix,
)
from sequencer.uncertainty.distributions import quantile

if TYPE_CHECKING:
    from numpy.typing import NDArray

Samples = Mapping[str, "NDArray[np.float64]"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What came of the trials: mean, standard uncertainty, and intervals that cover ``coverage`` of them.

    ``low``, ``high``: probabilistically symmetric; ``shortest_low``, ``shortest_high``: the shortest (7.7).
    """

    mean: float
    standard: float
    low: float
    high: float
    shortest_low: float
    shortest_high: float
    coverage: float
    trials: int

    def validates(self, budget: Budget, digits: int = 1) -> bool:
        """Return whether the budget's interval agrees to half a unit of ``digits`` figures of u."""
        if budget.standard == 0:
            return self.standard == 0
        exponent = math.floor(math.log10(budget.standard)) - (digits - 1)
        tolerance = 0.5 * 10.0**exponent
        ends = ((budget.value - budget.expanded, self.low), (budget.value + budget.expanded, self.high))
        return all(abs(ours - theirs) <= tolerance for ours, theirs in ends)


def propagate(
    model: Callable[[Samples], NDArray[np.float64]],
    inputs: Sequence[Contribution],
    *,
    correlations: Sequence[Correlation] = (),
    trials: int = 200_000,
    seed: int = 101,
    coverage: float = ABOUT_95,
) -> Spread:
    """Draw the inputs about their values and return the spread of ``model``, which works on arrays.

    Correlated inputs are drawn through a Gaussian copula: exact for normal ones, close for others. Student's
    t is drawn as JCGM 101 wants, with more spread than its standard uncertainty. ``trials`` 1,000 or more.
    ValueError for too few trials, bad correlations, or a model that gives no finite number.
    """
    if trials < 1000:
        raise ValueError(f"{trials} trials; a Monte Carlo needs 1,000 or more")
    outputs = np.asarray(model(_draw(inputs, correlations, trials, seed)), dtype=float)
    outputs = np.broadcast_to(outputs, (trials,))
    if not np.isfinite(outputs).all():
        wrong = int((~np.isfinite(outputs)).sum())
        raise ValueError(f"the model gave no finite number in {wrong} of {trials} trials; check its range")
    ordered = np.sort(outputs)
    inside = min(trials - 1, round(coverage * trials))
    start = (trials - inside) // 2
    widths = ordered[inside:] - ordered[: trials - inside]
    narrowest = int(np.argmin(widths))
    return Spread(
        mean=float(outputs.mean()),
        standard=float(outputs.std(ddof=1)),
        low=float(ordered[start]),
        high=float(ordered[start + inside - 1]),
        shortest_low=float(ordered[narrowest]),
        shortest_high=float(ordered[narrowest + inside]),
        coverage=coverage,
        trials=trials,
    )


def propagate_budget(budget: Budget, *, trials: int = 200_000, seed: int = 101) -> Spread:
    """Draw a budget's contributions and add them, weighted by their coefficients, to its value."""

    def add(samples: Samples) -> NDArray[np.float64]:
        total = np.full(trials, budget.value)
        for part in budget.contributions:
            total = total + part.coefficient * (samples[part.source] - part.value)
        return total

    return propagate(
        add,
        budget.contributions,
        correlations=budget.correlations,
        trials=trials,
        seed=seed,
        coverage=budget.coverage,
    )


def _draw(
    inputs: Sequence[Contribution], correlations: Sequence[Correlation], trials: int, seed: int
) -> dict[str, NDArray[np.float64]]:
    from scipy.special import ndtr

    sources = [part.source for part in inputs]
    check_correlations("Monte Carlo", sources, correlations)
    drawn = np.random.default_rng(seed).standard_normal((len(inputs), trials))
    if correlations:
        # The eigenvectors rather than a Cholesky factor: full correlation makes the matrix singular.
        sizes, vectors = np.linalg.eigh(np.array(correlation_matrix(sources, correlations)))
        drawn = (vectors * np.sqrt(np.clip(sizes, 0.0, None))) @ drawn
    samples = {}
    for part, normal in zip(inputs, drawn, strict=True):
        unit = quantile(part.shape, ndtr(normal), top=part.top, dof=part.dof)
        size = part.standard * part.shape.divisor(part.top)
        samples[part.source] = part.value + size * unit
    return samples
