"""Name the shapes of distribution an uncertainty may have, and work out what follows from a shape.

Bounded shapes are described by their half-width a: rectangular, triangular and trapezoidal (top to base ratio
``top``) after GUM 4.3, U-shaped (arcsine) for the part of a vector of fixed length and unknown phase, such as
mismatch. Normal and Student are described by their standard uncertainty.
"""

from __future__ import annotations

import math
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Shape(Enum):
    """A shape of distribution, worded as a budget prints it."""

    NORMAL = "normal"
    STUDENT = "Student t"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    TRAPEZOIDAL = "trapezoidal"
    U_SHAPED = "U-shaped"

    @property
    def is_bounded(self) -> bool:
        """Whether the shape has a half-width."""
        return self not in (Shape.NORMAL, Shape.STUDENT)

    def top_ratio(self, top: float) -> float:
        """Return the top to base ratio of a trapezoid, of which rectangle and triangle are the ends."""
        return {Shape.RECTANGULAR: 1.0, Shape.TRIANGULAR: 0.0}.get(self, top)

    def divisor(self, top: float = 0.0) -> float:
        """Return half-width over standard uncertainty; 1 for a shape without a half-width."""
        if not self.is_bounded:
            return 1.0
        if self is Shape.U_SHAPED:
            return math.sqrt(2)
        return math.sqrt(6 / (1 + self.top_ratio(top) ** 2))


def quantile(
    shape: Shape, probability: NDArray[np.float64], *, top: float = 0.0, dof: float = math.inf
) -> NDArray[np.float64]:
    """Return the quantiles of a shape about 0: of half-width 1 if bounded, else of standard uncertainty 1.

    ``dof`` serves Student's t alone, scaled as in JCGM 101:2008, 6.4.9: its own spread is wider than 1.
    """
    import numpy as np

    p = np.asarray(probability, dtype=float)
    if not shape.is_bounded:
        from scipy.special import ndtri, stdtrit

        student = shape is Shape.STUDENT and math.isfinite(dof)
        return np.asarray(stdtrit(dof, p) if student else ndtri(p))
    if shape is Shape.U_SHAPED:
        return np.asarray(-np.cos(np.pi * p))
    ratio = shape.top_ratio(top)
    lower = np.minimum(p, 1 - p)
    flank = (1 - ratio) / (2 * (1 + ratio))  # probability under one sloping side
    slope = -1 + np.sqrt(2 * lower * (1 - ratio) * (1 + ratio))
    distance = np.where(lower < flank, slope, (lower - 0.5) * (1 + ratio))
    return np.asarray(np.where(p <= 0.5, distance, -distance))


def distribution_function(shape: Shape, x: NDArray[np.float64], *, top: float = 0.0) -> NDArray[np.float64]:
    """Return the distribution function of a bounded shape of half-width 1 about 0."""
    import numpy as np

    inside = np.clip(np.asarray(x, dtype=float), -1.0, 1.0)
    if shape is Shape.U_SHAPED:
        return np.asarray(0.5 + np.arcsin(inside) / np.pi)
    ratio = shape.top_ratio(top)
    near = -np.abs(inside)
    flat = 0.5 + near / (1 + ratio)
    if ratio < 1:
        flank = (near + 1) ** 2 / (2 * (1 - ratio) * (1 + ratio))
        flat = np.where(near < -ratio, flank, flat)
    return np.asarray(np.where(inside <= 0, flat, 1 - flat))


def summed_distribution(shape: Shape, x: NDArray[np.float64], *, top: float = 0.0) -> NDArray[np.float64]:
    """Return the integral of `distribution_function` from -1 to ``x``: what a rectangle added to the shape is worked out from."""
    import numpy as np

    asked = np.asarray(x, dtype=float)
    near = -np.minimum(
        np.abs(asked), 1.0
    )  # about 0 each shape is symmetric, so that the integral to x is x more than to -x
    if shape is Shape.U_SHAPED:
        below = 0.5 * near + (near * np.arcsin(near) + np.sqrt(1.0 - near**2)) / np.pi
    else:
        ratio = shape.top_ratio(top)
        flank = (1 - ratio) ** 2 / (6 * (1 + ratio))  # the integral over one sloping side
        below = flank + 0.5 * (near + ratio) + (near**2 - ratio**2) / (2 * (1 + ratio))
        if ratio < 1:
            below = np.where(near < -ratio, (near + 1) ** 3 / (6 * (1 - ratio) * (1 + ratio)), below)
    return np.asarray(below + np.maximum(asked, 0.0))
