"""When a batch stops itself: each rule by arithmetic done by hand, and none without cause."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest, norm

from sequencer.statistics.proportion import find_proportion
from sequencer.statistics.stop_rules import (
    MEDIAN_MOVING_RANGE,
    StopLimits,
    UnitOutcome,
    find_stop,
    scaled_by_first,
    weighted_mean,
)


def _units(*failed: str, checks=("power", "deviation")):
    """Return units that fail the checks named (split at blanks; none: it passes)."""
    return [
        UnitOutcome(
            serial=f"U{number}", passed=not one, failed={check: check in one.split() for check in checks}
        )
        for number, one in enumerate(failed, start=1)
    ]


ROW = StopLimits(failures_in_a_row=3)


@pytest.mark.parametrize(
    ("failed", "stops"),
    [
        (("power", "power", "power"), True),
        (("power", "power", "power deviation"), True),
        (("power", "power"), False),
        (("power", "", "power", "power"), False),
        (("power", "power", "deviation"), False),
        (("deviation", "power", "power", "power"), True),
        (("power", "power", "power", ""), False),
        ((), False),
    ],
)
def test_failures_in_a_row(failed, stops):
    """The same check in three units one after another, the newest among them; another check, or a pass, ends the row."""
    found = find_stop(_units(*failed), ROW)
    assert (found is not None) == stops
    if found is not None:
        assert (found.rule, found.about) == ("failures in a row", "power")


@pytest.mark.parametrize(
    ("most", "named"),
    [
        (5, "(U3, U4, U5, U6, U7)"),
        (6, "(U3, U4, U5, U6, U7 and 1 before)"),
        (7, "(U3, U4, U5, U6, U7 and 2 before)"),
    ],
)
def test_of_a_long_row_the_last_five_are_named(most, named):
    """All of five; of more the newest five, and how many there were before them."""
    found = find_stop(_units(*["power"] * 7), StopLimits(failures_in_a_row=most))
    assert found is not None
    assert found.sentence == f"{most} units one after another failed power {named}"


def test_a_unit_in_which_a_check_was_not_judged_neither_counts_nor_ends_the_row():
    """It was stopped before."""
    units = _units("power", "power", "", "power")
    units[2] = UnitOutcome(serial="U3", passed=False, failed={"deviation": True})
    found = find_stop(units, ROW)
    assert found is not None
    assert "U1, U2, U4" in found.sentence


def test_yield_stops_where_even_the_upper_end_of_its_interval_lies_below():
    """By a reference library's exact interval: every count of passes among 20 units."""
    for passed in range(20):
        units = _units(*[""] * passed, *["power"] * (20 - passed))
        upper = binomtest(passed, 20).proportion_ci(0.95, "exact").high
        stop = find_stop(units, StopLimits(yield_below=0.9, yield_after=10))
        assert (stop is not None) == (upper < 0.9), passed


def test_the_first_rule_that_stops_is_told_and_what_is_not_asked_stops_nothing():
    """Failures in a row before the yield, the yield before the chart; of two checks the one that comes first; without limits none."""
    units = [
        UnitOutcome(
            serial=f"U{at}", passed=False, failed={"power": True, "deviation": True}, values={"power": one}
        )
        for at, one in enumerate([*BASE, 3.9, 3.9, 3.9])
    ]
    row, low, chart = {"failures_in_a_row": 3}, {"yield_below": 0.9}, {"chart_after": 8}
    for limits, rule in (
        ({**chart, **low, **row}, "failures in a row"),
        ({**chart, **low}, "yield"),
        (chart, "chart"),
    ):
        found = find_stop(units, StopLimits(**limits))
        assert found is not None
        assert found.rule == rule
        assert found.about == ("first pass" if rule == "yield" else "power")
    assert find_stop(units, StopLimits()) is None
    assert find_stop([], StopLimits(**row, **low, **chart)) is None


def test_a_yield_that_may_just_be_what_is_asked_goes_on():
    """The upper end of the interval at the limit itself is not below it; a hair more asked stops."""
    units = _units(*[""] * 12, *["power"] * 8)
    upper = find_proportion(12, 20).upper
    assert find_stop(units, StopLimits(yield_below=upper, yield_after=20)) is None
    assert find_stop(units, StopLimits(yield_below=upper + 1e-9, yield_after=20)) is not None
    assert find_stop(units, StopLimits(yield_below=1.0, yield_after=21)) is None


def test_yield_is_not_looked_at_too_early_nor_after_a_unit_that_passed():
    """Nine bad units of nine say something, but the rule asks for ten; and a pass does not stop a batch that goes on by somebody's word."""
    limits = StopLimits(yield_below=0.9, yield_after=10)
    assert find_stop(_units(*["power"] * 9), limits) is None
    found = find_stop(_units(*["power"] * 10), limits)
    assert found is not None
    upper = 100.0 * binomtest(0, 10).proportion_ci(0.95, "exact").high
    assert found.sentence == (
        f"0 of 10 units passed at their first attempt: the yield is at most {upper:.1f} % (95 % interval), below 90 %"
    )
    assert (found.rule, found.about) == ("yield", "first pass")
    assert find_stop(_units(*["power"] * 10, ""), limits) is None


def _values(values):
    return [UnitOutcome(serial=f"U{at}", passed=True, values={"power": one}) for at, one in enumerate(values)]


BASE = [3.70, 3.72, 3.69, 3.71, 3.68, 3.72, 3.70, 3.71]


@pytest.mark.parametrize(
    ("more", "side"),
    [
        ([3.9], ""),  # one bad unit
        ([3.9, 3.9], ""),
        ([3.9, 3.9, 3.9], "high"),
        ([3.5, 3.5, 3.5], "low"),
        ([3.9, 3.5, 3.9], ""),
        ([3.9, 3.9, 3.9, 3.7, 3.7], ""),  # the newest are in order again
        ([3.705 + 1.5 * 0.02 / 0.954] * 9, ""),
        ([3.705 + 1.5 * 0.02 / 0.954] * 10, "high"),
    ],
)
def test_chart(more, side):
    """Median 3.705, median moving range 0.02, so sigma 0.021; limits 4 / 3: three at 3 sigma give 1.464, ten at 1.5 give 1.339."""
    found = find_stop(_values([*BASE, *more]), StopLimits(chart_after=8))
    assert ("" if found is None else found.sentence.partition(":")[0]) == (side and f"power has got {side}")


def test_the_chart_is_of_the_latest_twenty_and_of_what_the_newest_unit_has():
    """Of 35 units the first 15 set the limits; a newest unit in which the power was not measured says nothing of it."""
    units = _values([*BASE * 4, 3.9, 3.9, 3.9])
    found = find_stop(units, StopLimits(chart_after=8))
    assert found is not None
    assert found.sentence.endswith("beyond the limits that the 15 before them set")
    assert find_stop([*units, UnitOutcome(serial="N", passed=True)], StopLimits(chart_after=8)) is None


def test_the_weighted_mean_of_the_nist_handbook():
    """NIST/SEMATECH 6.3.2.4 has the same recursion with weight 0.3: here with 0.2, by an independent sum of the weights."""
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1]
    scaled = [(value - 50.0) / 2.0539 for value in values]
    weights = 0.2 * 0.8 ** np.arange(len(values))[::-1]
    assert weighted_mean(scaled) == pytest.approx(float(weights @ scaled), rel=1e-12)


def test_a_bad_unit_among_the_first_does_not_widen_the_limits():
    """Half-dead units at the beginning: the same limits within a third, where a standard deviation would be sixfold."""
    random = np.random.default_rng(2)
    good = random.normal(0.0, 1.0, 60)
    spoilt = good.copy()
    spoilt[[5, 11]] = -40.0
    before, after = scaled_by_first(list(good), 25), scaled_by_first(list(spoilt), 25)
    assert np.std(after) == pytest.approx(np.std(before), rel=0.34)


def test_the_constant_of_the_median_moving_range():
    """The median of |N(0, 2)|: sqrt 2 times the normal's 75 % point, by a reference library."""
    assert pytest.approx(2**0.5 * norm.ppf(0.75), abs=2e-4) == MEDIAN_MOVING_RANGE


def test_values_that_do_not_differ_have_no_chart():
    """A simulated bench that repeats itself stops nothing."""
    assert scaled_by_first([1.0] * 30, 25) is None
    assert find_stop(_values([1.0] * 40), StopLimits(chart_after=25)) is None
