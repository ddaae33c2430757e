"""Control limits for a value to come: how often an undisturbed process leaves them, and that they come to the published ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from sequencer.analysis.control import limits_for_next, one_side
from sequencer.statistics.capability import moving_range_dof

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: flow rates of ten batches, limits 55.8041 and 45.8159 (d2 rounded to 1.128)
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_centre_and_scatter_are_the_handbook_s() -> None:
    """NIST 6.3.2.2 prints centre 50.81 and a mean moving range of 1.8778, of which a 1.128th is sigma; the limits are wider than three."""
    limits = limits_for_next(FLOW)
    assert limits.centre == pytest.approx(50.81, abs=5e-3)
    assert limits.sigma == pytest.approx(1.8778 / 1.128, rel=5e-4)
    assert limits.upper > 55.8041
    assert limits.lower < 45.8159
    assert limits.half_width == pytest.approx(limits.upper - 50.81, abs=5e-3)
    assert limits.half_width == pytest.approx(limits.centre - limits.lower)


def test_three_values_are_enough_and_reach_as_far_as_a_prediction_interval() -> None:
    """Student's t times s times the root of 1 + 1/n holds one value to come (Hahn and Meeker, Statistical Intervals, 4.7.1; from memory);
    t from scipy, on the degrees of freedom of two moving ranges.
    """
    limits = limits_for_next([1.0, 2.0, 1.5])
    assert limits.count == 3
    t = stats.t.ppf(1.0 - stats.norm.sf(3.0), moving_range_dof(3))
    assert limits.half_width == pytest.approx(t * limits.sigma * (4.0 / 3.0) ** 0.5, rel=1e-3)


@pytest.mark.parametrize("count", [8, 20])
def test_one_next_value_in_370_lies_outside(count: int) -> None:
    """Three sigma of a normal process are left by 0.27 % of its values (an average run of 370.4: handbook, 6.3.2.3); so are these limits
    by a value to come, where three sigma from so few values are left more often by far.
    """
    drawn = np.random.default_rng(2).standard_normal((6_000, count + 1))
    wide = plain = 0
    for row in drawn.tolist():
        *before, after = row
        limits = limits_for_next(before)
        wide += not limits.contains(after)
        plain += abs(after - limits.centre) > 3.0 * limits.sigma
    assert wide / len(drawn) == pytest.approx(0.0027, abs=0.002)
    assert plain > 2 * wide


def test_limits_narrow_to_three_sigma() -> None:
    """Of 10,000 values the limits are three sigma to half a percent, and never narrower."""
    limits = limits_for_next(np.random.default_rng(3).standard_normal(10_000).tolist())
    assert limits.half_width == pytest.approx(3.0 * limits.sigma, rel=5e-3)
    assert limits.half_width >= 3.0 * limits.sigma


def test_equal_values_have_the_scatter_of_their_last_digit() -> None:
    """A process that shows one figure all the time is not believed to stand still: the limits keep room for the last digit."""
    assert limits_for_next([1.0] * 8, least_sigma=0.01).half_width > 0.03


def test_values_in_a_row_on_one_side() -> None:
    """The last ones count, until one lies on the other side or on the centre; too few values make no limits."""
    assert one_side([1.0, -1.0, 2.0, 3.0], 0.0) == 2
    assert one_side([-1.0, -2.0], 0.0) == -2
    assert one_side([1.0, 0.0], 0.0) == 0
    with pytest.raises(ValueError, match="2 values"):
        limits_for_next([1.0, 2.0])
