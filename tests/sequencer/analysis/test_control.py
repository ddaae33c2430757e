"""Control limits against published charts, and how often an undisturbed process leaves them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.analysis.control import chart_of, limits_for_next, moving_range_dof, one_side

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: flow rates of ten batches
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_the_handbook_s_chart_of_individuals() -> None:
    """NIST 6.3.2.2 prints centre 50.81, limits 55.8041 and 45.8159 (d2 rounded to 1.128), and 6.1347 for the moving range (D4 to 3.267)."""
    chart = chart_of(FLOW)
    assert chart.centre == pytest.approx(50.81, abs=5e-3)
    assert chart.upper == pytest.approx(55.8024, abs=5e-5)  # 55.8041 with d2 = 1.128
    assert 50.81 + 3.0 * chart.sigma * (2.0 / math.sqrt(math.pi)) / 1.128 == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower == pytest.approx(2 * 50.81 - 55.8024, abs=5e-5)
    assert chart.range_upper == pytest.approx(6.1347, abs=1e-3)


def test_five_values_of_a_package_s_own_example() -> None:
    """Of 10 12 11 13 12 the R package SixSigma's kind of chart has sigma 1.3293404, upper 15.5880212, moving range 4.8997979."""
    chart = chart_of([10.0, 12.0, 11.0, 13.0, 12.0])
    assert chart.sigma == pytest.approx(1.3293404, abs=1e-7)
    assert chart.upper == pytest.approx(15.5880212, abs=1e-7)
    assert chart.range_upper == pytest.approx(4.8997979, abs=5e-4)


def test_the_scatter_of_the_moving_range() -> None:
    """For many values its variance is 0.826 sigma²/n (Cryer and Ryan 1990, from memory); of ten it is what a simulation gives."""
    assert 1.0 / (2.0 * moving_range_dof(100_000) / 100_000) == pytest.approx(0.826, abs=1e-3)
    values = np.random.default_rng(1).standard_normal((40_000, 10))
    ranges = np.abs(np.diff(values, axis=1)).mean(axis=1)
    relative = ranges.var() / ranges.mean() ** 2
    assert moving_range_dof(10) == pytest.approx(1.0 / (2.0 * relative), rel=0.03)


@pytest.mark.parametrize("count", [8, 20])
def test_one_next_value_in_370_lies_outside(count: int) -> None:
    """Three sigma of a normal process are left by 0.27 % of its values (an average run of 370.4: handbook, 6.3.2.3); so are these limits
    by a value to come, where three sigma from so few values are left more often by far.
    """
    drawn = np.random.default_rng(2).standard_normal((20_000, count + 1))
    wide = plain = 0
    for row in drawn.tolist():
        *before, after = row
        wide += not limits_for_next(before).contains(after)
        plain += not chart_of(before).contains(after)
    assert wide / len(drawn) == pytest.approx(0.0027, abs=0.0016)
    assert plain > 2 * wide


def test_limits_narrow_to_three_sigma() -> None:
    """Of 10,000 values the limits for the next are the handbook's to half a percent, and never the narrower ones."""
    values = np.random.default_rng(3).standard_normal(10_000).tolist()
    assert limits_for_next(values).upper == pytest.approx(chart_of(values).upper, rel=5e-3)
    assert limits_for_next(FLOW).upper > chart_of(FLOW).upper


def test_equal_values_have_the_scatter_of_their_last_digit() -> None:
    """A process that shows one figure all the time is not believed to stand still: the limits keep room for the last digit."""
    assert chart_of([1.0] * 8, least_sigma=0.01).upper == pytest.approx(1.03)


def test_values_in_a_row_on_one_side() -> None:
    """The last ones count, until one lies on the other side or on the centre; too few values make no chart."""
    assert one_side([1.0, -1.0, 2.0, 3.0], 0.0) == 2
    assert one_side([-1.0, -2.0], 0.0) == -2
    assert one_side([1.0, 0.0], 0.0) == 0
    with pytest.raises(ValueError, match="2 values"):
        chart_of([1.0, 2.0])
