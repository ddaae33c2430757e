"""Sampling plans: how many units of a lot are tested, and how many may fail, for both sides' risks.

By attributes a plan is a sample size n and an acceptance number c, by variables a sample size and a factor k: the lot is taken if the
mean stands k standard deviations or more within the limit. Source of the arithmetic: NIST/SEMATECH e-Handbook 6.2.3 and 7.2.6.3. No
printed table of a standard is copied here; a contract that names one is served from the standard itself.
"""

from __future__ import annotations

import math

from sequencer.frozen import dataclass

LARGEST_SAMPLE = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributePlan:
    """Test ``n`` units, take the lot if at most ``c`` fail."""

    n: int
    c: int

    def acceptance(self, failing: float) -> float:
        """Return the probability that a large lot with a share ``failing``, 0...1, is taken (binomial)."""
        if not 0.0 <= failing <= 1.0:
            raise ValueError(f"share failing {failing} must lie between 0 and 1")
        from scipy.special import bdtr

        return float(bdtr(self.c, self.n, failing))


def find_attribute_plan(
    *, good: float, producers_risk: float, bad: float, consumers_risk: float
) -> AttributePlan:
    """Return the smallest plan that holds both risks.

    It refuses a lot with a share ``good`` failing at most with ``producers_risk``, and takes one with ``bad`` at most with
    ``consumers_risk``.

    0 < good < bad < 1, risks between 0 and 1; ValueError otherwise, or if more than 100,000 units would be needed.
    """
    if not 0.0 < good < bad < 1.0 or not (0.0 < producers_risk < 1.0 and 0.0 < consumers_risk < 1.0):
        raise ValueError("0 < good < bad < 1, and both risks between 0 and 1, are needed for a plan")
    for c in range(LARGEST_SAMPLE):
        n = _smallest_sample(c, bad, consumers_risk)
        if n > LARGEST_SAMPLE:
            break
        if AttributePlan(n=n, c=c).acceptance(good) >= 1.0 - producers_risk:
            return AttributePlan(n=n, c=c)
    raise ValueError(
        f"no plan of up to {LARGEST_SAMPLE} units tells {good:g} from {bad:g} failing with these risks; let them lie further apart"
    )


def normal_tolerance_factor(n: int, *, share: float, confidence: float) -> float:
    """Return k for one limit: mean + k s lies above a ``share`` of the process with ``confidence`` (exact, by noncentral t).

    n 2 or more. It is also the k of a plan by variables that takes a lot with 1 - share failing with probability 1 - confidence.
    """
    _check(n, share, confidence)
    from scipy.special import nctdtrit, ndtri

    root = math.sqrt(n)
    return float(nctdtrit(n - 1, float(ndtri(share)) * root, confidence)) / root


def howe_tolerance_factor(n: int, *, share: float, confidence: float) -> float:
    """Return k for both limits: mean +- k s holds a ``share`` of the process with ``confidence`` (W. G. Howe, JASA 64, 1969)."""
    _check(n, share, confidence)
    from scipy.special import chdtri, ndtri

    z = float(ndtri((1.0 + share) / 2.0))
    return z * math.sqrt((n - 1) * (1.0 + 1.0 / n) / float(chdtri(n - 1, confidence)))


def _smallest_sample(c: int, bad: float, risk: float) -> int:
    """Return the smallest n with P(at most c of n fail) <= risk; more than LARGEST_SAMPLE where there is none up to there."""
    low, high = c + 1, LARGEST_SAMPLE + 1
    while low < high:
        middle = (low + high) // 2
        if AttributePlan(n=middle, c=c).acceptance(bad) <= risk:
            high = middle
        else:
            low = middle + 1
    return low


def _check(n: int, share: float, confidence: float) -> None:
    if n < 2 or not (0.0 < share < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError(
            f"n {n} must be 2 or more, share {share} and confidence {confidence} between 0 and 1"
        )
