"""Means, scatter, likeness of neighbours and straight lines, against published certified values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import linregress

from sequencer.analysis.statistics import (
    chance_of_scatter,
    e_n,
    fit_line,
    lag_one_autocorrelation,
    mean,
    standard_deviation,
    zeta,
)
from tests.support import strd


def numbers(text: str) -> list[float]:
    """Return the numbers in a text."""
    return [float(word) for word in text.split()]


def changed_pi() -> list[float]:
    """Return the digits of pi as the certified file has them: item 957 is 3 there, where pi has 8."""
    digits = [float(digit) for digit in strd.pi_digits(5000)]
    assert digits[956] == 8
    digits[956] = 3.0
    return digits


CERTIFIED = [
    ("NumAcc1", lambda: [10000001.0, 10000003.0, 10000002.0], 10000002, 1, -0.5, 1e-14),
    ("NumAcc2", lambda: [1.2] + 500 * [1.1, 1.3], 1.2, 0.1, -0.999, 1e-13),
    ("NumAcc3", lambda: [1000000.2] + 500 * [1000000.1, 1000000.3], 1000000.2, 0.1, -0.999, 1e-9),
    ("NumAcc4", lambda: [10000000.2] + 500 * [10000000.1, 10000000.3], 10000000.2, 0.1, -0.999, 1e-8),
    ("Mavro", lambda: numbers(strd.MAVRO), 2.001856, 0.000429123454003053, 0.937989183438248, 1e-12),
    ("Michelso", lambda: numbers(strd.MICHELSO), 299.8524, 0.0790105478190518, 0.535199668621283, 1e-12),
    ("Lew", lambda: numbers(strd.LEW), -177.435, 277.332168044316, -0.307304800605679, 1e-14),
    ("Lottery", lambda: numbers(strd.LOTTERY), 518.958715596330, 291.699727470969, -0.120948622967393, 1e-13),
    ("PiDigits", changed_pi, 4.5348, 2.86733906028871, -0.00355099287237972, 1e-13),
]


@pytest.mark.parametrize(("name", "data", "centre", "sd", "likeness", "tolerance"), CERTIFIED)
def test_univariate_sets_come_out_as_certified(name, data, centre, sd, likeness, tolerance):
    """Mean, standard deviation and lag-1 autocorrelation are those certified by NIST StRD (univariate), to what doubles can hold.

    NumAcc3 and NumAcc4 as stored in doubles have standard deviations of 0.1 (1 + 3.5e-10) and 0.1 (1 + 5.6e-9), so no less can be asked.
    """
    values = data()
    assert mean(values) == pytest.approx(centre, rel=1e-14)
    assert standard_deviation(values) == pytest.approx(sd, rel=tolerance)
    assert lag_one_autocorrelation(values) == pytest.approx(likeness, rel=max(tolerance, 1e-9))


def test_the_line_through_norris_is_the_certified_one():
    """The ordinary line through StRD Norris has the certified coefficients and R squared.

    Standard deviations of the coefficients and of the residuals are the certified ones from memory.
    """
    pairs = numbers(strd.NORRIS)
    line = fit_line(pairs[1::2], pairs[0::2])
    assert len(pairs) == 72
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.r_squared == pytest.approx(0.999993745883712, rel=1e-14)
    assert line.slope_sd == pytest.approx(0.429796848199937e-3, rel=1e-11)
    assert line.intercept_sd == pytest.approx(0.232818234301152, rel=1e-11)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-11)
    assert line.dof == 34


def test_a_far_origin_costs_the_line_no_digits():
    """Seconds since 1970 instead of since the first result change slope and its uncertainty in no printed digit (scipy's linregress)."""
    x = [86400.0 * day for day in (0, 30, 61, 95, 122, 180)]
    y = [-120.0, -119.8, -119.9, -119.5, -119.4, -119.2]
    near, far = fit_line(x, y), fit_line([1.77e9 + at for at in x], y)
    reference = linregress(x, y)
    assert near.slope == pytest.approx(reference.slope, rel=1e-12)
    assert near.slope_sd == pytest.approx(reference.stderr, rel=1e-10)
    assert far.slope == pytest.approx(near.slope, rel=1e-9)
    assert far.slope_sd == pytest.approx(near.slope_sd, rel=1e-9)


def test_a_weighted_line_is_numpys():
    """With known, unequal uncertainties the line and its covariance are numpy.polyfit's with cov='unscaled'."""
    x, y = [0.0, 1.0, 2.0, 3.5, 5.0], [1.0, 1.4, 2.3, 3.2, 5.1]
    sd = np.array([0.4, 0.2, 0.6, 0.3, 0.5])
    coefficients, covariance = np.polyfit(x, y, 1, w=1 / sd, cov="unscaled")
    line = fit_line(x, y, covariance=np.diag(sd**2))
    assert (line.slope, line.intercept) == pytest.approx(tuple(coefficients), rel=1e-12)
    assert line.slope_sd == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-12)
    assert line.intercept_sd == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-12)
    assert line.dof == math.inf


def test_scatter_beyond_the_stated_uncertainty_widens_the_doubt():
    """Where the scatter is ten times the stated uncertainty the slope's doubt follows the scatter, with n - 2 degrees of freedom."""
    x, y = [0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 1.0, -1.0, 1.0, 0.0]
    stated = fit_line(x, y, covariance=np.eye(5) * 0.01)
    scattered = fit_line(x, y)
    assert stated.consistency < 1e-6
    assert stated.slope_sd == pytest.approx(scattered.slope_sd, rel=1e-12)
    assert stated.dof == 3


def test_scatter_below_the_stated_uncertainty_does_not_narrow_the_doubt():
    """Values that agree better than their uncertainties by luck leave the slope as doubtful as stated."""
    line = fit_line([0.0, 1.0, 2.0], [0.0, 1.0, 2.0], covariance=np.eye(3))
    assert line.slope_sd == pytest.approx(1 / math.sqrt(2), rel=1e-12)


def test_what_all_values_share_does_not_tilt_the_line():
    """An error common to all values changes the intercept's uncertainty and leaves slope and its uncertainty alone."""
    x, y = [0.0, 1.0, 2.0, 4.0], [1.0, 1.1, 1.3, 1.2]
    alone = fit_line(x, y, covariance=np.eye(4) * 0.04)
    shared = fit_line(x, y, covariance=np.eye(4) * 0.04 + 25.0)
    assert shared.slope == pytest.approx(alone.slope, rel=1e-9)
    assert shared.slope_sd == pytest.approx(alone.slope_sd, rel=1e-9)
    assert shared.intercept_sd > 4.9


def test_chi_squared_chances_are_the_tables():
    """The 5 % points of chi-squared on 1, 5 and 10 degrees of freedom are 3.841, 11.070 and 18.307 (NIST handbook 1.3.6.7.4)."""
    for dof, point in ((1, 3.841), (5, 11.070), (10, 18.307)):
        assert chance_of_scatter(point, dof) == pytest.approx(0.05, abs=2e-5)


def test_scores_are_the_printed_ones():
    """E_n .530 and zeta 1.060 for 10.1 against 10.0 with u .08 and .05; 1.47 and 2.94 for 10.5 with .15 and .08, k = 2 (ISO 13528)."""
    for x, u_x, u_ref, printed_e_n, printed_zeta in (
        (10.1, 0.08, 0.05, 0.530, 1.060),
        (10.5, 0.15, 0.08, 1.47, 2.94),
    ):
        standard = math.hypot(u_x, u_ref)
        assert e_n(x - 10.0, 2 * standard) == pytest.approx(printed_e_n, abs=0.005)
        assert zeta(x - 10.0, standard) == pytest.approx(printed_zeta, abs=0.005)


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
def test_e_n_is_half_of_zeta_at_a_coverage_factor_of_two(difference, standard):
    """With k = 2, E_n is zeta / 2."""
    assert e_n(difference, 2 * standard) == pytest.approx(zeta(difference, standard) / 2, rel=1e-12)


def test_a_score_without_uncertainty_is_nought_or_infinite():
    """Equal exact values score 0, unequal ones infinity with the difference's sign."""
    assert e_n(0.0, 0.0) == 0
    assert e_n(-1.0, 0.0) == -math.inf
    with pytest.raises(ValueError, match="must be 0 or more"):
        e_n(1.0, -1.0)


@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=12), st.floats(-50, 50), st.floats(-100, 100))
def test_adding_a_line_to_the_values_adds_it_to_the_fit(values, slope, shift):
    """Values plus a line give the fit plus that line, with the same doubt."""
    x = [float(at) for at in range(len(values))]
    before = fit_line(x, values)
    after = fit_line(x, [y + shift + slope * at for at, y in zip(x, values, strict=True)])
    assert after.slope == pytest.approx(before.slope + slope, abs=1e-8)
    assert after.slope_sd == pytest.approx(before.slope_sd, abs=1e-7)


@pytest.mark.parametrize(
    ("x", "y", "text"),
    [
        ([0.0, 1.0], [1.0, 2.0], "needs 3 or more"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], "no slope"),
        ([0.0, 1.0, 2.0], [1.0, math.nan, 3.0], "not a finite number"),
        ([0.0, 1.0], [1.0], "2 places for 1 values"),
    ],
)
def test_a_line_that_cannot_be_fitted_says_why(x, y, text):
    """Too few points, one place, or no numbers: each is refused with its reason."""
    with pytest.raises(ValueError, match=text):
        fit_line(x, y)


def test_a_covariance_that_cannot_be_is_refused():
    """A value without an uncertainty of its own makes the covariance singular, and the text says so."""
    with pytest.raises(ValueError, match="not positive definite"):
        fit_line([0.0, 1.0, 2.0], [0.0, 1.0, 2.0], covariance=np.ones((3, 3)))
    with pytest.raises(ValueError, match="square is due"):
        fit_line([0.0, 1.0, 2.0], [0.0, 1.0, 2.0], covariance=np.eye(2))


def test_few_or_equal_values_have_no_statistics():
    """No values have no mean, one value has no scatter, equal values have no likeness of neighbours."""
    with pytest.raises(ValueError, match="1 or more"):
        mean([])
    with pytest.raises(ValueError, match="2 or more"):
        standard_deviation([1.0])
    with pytest.raises(ValueError, match="two values or more that differ"):
        lag_one_autocorrelation([1.0, 1.0])
