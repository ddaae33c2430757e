"""Quantiles of the normal distribution and of Student's t, one number at a time.

A run needs a handful of these numbers. A library of special functions gives the same to twelve digits (a test holds them against
one), and takes longer to import than the run takes to do all the rest.
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

_NORMAL = NormalDist()
_TINY = 1e-300


def normal_quantile(probability: float) -> float:
    """Return the value below which the standard normal lies with ``probability``, above 0 and below 1, else ValueError."""
    return _NORMAL.inv_cdf(probability)


@lru_cache(maxsize=256)
def student_quantile(dof: float, probability: float) -> float:
    """Return the value below which Student's t on ``dof`` degrees of freedom (above 0) lies with ``probability``.

    ValueError for a probability outside 0 to 1, or degrees of freedom that are not above 0.
    """
    if not 0.0 < probability < 1.0 or not dof > 0.0:
        raise ValueError(
            f"no quantile of Student's t for probability {probability}, {dof} degrees of freedom"
        )
    # The smaller tail is what is worked with: 1 minus it would lose its digits.
    tail, sign = (probability, -1.0) if probability < 0.5 else (1.0 - probability, 1.0)
    normal = -normal_quantile(tail)
    if dof > 1000.0:
        return sign * _near_normal(dof, normal)
    # Newton's method. The tail falls ever more slowly, and Student's is the heavier: from the normal quantile each step
    # stays short of the root, so that none can overshoot.
    value = normal
    for _ in range(200):
        step = (_upper_tail(dof, value) - tail) / _density(dof, value)
        value += step
        if step <= 1e-15 * value:
            break
    return sign * value


def _near_normal(dof: float, z: float) -> float:
    """Return the quantile for many degrees of freedom from the normal one: Abramowitz and Stegun 26.7.5."""
    terms = (
        (z**3 + z) / 4.0,
        (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0,
        (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0,
        (79.0 * z**9 + 776.0 * z**7 + 1482.0 * z**5 - 1920.0 * z**3 - 945.0 * z) / 92160.0,
    )
    return z + sum(term / dof**power for power, term in enumerate(terms, start=1))


def _density(dof: float, value: float) -> float:
    scale = math.lgamma(0.5 * (dof + 1.0)) - math.lgamma(0.5 * dof) - 0.5 * math.log(dof * math.pi)
    return math.exp(scale - 0.5 * (dof + 1.0) * math.log1p(value * value / dof))


def _upper_tail(dof: float, value: float) -> float:
    """Return the probability of more than ``value``, 0 or above: half the regularised incomplete beta function (DLMF 8.17)."""
    x = dof / (dof + value * value)
    a, b = 0.5 * dof, 0.5
    # 1 - x of its own: with many degrees of freedom x is close to 1
    rest = value * value / (dof + value * value)
    if rest == 0.0:
        return 0.5
    log_x = math.log(x) if x < 0.5 else math.log1p(-rest)
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * log_x + b * math.log(rest))
    if x < (a + 1.0) / (a + b + 2.0):
        return 0.5 * front * _fraction(a, b, x) / a
    return 0.5 - 0.5 * front * _fraction(b, a, rest) / b


def _fraction(a: float, b: float, x: float) -> float:
    """Return the continued fraction of the incomplete beta function (DLMF 8.17.22), by Lentz's method."""
    c, d = 1.0, 1.0 / (1.0 - (a + b) * x / (a + 1.0) or _TINY)
    value = d
    for m in range(1, 10_000):
        for factor in (
            m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0)),
        ):
            d = 1.0 / (1.0 + factor * d or _TINY)
            c = 1.0 + factor / c or _TINY
            value *= c * d
        if abs(c * d - 1.0) < 1e-16:
            break
    return value
