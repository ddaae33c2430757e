"""Shares and sampling plans, against a reference library, the NIST/SEMATECH e-Handbook and published factors."""

from __future__ import annotations

import pytest
from scipy.special import ndtri
from scipy.stats import binomtest, hypergeom, nct
from statsmodels.stats.proportion import proportion_confint

from sequencer.statistics.proportion import find_proportion
from sequencer.statistics.sampling import (
    AttributePlan,
    find_attribute_plan,
    find_variables_plan,
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


@pytest.mark.parametrize(
    ("risks", "n", "c", "refused", "taken", "at_three_percent"),
    [
        ((0.05, 0.10), 132, 3, 0.04425251, 0.0992283, 0.4384354),
        ((0.02, 0.15), 144, 4, 0.01534843, 0.1487162, 0.5656415),
    ],
)
def test_published_plans_by_attributes(risks, n, c, refused, taken, at_three_percent):
    """1 % good, 5 % bad: both plans of a public package's introduction (AccSamplingDesign 0.0.8), to the digits it prints."""
    plan = find_attribute_plan(good=0.01, producers_risk=risks[0], bad=0.05, consumers_risk=risks[1])
    assert (plan.n, plan.c) == (n, c)
    found = (1 - plan.acceptance(0.01), plan.acceptance(0.05), plan.acceptance(0.03))
    assert found == pytest.approx((refused, taken, at_three_percent), abs=6e-8)


def test_published_plan_by_variables_and_the_exact_one():
    """2.5 % good, 10 % bad, sigma known: n 19, k 1.579 as that package prints; sigma not known: by a reference library's noncentral t."""
    known = find_variables_plan(
        good=0.025, producers_risk=0.05, bad=0.10, consumers_risk=0.10, sigma_known=True
    )
    assert (known.n, round(known.k, 3)) == (19, 1.579)
    plan = find_variables_plan(good=0.025, producers_risk=0.05, bad=0.10, consumers_risk=0.10)
    reference = nct(plan.n - 1, -ndtri(0.025) * plan.n**0.5), nct(plan.n - 1, -ndtri(0.10) * plan.n**0.5)
    assert reference[0].sf(plan.k * plan.n**0.5) == pytest.approx(plan.acceptance(0.025), abs=1e-7)
    assert plan.acceptance(0.025) >= 0.95
    assert reference[1].sf(plan.k * plan.n**0.5) == pytest.approx(0.10, abs=1e-7)
    fewer = plan.n - 1
    k = nct.ppf(0.90, fewer - 1, -ndtri(0.10) * fewer**0.5) / fewer**0.5
    assert nct.sf(k * fewer**0.5, fewer - 1, -ndtri(0.025) * fewer**0.5) < 0.95


@pytest.mark.parametrize(
    ("lot", "failing", "n", "c"), [(500, 25, 123, 3), (40, 3, 30, 0), (100, 99, 58, 1), (90, 0, 5, 2)]
)
def test_acceptance_of_a_counted_lot(lot, failing, n, c):
    """As a reference library's hypergeometric distribution has it."""
    found = AttributePlan(n=n, c=c).acceptance_of_lot(lot, failing)
    assert found == pytest.approx(hypergeom.cdf(c, lot, failing, n), abs=1e-10)


def test_a_small_lot_needs_fewer_units_and_holds_both_risks():
    """The smallest of all plans that hold both risks of a lot of 200, tried one by one against a reference library."""
    plan = find_attribute_plan(good=0.01, producers_risk=0.05, bad=0.05, consumers_risk=0.10, lot=200)
    holding = [
        n
        for n in range(1, 133)
        for c in range(5)
        if hypergeom.cdf(c, 200, 2, n) >= 0.95 and hypergeom.cdf(c, 200, 10, n) <= 0.10
    ]
    assert plan.n == min(holding) < 132
    with pytest.raises(ValueError, match="a lot has"):
        plan.acceptance_of_lot(plan.n - 1, 0)


def test_tolerance_factors():
    """n 43, share 0.9, confidence 0.99, as in NIST/SEMATECH 7.2.6.3: one-sided by a reference library's noncentral t."""
    assert normal_tolerance_factor(43, share=0.9, confidence=0.99) == pytest.approx(
        nct.ppf(0.99, 42, ndtri(0.9) * 43**0.5) / 43**0.5, rel=1e-7
    )
    with pytest.raises(ValueError, match="2 or more"):
        normal_tolerance_factor(1, share=0.9, confidence=0.99)
    with pytest.raises(ValueError, match="between 0 and 1"):
        normal_tolerance_factor(5, share=1.0, confidence=0.99)
