"""Sampling plans: how many units of a lot are tested, and how many may fail, for both sides' risks.

By attributes a plan is a sample size n and an acceptance number c, by variables a sample size and a factor k: the lot is taken if the
mean stands k standard deviations or more within the limit. Source of the arithmetic: NIST/SEMATECH e-Handbook 6.2.3 and 7.2.6.3. No
printed table of a standard is copied here; a contract that names one is served from the standard itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

LARGEST_SAMPLE = 100_000
LARGEST_LOT = 100_000
LARGEST_NUMBER_OF_LOT = 1000
"""The largest acceptance number that is tried for a lot that is counted: beyond it nobody tests by attributes."""


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

    def acceptance_of_lot(self, lot: int, failing: int) -> float:
        """Return the probability that a lot of ``lot`` units, of which ``failing`` fail, is taken (hypergeometric).

        ``lot`` up to 100,000 and no smaller than the sample, ``failing`` 0...``lot``; ValueError otherwise.
        """
        if not (self.n <= lot <= LARGEST_LOT and 0 <= failing <= lot):
            raise ValueError(
                f"{failing} failing of {lot} units, {self.n} tested: a lot has {self.n} to {LARGEST_LOT} units, and no more fail"
            )
        least, most = max(0, self.n - (lot - failing)), min(self.c, self.n, failing)
        if most < least:
            return 0.0
        found = np.arange(least, most + 1)
        ways = _log_choices(failing, found) + _log_choices(lot - failing, self.n - found)
        return min(1.0, float(np.exp(ways - _log_choices(lot, np.array(self.n))).sum()))


@dataclass(frozen=True, slots=True, kw_only=True)
class VariablesPlan:
    """Measure ``n`` units, take the lot if their mean stands ``k`` standard deviations or more within the one limit.

    ``sigma_known``: the standard deviation is the process's, known beforehand, and not the sample's own. The values must be normal.
    """

    n: int
    k: float
    sigma_known: bool = False

    def acceptance(self, failing: float) -> float:
        """Return the probability that a lot with a share ``failing``, between 0 and 1, is taken."""
        if not 0.0 < failing < 1.0:
            raise ValueError(f"share failing {failing} must lie between 0 and 1")
        from scipy.special import ndtr, ndtri

        root = math.sqrt(self.n)
        shift = -float(ndtri(failing)) * root
        if self.sigma_known:
            return float(ndtr(shift - self.k * root))
        from scipy.special import nctdtr

        return 1.0 - float(nctdtr(self.n - 1, shift, self.k * root))


def find_attribute_plan(
    *, good: float, producers_risk: float, bad: float, consumers_risk: float, lot: int | None = None
) -> AttributePlan:
    """Return the smallest plan that holds both risks.

    It refuses a lot with a share ``good`` failing at most with ``producers_risk``, and takes one with ``bad`` at most with
    ``consumers_risk``. ``lot``: how many units the lot has; without it the lot is large beside the sample.

    0 < good < bad < 1, risks between 0 and 1; ValueError otherwise, or if more than 100,000 units would be needed, or more than the lot.
    """
    _check_risks(good, producers_risk, bad, consumers_risk)
    good_taken, bad_taken = _takes(good, bad, lot)
    largest = min(LARGEST_SAMPLE, lot or LARGEST_SAMPLE)
    for c in range(largest if lot is None else min(largest, LARGEST_NUMBER_OF_LOT)):
        n = _smallest_sample(c, bad_taken, consumers_risk, largest)
        if n > largest:
            break
        if good_taken(AttributePlan(n=n, c=c)) >= 1.0 - producers_risk:
            return AttributePlan(n=n, c=c)
    raise _none_tells(good, bad, largest)


def find_variables_plan(
    *, good: float, producers_risk: float, bad: float, consumers_risk: float, sigma_known: bool = False
) -> VariablesPlan:
    """Return the smallest plan by variables, for one limit and normal values, that holds both risks; as `find_attribute_plan`.

    ``n`` is the smallest that holds both; where ``sigma_known`` k lies midway (Wald's; the formula of the trade), otherwise it is the least
    that holds the consumer's risk, exact by the noncentral t.
    """
    _check_risks(good, producers_risk, bad, consumers_risk)
    from scipy.special import ndtri

    z_good, z_bad = -float(ndtri(good)), -float(ndtri(bad))
    z_producer, z_consumer = -float(ndtri(producers_risk)), -float(ndtri(consumers_risk))
    exact_n = ((z_producer + z_consumer) / (z_good - z_bad)) ** 2
    if not sigma_known:
        return _variables_by_sample(good, producers_risk, bad, consumers_risk, start=exact_n)
    n = math.ceil(exact_n - 1e-9)
    if n > LARGEST_SAMPLE:
        raise _none_tells(good, bad, LARGEST_SAMPLE)
    k = (z_consumer * z_good + z_producer * z_bad) / (z_producer + z_consumer)
    return VariablesPlan(n=n, k=k, sigma_known=True)


def _variables_by_sample(
    good: float, producers_risk: float, bad: float, consumers_risk: float, *, start: float
) -> VariablesPlan:
    """Find the smallest n by halving: the larger the sample, the better it tells good from bad."""

    def plan_of(n: int) -> VariablesPlan:
        return VariablesPlan(
            n=n, k=normal_tolerance_factor(n, share=1.0 - bad, confidence=1.0 - consumers_risk)
        )

    def holds(n: int) -> bool:
        return plan_of(n).acceptance(good) >= 1.0 - producers_risk

    low, high = 2, max(4, 2 * math.ceil(min(start, LARGEST_SAMPLE)))
    while not holds(high):
        low, high = high + 1, 2 * high
        if high > LARGEST_SAMPLE:
            raise _none_tells(good, bad, LARGEST_SAMPLE)
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle + 1, high)
    return plan_of(high)


def normal_tolerance_factor(n: int, *, share: float, confidence: float) -> float:
    """Return k for one limit: mean + k s lies above a ``share`` of the process with ``confidence`` (exact, by noncentral t).

    n 2 or more. It is also the k of a plan by variables that takes a lot with 1 - share failing with probability 1 - confidence.
    """
    _check(n, share, confidence)
    from scipy.special import nctdtrit, ndtri

    root = math.sqrt(n)
    return float(nctdtrit(n - 1, float(ndtri(share)) * root, confidence)) / root


def failing_of_lot(good: float, bad: float, lot: int) -> tuple[int, int]:
    """Return how many units fail in the worst lot that is still good, and in the best that is bad; ``lot`` 2 to 100,000 (ValueError)."""
    if not 2 <= lot <= LARGEST_LOT:
        raise ValueError(f"a lot of {lot} units; it has 2 to {LARGEST_LOT}")
    return math.floor(good * lot + 1e-9), math.ceil(bad * lot - 1e-9)


_Taken = Callable[[AttributePlan], float]


def _takes(good: float, bad: float, lot: int | None) -> tuple[_Taken, _Taken]:
    """Return how likely a plan takes the good lot, and the bad one; of a lot that is counted, rounded so that both risks are held."""
    if lot is None:
        return (lambda plan: plan.acceptance(good)), (lambda plan: plan.acceptance(bad))
    good_fail, bad_fail = failing_of_lot(good, bad, lot)
    return (
        lambda plan: plan.acceptance_of_lot(lot, good_fail),
        lambda plan: plan.acceptance_of_lot(lot, bad_fail),
    )


def _smallest_sample(c: int, bad_taken: _Taken, risk: float, largest: int) -> int:
    """Return the smallest n with P(at most c of n fail) <= risk; more than ``largest`` where there is none up to there."""
    low, high = c + 1, largest + 1
    while low < high:
        middle = (low + high) // 2
        if bad_taken(AttributePlan(n=middle, c=c)) <= risk:
            high = middle
        else:
            low = middle + 1
    return low


def _log_choices(of: int, take: NDArray[np.int64]) -> NDArray[np.float64]:
    from scipy.special import gammaln

    return np.asarray(gammaln(of + 1) - gammaln(take + 1) - gammaln(of - take + 1))


def _none_tells(good: float, bad: float, largest: int) -> ValueError:
    return ValueError(
        f"no plan of up to {largest} units tells {good:g} from {bad:g} failing with these risks; let them lie further apart"
    )


def _check_risks(good: float, producers_risk: float, bad: float, consumers_risk: float) -> None:
    if not 0.0 < good < bad < 1.0 or not (0.0 < producers_risk < 1.0 and 0.0 < consumers_risk < 1.0):
        raise ValueError("0 < good < bad < 1, and both risks between 0 and 1, are needed for a plan")
    if producers_risk + consumers_risk >= 1.0:
        raise ValueError("both risks together must be below 1: a plan that refuses by lot would hold them")


def _check(n: int, share: float, confidence: float) -> None:
    if n < 2 or not (0.0 < share < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError(
            f"n {n} must be 2 or more, share {share} and confidence {confidence} between 0 and 1"
        )
