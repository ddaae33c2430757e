"""Find coverage factors: from a standard uncertainty to an interval of stated probability."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cache, lru_cache
from typing import TYPE_CHECKING

from sequencer.frozen import dataclass
from sequencer.quantiles import normal_quantile, student_quantile
from sequencer.uncertainty.distributions import Shape, distribution_function, quantile, summed_distribution

if TYPE_CHECKING:
    import numpy as np

DOMINANCE = 0.3
"""One or two non-normal parts dominate where all others together are below this share of them (EA-4/02 S9 and S10, from memory)."""

_TOO_NARROW = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One bounded part of a sum: its shape, top to base ratio, and contribution as a standard uncertainty."""

    shape: Shape
    standard: float
    top: float = 0.0

    @property
    def half_width(self) -> float:
        """The half of the part's base."""
        return self.standard * self.shape.divisor(self.top)


def student_factor(probability: float, dof: float) -> float:
    """Return k such that +-k covers ``probability`` of Student's t; the normal value for infinite ``dof``.

    ``probability`` between 0 and 1, ``dof`` above 0, else ValueError. GUM table G.2.
    """
    if not 0 < probability < 1:
        raise ValueError(f"coverage probability {probability} must lie between 0 and 1")
    if not dof > 0:
        raise ValueError(f"degrees of freedom {dof} must be above 0")
    return student_quantile(dof, (1 + probability) / 2)


def gum_factor(probability: float, effective_dof: float) -> float:
    """Return the factor for effective degrees of freedom, truncated to a whole number first (GUM G.4.1)."""
    if not 1 <= effective_dof < math.inf:
        return student_factor(probability, effective_dof)
    # A whole number that came through 1/(1/49) may lie a shade below itself.
    return student_factor(probability, math.floor(effective_dof * (1 + 1e-12)))


def dominant_parts(parts: Sequence[Part], standard: float) -> tuple[Part, ...]:
    """Return the one or two bounded parts that dominate a sum of ``standard`` uncertainty; none is usual.

    They do where the rest is below `DOMINANCE` of them (EA-4/02 S9, S10), or where the largest is a rectangle that alone outweighs all
    others together, as in EA-4/02 S11 (eight parts, k 1.81): then it counts with the next largest, and the rest is taken as normal. Not so
    a U-shaped one: EA-4/02 S7 keeps k = 2 where the mismatch has 80 % of the variance.
    """
    largest = sorted(parts, key=lambda part: part.standard, reverse=True)
    for count in (1, 2):
        chosen = largest[:count]
        weight = math.hypot(*(part.standard for part in chosen)) if chosen else 0.0
        if len(chosen) == count and weight > 0 and _rest(chosen, standard) < DOMINANCE * weight:
            return tuple(chosen)
    rectangular = bool(largest) and largest[0].shape is Shape.RECTANGULAR
    if rectangular and largest[0].standard > _rest(largest[:1], standard):
        return tuple(largest[:2])
    return ()


def shape_factor(probability: float, dominant: Sequence[Part], standard: float) -> float:
    """Return k such that +-k ``standard`` covers ``probability`` of dominant parts plus a normal rest.

    The distributions are convolved, exactly for a rectangle with another part (JCGM 101:2008, 5.2, does so by trials; EA-4/02 S10 gives
    the trapezoid of two rectangles). The sum is worked out, not only its largest part: with a U-shaped part that part's own factor (1.41)
    would leave a rest of a quarter its size uncovered.
    """
    return _shape_factor(probability, tuple(dominant), standard)


@lru_cache(maxsize=64)  # a budget is asked for its factor by the decision, the table and the store
def _shape_factor(probability: float, dominant: tuple[Part, ...], standard: float) -> float:
    import numpy as np

    first, rectangle, others = _in_turn(dominant)
    half_width, reach_of_it = first.half_width, rectangle.half_width if rectangle is not None else 0.0
    offsets = _offsets(others, _rest(dominant, standard))

    def excess(reach: float) -> float:
        # Every part is symmetric about 0: what lies below -reach is as much as what lies above reach.
        if rectangle is None:
            below = distribution_function(first.shape, (reach - offsets) / half_width, top=first.top)
        else:
            ends = (reach - offsets + reach_of_it * np.array([[1.0], [-1.0]])) / half_width
            upper, lower = summed_distribution(first.shape, ends, top=first.top)
            below = (upper - lower) * half_width / (2.0 * reach_of_it)
        return 2.0 * float(np.mean(below)) - 1.0 - probability

    widest = half_width + reach_of_it + float(np.max(np.abs(offsets)))
    return _root(excess, 0.0, widest, within=1e-12) / standard


def _in_turn(dominant: tuple[Part, ...]) -> tuple[Part, Part | None, tuple[Part, ...]]:
    """Return the part whose distribution is taken, a rectangle to be added to it exactly, and those that are added in steps.

    A rectangle too narrow beside the other would be lost in rounding.
    """
    for at, one in enumerate(dominant):
        rest = dominant[:at] + dominant[at + 1 :]
        if rest and one.shape is Shape.RECTANGULAR and one.standard > _TOO_NARROW * rest[0].standard:
            return rest[0], one, rest[1:]
    return dominant[0], None, dominant[1:]


def _root(rising: Callable[[float], float], low: float, high: float, *, within: float) -> float:
    """Return where ``rising`` is within that of 0, between ``low`` and ``high``: false position, Illinois rule."""
    at_low, at_high = rising(low), rising(high)
    root, kept = high, ""
    for _ in range(100):
        root = (low * at_high - high * at_low) / (at_high - at_low)
        at_root = rising(root)
        if abs(at_root) <= within:
            break
        # Only an end that stays for the second time is held back: halving each time took three times as many steps.
        if at_root < 0.0:
            low, at_low = root, at_root
            at_high, kept = (0.5 * at_high if kept == "high" else at_high), "high"
        else:
            high, at_high = root, at_root
            at_low, kept = (0.5 * at_low if kept == "low" else at_low), "low"
    return root


def _rest(parts: Sequence[Part], standard: float) -> float:
    return math.sqrt(max(0.0, standard**2 - sum(part.standard**2 for part in parts)))


def _offsets(others: Sequence[Part], rest: float) -> np.ndarray:
    """Return equally likely sums of the other parts and the normal rest."""
    import numpy as np

    sums = np.zeros(1)
    if rest > 0:
        sums = rest * np.array(_normal_steps(400))
    for part in others:
        steps = (np.arange(200) + 0.5) / 200
        own = part.half_width * quantile(part.shape, steps, top=part.top)
        sums = np.add.outer(sums, own).ravel()
    return sums


@cache
def _normal_steps(count: int) -> tuple[float, ...]:
    return tuple(normal_quantile((step + 0.5) / count) for step in range(count))
