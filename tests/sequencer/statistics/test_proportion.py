"""Shares and sampling plans, against a reference library, the NIST/SEMATECH e-Handbook and published factors."""

from __future__ import annotations

import pytest
from scipy.special import ndtri
from scipy.stats import binomtest, nct
from statsmodels.stats.proportion import proportion_confint

from sequencer.statistics.proportion import find_proportion
from sequencer.statistics.sampling import (
    AttributePlan,
    find_attribute_plan,
    howe_tolerance_factor,
    normal_tolerance_factor,
)


def test_two_of_fifty():
    """The exact interval of 2/50: 0.004881 to 0.137138, by two reference libraries."""
    found = find_proportion(2, 50)
    assert (found.lower, found.upper) == pytest.approx((0.004881, 0.137138), abs=6e-7)
    assert found.share == 0.04


@pytest.mark.parametrize(
    ("count", "of", "confidence"), [(0, 5, 0.95), (5, 5, 0.95), (17, 40, 0.9), (999, 1000, 0.99), (0, 1, 0.5)]
)
def test_intervals_as_reference_libraries_have_them(count, of, confidence):
    """scipy, and statsmodels by its method "beta" (its default is another, and too narrow)."""
    found = find_proportion(count, of, confidence=confidence)
    assert (found.lower, found.upper) == pytest.approx(
        proportion_confint(count, of, alpha=1 - confidence, method="beta"), nan_ok=True, abs=1e-12
    )
    other = binomtest(count, of).proportion_ci(confidence, "exact")
    assert (found.lower, found.upper) == pytest.approx((other.low, other.high), abs=1e-9)


@pytest.mark.parametrize(
    ("count", "of", "confidence"), [(1, 0, 0.95), (-1, 5, 0.95), (6, 5, 0.95), (1, 5, 1.0), (1, 5, 0.0)]
)
def test_what_is_no_share_is_refused(count, of, confidence):
    """No units, more than there are, or a confidence that is none."""
    with pytest.raises(ValueError, match=r"no share|confidence"):
        find_proportion(count, of, confidence=confidence)


# NIST/SEMATECH e-Handbook 6.2.3.2, operating characteristic of n 52, c 3 (from memory).
NIST_PLAN = (0.998, 0.980, 0.930, 0.845, 0.739, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115)


def test_operating_characteristic_of_the_nist_handbook():
    """To one in the third digit, as printed."""
    plan = AttributePlan(n=52, c=3)
    assert [plan.acceptance(0.01 * percent) for percent in range(1, 13)] == pytest.approx(
        NIST_PLAN, abs=1.1e-3
    )


def test_a_plan_is_found_for_both_risks_and_is_the_smallest():
    """Every smaller sample breaks one of the risks, whatever its acceptance number: tried one by one."""
    plan = find_attribute_plan(good=0.02, producers_risk=0.05, bad=0.08, consumers_risk=0.10)
    assert plan.acceptance(0.02) >= 0.95
    assert plan.acceptance(0.08) <= 0.10
    for n in range(1, plan.n):
        for c in range(min(n, 12)):
            other = AttributePlan(n=n, c=c)
            assert not (other.acceptance(0.02) >= 0.95 and other.acceptance(0.08) <= 0.10)


@pytest.mark.parametrize(
    "wrong", [{"good": 0.1, "bad": 0.05}, {"good": 0.0, "bad": 0.1}, {"good": 0.01, "bad": 1.0}]
)
def test_a_plan_that_cannot_be_is_refused(wrong):
    """Lots that cannot be told apart are said to be so."""
    with pytest.raises(ValueError, match="good < bad"):
        find_attribute_plan(producers_risk=0.05, consumers_risk=0.1, **wrong)
    with pytest.raises(ValueError, match="further apart"):
        find_attribute_plan(good=0.0100, bad=0.0101, producers_risk=0.01, consumers_risk=0.01)
    with pytest.raises(ValueError, match="share failing"):
        AttributePlan(n=5, c=0).acceptance(1.5)


def test_tolerance_factors():
    """NIST/SEMATECH 7.2.6.3, n 43, share 0.9, confidence 0.99: two-sided by Howe 2.217; one-sided by a reference library's noncentral t."""
    assert howe_tolerance_factor(43, share=0.9, confidence=0.99) == pytest.approx(2.2173159, abs=1e-6)
    assert normal_tolerance_factor(43, share=0.9, confidence=0.99) == pytest.approx(
        nct.ppf(0.99, 42, ndtri(0.9) * 43**0.5) / 43**0.5, rel=1e-7
    )
    with pytest.raises(ValueError, match="2 or more"):
        normal_tolerance_factor(1, share=0.9, confidence=0.99)
    with pytest.raises(ValueError, match="between 0 and 1"):
        howe_tolerance_factor(5, share=1.0, confidence=0.99)
