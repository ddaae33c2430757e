"""Control charts, against the NIST/SEMATECH e-Handbook, published constants, and the run lengths of Champ and Woodall."""

from __future__ import annotations

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.statistics.chart_constants import chart_constants
from sequencer.statistics.charts import (
    count_chart,
    individuals_and_moving_range,
    means_and_deviations,
    means_and_ranges,
    means_of_groups,
    proportion_chart,
    weighted_means,
)
from sequencer.statistics.run_rules import BEYOND_LIMITS, NELSON, WESTERN_ELECTRIC, find_alarms

# NIST/SEMATECH e-Handbook 6.3.2.2 (individuals), the last ten of 6.3.2.4 (EWMA).
INDIVIDUALS = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
BEFORE = (52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5)


@pytest.mark.parametrize(
    ("n", "d2", "d3", "c4", "a2", "a3", "d_3", "d_4", "b_3", "b_4"),
    [
        (2, 1.12838, 0.85250, 0.797885, 1.880, 2.659, 0.0, 3.267, 0.0, 3.267),
        (3, 1.69257, 0.88837, 0.886227, 1.023, 1.954, 0.0, 2.5746, 0.0, 2.568),
        (5, 2.32593, 0.86408, 0.939986, 0.577, 1.427, 0.0, 2.1145, 0.0, 2.089),
        (7, 2.70436, 0.83321, 0.959369, 0.419, 1.182, 0.076, 1.924, 0.118, 1.882),
        (10, 3.07751, 0.79705, 0.972659, 0.308, 0.975, 0.223, 1.777, 0.284, 1.716),
    ],
)
def test_constants_are_the_published_ones(n, d2, d3, c4, a2, a3, d_3, d_4, b_3, b_4):
    """ISO 7870-2 and NIST/SEMATECH 6.3.2 print them; D4 at 3 and 5 in full, as some tables have them wrong in the last digit."""
    found = chart_constants(n)
    assert (found.d2, found.d3) == pytest.approx((d2, d3), abs=6e-6)
    assert found.c4 == pytest.approx(c4, abs=6e-7)
    assert (found.a2, found.a3) == pytest.approx((a2, a3), abs=6e-4)
    assert found.range_limits == pytest.approx((d_3, d_4), abs=6e-4)
    assert found.deviation_limits == pytest.approx((b_3, b_4), abs=6e-4)


@pytest.mark.parametrize("n", [1, 0, 101])
def test_a_sample_without_a_chart_is_refused(n):
    """The complaint says which sizes have one."""
    with pytest.raises(ValueError, match="2 to 100"):
        chart_constants(n)


def test_individuals_of_the_nist_handbook():
    """NIST/SEMATECH 6.3.2.2: centre 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 with d2 rounded to 1.128."""
    pair = individuals_and_moving_range(INDIVIDUALS)
    assert pair.location.centre == pytest.approx(50.81)
    assert pair.spread.centre == pytest.approx(1.8778, abs=5e-5)
    assert pair.location.upper[0] == pytest.approx(50.81 + 3 * 1.87778 / 1.128379, abs=1e-3)
    assert pair.location.upper[0] == pytest.approx(55.8041, abs=2e-3)
    assert pair.location.lower[0] == pytest.approx(45.8159, abs=2e-3)
    assert pair.spread.upper[0] == pytest.approx(6.1347, abs=1e-3)  # 6.1339 with D4 unrounded
    assert pair.spread.lower[0] == 0.0
    assert pair.location.outside == ()
    assert len(pair.spread.points) == len(INDIVIDUALS) - 1


def test_ewma_of_the_nist_handbook():
    """NIST/SEMATECH 6.3.2.4: target 50, weight 0.3; twenty weighted means."""
    means = weighted_means((*BEFORE, *INDIVIDUALS), start=50.0, weight=0.3)
    printed = "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99"
    assert means == pytest.approx([float(one) for one in printed.split()], abs=0.0051)


def test_means_and_ranges_follow_the_constants():
    """X-bar and R by their definition (NIST/SEMATECH 6.3.2.1), on twelve samples of five, worked out here by other means."""
    samples = np.random.default_rng(4).normal(74.0, 0.01, (12, 5))
    pair = means_and_ranges(samples.tolist())
    mean_range = float((samples.max(axis=1) - samples.min(axis=1)).mean())
    assert pair.sigma == pytest.approx(mean_range / 2.32593, rel=1e-5)
    assert pair.location.upper[3] == pytest.approx(samples.mean() + 0.5768 * mean_range, abs=1e-6)
    assert pair.spread.upper[3] == pytest.approx(2.1145 * mean_range, rel=1e-4)
    other = means_and_deviations(samples.tolist())
    assert other.sigma == pytest.approx(float(samples.std(axis=1, ddof=1).mean()) / 0.939986, rel=1e-5)
    assert other.location.lower[0] == pytest.approx(samples.mean() - 1.4273 * other.spread.centre, abs=2e-6)
    assert other.spread.lower[0] == 0.0
    assert other.spread.upper[0] == pytest.approx(2.089 * other.spread.centre, rel=3e-4)


def test_shares_and_counts():
    """p = 12 of 400: limits .03 +- 3 sqrt(.03 x .97 / n), none below 0; c = 16: 4 to 28 (arithmetic; NIST/SEMATECH 6.3.3)."""
    chart = proportion_chart([3, 3, 6], [100, 100, 200])
    assert chart.centre == pytest.approx(0.03)
    assert chart.upper == pytest.approx((0.0811762, 0.0811762, 0.0661864), abs=1e-6)
    assert chart.lower == (0.0, 0.0, 0.0)
    assert proportion_chart([3, 3, 60], [100, 100, 200]).outside == (0, 1, 2)
    counts = count_chart([16, 12, 20, 29, 3])
    assert (counts.centre, counts.lower[0], counts.upper[0]) == (16.0, 4.0, 28.0)
    assert counts.outside == (3, 4)


@pytest.mark.parametrize(
    "made",
    [
        lambda: individuals_and_moving_range([1.0]),
        lambda: individuals_and_moving_range([1.0, float("nan")]),
        lambda: means_and_ranges([[1.0, 2.0]]),
        lambda: means_and_ranges([[1.0, 2.0], [1.0, 2.0, 3.0]]),
        lambda: proportion_chart([], []),
        lambda: proportion_chart([5], [4]),
        lambda: count_chart([]),
        lambda: count_chart([-1]),
        lambda: weighted_means([1.0], start=0.0, weight=0.0),
    ],
)
def test_what_makes_no_chart_is_refused(made):
    """Too few values, values that are none, samples of several sizes."""
    with pytest.raises(ValueError, match=r"needed|needs|finite|above 0"):
        made()


def test_values_all_alike_have_no_width_and_no_alarm():
    """A chart without width does not divide by it."""
    pair = individuals_and_moving_range([5.0] * 8)
    assert pair.location.scaled == (0.0,) * 8
    assert pair.location.outside == ()


def _names(points):
    return {alarm.rule for alarm in find_alarms(points, NELSON)}


@pytest.mark.parametrize(
    ("points", "rule", "at"),
    [
        ([0.0, 3.1], "one point beyond 3 sigma", 1),
        ([0.5] * 9, "nine in a row on one side", 8),
        ([-1.0, -0.6, -0.3, 0.2, 0.5, 0.9], "six in a row rising or falling", 5),
        ([0.1, -0.1] * 7, "fourteen in a row alternating up and down", 13),
        ([2.1, 0.0, 2.1], "two of three beyond 2 sigma on one side", 2),
        ([-1.1, -1.1, 0.0, -1.1, -1.1], "four of five beyond 1 sigma on one side", 4),
        ([0.5, -0.4, -0.5, 0.5] * 4, "fifteen in a row within 1 sigma", 14),
        ([1.2, -1.3, 1.2, 1.4, -1.2, -1.5, 1.2, -1.2], "eight in a row beyond 1 sigma on either side", 7),
    ],
)
def test_each_rule_sees_its_pattern_and_not_a_shorter_one(points, rule, at):
    """The patterns as Nelson states them (Journal of Quality Technology 16, 1984)."""
    found = [alarm for alarm in find_alarms(points, NELSON) if alarm.rule == rule]
    assert found[0].at == at
    assert rule not in _names(points[:at])


def test_two_points_on_opposite_sides_are_no_pattern():
    """And a rule speaks at the point that completes it, not at a quiet one after it."""
    assert _names([2.1, 0.0, -2.1]) == set()
    assert _names([2.1, 2.1, 0.0, 0.0]) == {"two of three beyond 2 sigma on one side"}
    assert [alarm.at for alarm in find_alarms([2.1, 2.1, 0.0], NELSON)] == [1]


def test_eight_on_one_side_is_the_western_electric_rule():
    """Seven are not enough, and the ninth is told too."""
    assert [alarm.at for alarm in find_alarms([0.1] * 9, WESTERN_ELECTRIC)] == [7, 8]
    assert find_alarms([0.1] * 7, WESTERN_ELECTRIC) == ()


@pytest.mark.parametrize(("rules", "published"), [((BEYOND_LIMITS,), 370.4), (WESTERN_ELECTRIC, 91.75)])
def test_run_length_of_an_undisturbed_process(rules, published):
    """Mean points to the first alarm: 370.4 by the limits, 91.75 by the four Western Electric rules (Champ and Woodall, 1987).

    The standard error is the mean over the root of their number, as run lengths are nearly geometric.
    """
    random = np.random.default_rng(20261127)
    runs = 400 if len(rules) == 1 else 800
    lengths = []
    longest = max(rule.length for rule in rules)
    for _ in range(runs):
        window: list[float] = []
        count = 0
        alarmed = False
        while not alarmed:
            for point in random.standard_normal(64).tolist():
                window = [*window[-(longest - 1) :], point] if longest > 1 else [point]
                count += 1
                if any(rule.is_broken(window) for rule in rules):
                    alarmed = True
                    break
        lengths.append(count)
    assert statistics.fmean(lengths) == pytest.approx(published, rel=4.0 / runs**0.5)


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40), st.floats(-1e3, 1e3), st.floats(0.1, 10.0))
def test_a_chart_moves_and_scales_with_its_values(values, shift, scale):
    """Units do not matter: the same values in another unit give the same chart in that unit."""
    one = individuals_and_moving_range(values)
    other = individuals_and_moving_range([scale * value + shift for value in values])
    assert other.location.centre == pytest.approx(scale * one.location.centre + shift, abs=1e-6 * scale * 1e3)
    assert other.sigma == pytest.approx(scale * one.sigma, rel=1e-9, abs=1e-6)


def test_means_of_groups_of_several_sizes_have_limits_of_their_own():
    """Simulated: of an undisturbed normal process one mean in 370 lies outside, whatever the sizes; three groups by hand."""
    chart = means_of_groups([(1.0, 3.0), (2.0, 4.0, 6.0), (5.0, 5.0)])
    # squares within: 2, 8, 0 on 1 + 2 + 1 degrees of freedom: s = sqrt(10 / 4); c4(5) = .939986 (table 4.2 of ISO 7870-2)
    sigma = (10.0 / 4.0) ** 0.5 / 0.939986
    assert chart.points == (2.0, 4.0, 5.0)
    assert chart.centre == pytest.approx(26.0 / 7.0)
    for at, size in enumerate((2, 3, 2)):
        assert chart.upper[at] - chart.centre == pytest.approx(3.0 * sigma / size**0.5, rel=1e-5)
    rng = np.random.default_rng(4)
    outside = total = 0
    for _ in range(200):
        groups = [rng.normal(10.0, 2.0, size).tolist() for size in rng.integers(2, 9, 40)]
        found = means_of_groups(groups)
        outside, total = outside + len(found.outside), total + len(groups)
    assert 0.5 < outside / (total * 0.0027) < 1.7
    with pytest.raises(ValueError, match="two or more samples"):
        means_of_groups([(1.0, 2.0)])
