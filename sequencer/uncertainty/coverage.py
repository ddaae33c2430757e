"""Find coverage factors: from a standard uncertainty to an interval of stated probability."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sequencer.uncertainty.distributions import Shape, distribution_function, quantile

if TYPE_CHECKING:
    import numpy as np

DOMINANCE = 0.3
"""A non-normal part dominates where all others together are below this share of it (EA-4/02 S9, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One bounded part of a sum: its shape, top to base ratio, and contribution as a standard uncertainty."""

    shape: Shape
    standard: float
    top: float = 0.0


def student_factor(probability: float, dof: float) -> float:
    """Return k such that +-k covers ``probability`` of Student's t; the normal value for infinite ``dof``.

    ``probability`` between 0 and 1, ``dof`` above 0, else ValueError. GUM table G.2.
    """
    if not 0 < probability < 1:
        raise ValueError(f"coverage probability {probability} must lie between 0 and 1")
    if not dof > 0:
        raise ValueError(f"degrees of freedom {dof} must be above 0")
    from scipy.special import ndtri, stdtrit

    upper = (1 + probability) / 2
    return float(ndtri(upper) if math.isinf(dof) else stdtrit(dof, upper))


def gum_factor(probability: float, effective_dof: float) -> float:
    """Return the factor for effective degrees of freedom, truncated to a whole number first (GUM G.4.1)."""
    if not 1 <= effective_dof < math.inf:
        return student_factor(probability, effective_dof)
    # A whole number that came through 1/(1/49) may lie a shade below itself.
    return student_factor(probability, math.floor(effective_dof * (1 + 1e-12)))


def dominant_parts(parts: Sequence[Part], standard: float) -> tuple[Part, ...]:
    """Return the one or two bounded parts that dominate a sum of ``standard`` uncertainty; none is usual."""
    largest = sorted(parts, key=lambda part: part.standard, reverse=True)
    for count in (1, 2):
        chosen = largest[:count]
        weight = math.hypot(*(part.standard for part in chosen)) if chosen else 0.0
        if len(chosen) == count and weight > 0 and _rest(chosen, standard) < DOMINANCE * weight:
            return tuple(chosen)
    return ()


def shape_factor(probability: float, dominant: Sequence[Part], standard: float) -> float:
    """Return k such that +-k ``standard`` covers ``probability`` of dominant parts plus a normal rest.

    The sum is worked out, not only its largest part: with a U-shaped part that part's own factor (1.41) would
    leave a rest of a quarter its size uncovered.
    """
    import numpy as np
    from scipy.optimize import brentq

    first, others = dominant[0], dominant[1:]
    half_width = first.standard * first.shape.divisor(first.top)
    offsets = _offsets(others, _rest(dominant, standard))

    def excess(reach: float) -> float:
        upper = distribution_function(first.shape, (reach - offsets) / half_width, top=first.top)
        lower = distribution_function(first.shape, (-reach - offsets) / half_width, top=first.top)
        return float(np.mean(upper - lower)) - probability

    widest = half_width + float(np.max(np.abs(offsets)))
    return float(brentq(excess, 0.0, widest, xtol=1e-9 * widest)) / standard


def _rest(parts: Sequence[Part], standard: float) -> float:
    return math.sqrt(max(0.0, standard**2 - sum(part.standard**2 for part in parts)))


def _offsets(others: Sequence[Part], rest: float) -> np.ndarray:
    """Return equally likely sums of the other parts and the normal rest."""
    import numpy as np

    sums = np.zeros(1)
    if rest > 0:
        steps = (np.arange(400) + 0.5) / 400
        sums = rest * quantile(Shape.NORMAL, steps)
    for part in others:
        steps = (np.arange(200) + 0.5) / 200
        own = part.standard * part.shape.divisor(part.top) * quantile(part.shape, steps, top=part.top)
        sums = np.add.outer(sums, own).ravel()
    return sums
