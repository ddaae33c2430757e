"""How likely a reading is: against scipy's distributions, cell by cell."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from sequencer.search.curve_belief import Believer, Expected
from sequencer.search.curve_family import Family, fm_family, meter_family, ratio_family
from sequencer.search.curve_likelihood import (
    LOWER_DOUBT,
    PARTLY,
    Point,
    Tables,
    log_likelihood,
    log_without,
    with_and_without_click,
)

GAINS = np.array([0.75, 1.1, 1.7], np.float32)
LEVELS = np.array([-2.0, -0.63, 0.0, 0.37, 4.0])
METER = meter_family(target=2.25, unit_per_db=0.04, doubt=0.25)
RATIO = ratio_family(target_db=12.0, slope=1.0, slope_sd=0.25, relative=0.07)
STRAY_DENSITY = 0.03 / 60.0  # of 3 % of readings, evenly over 60 dB: the model's own assumption
NEPER_DB = 10 / math.log(10)


def weighed(family: Family, point: Point, step: float = 0.0) -> tuple[Any, Any]:
    """Return log likelihood and probability of a stray for every curve."""
    at = Tables(family, np.arange(len(family))).at(point.level_db, LEVELS)
    return log_likelihood(family, point, at, step=step, gains=GAINS)


def tabulated(table: Any, level_db: float) -> Any:
    """Interpolate a family's table at each of LEVELS (levels, curves): numpy's own interpolation."""
    return np.array([np.interp(level_db - LEVELS, METER.x_db, row) for row in table]).T


POINT = Point(level_db=0.4, excess=0.03, reading_s=0.4, lag_sd=0.01, lag_sd_db=0.2, gain=1.5)


@pytest.mark.parametrize("step", [0.0, 0.05])
def test_a_meters_reading_is_normal_with_a_share_of_strays(step: float) -> None:
    """Against scipy.stats.norm: the variance is the sum of scatter (less in a longer reading, more by working out the lag), of doubt about
    the curve and the lag, and of a step's even distribution (step²/12, GUM 4.3.7; from memory).
    """
    log_like, stray = weighed(METER, POINT, step)
    expected, slope = tabulated(METER.excess, 0.4), tabulated(METER.slope, 0.4)
    scatter = tabulated(METER.scatter, 0.4) * 1.5 * math.sqrt(0.1 / 0.4)
    fixed = tabulated(METER.doubt, 0.4) ** 2 + step**2 / 12 + (0.2 * slope) ** 2 + 0.01**2
    for g, gain in enumerate(GAINS):
        sd = np.sqrt((gain * scatter) ** 2 + fixed)
        sound = 0.97 * stats.norm(expected, sd).pdf(0.03)
        either = sound + STRAY_DENSITY / METER.scale
        assert log_like[g] == pytest.approx(np.log(either), abs=2e-3)
        assert stray[g] == pytest.approx(1 - sound / either, abs=2e-3)


def test_a_power_ratio_scatters_as_the_power_of_its_noise_does() -> None:
    """Against scipy.stats.loggamma: an average of noise powers follows the gamma law, and its logarithm is what a reading in dB shows. With
    as many powers averaged as the scatter of 7 % asks for, both agree as Stirling's formula does.
    """
    for excess in (-1.0, 0.0, 0.6):
        point = Point(level_db=0.0, excess=excess, reading_s=0.1)
        log_like, stray = weighed(RATIO, point)
        k, row = int(np.argmax(RATIO.log_weight)), 2  # at x = 0 no curve is in doubt
        share, scatter = RATIO.share[k, 400], RATIO.scatter[k, 400]
        own = math.hypot(GAINS[1] * scatter, 0.03 / (NEPER_DB * share))
        count = 1 / own**2
        neper = -(excess - RATIO.excess[k, 400]) / (NEPER_DB * share)
        density = stats.loggamma(count).pdf(neper + math.log(count)) / (NEPER_DB * share)
        either = 0.97 * density + STRAY_DENSITY / RATIO.scale
        assert log_like[1, row, k] == pytest.approx(math.log(either), abs=0.02)
        assert stray[1, row, k] == pytest.approx(1 - 0.97 * density / either, abs=0.01)


def test_a_ratio_read_high_is_likelier_than_one_read_as_much_too_low() -> None:
    """The logarithm of an averaged power has its long tail downwards (skewness of scipy's loggamma), so that a ratio has one upwards."""
    assert stats.loggamma(100.0).stats("s") < 0
    low, high = (
        weighed(RATIO, Point(level_db=0.0, excess=excess, reading_s=0.1))[0][1, 2] for excess in (-1.2, 1.2)
    )
    assert (low <= high).all()
    assert low[0] < high[0] - 0.5


def test_a_curve_in_doubt_away_from_the_crossing_is_believed_less() -> None:
    """Of a ratio's curve, too: far off the crossing a reading beside the curve is less of a surprise than if the table were exact."""
    sure = replace(RATIO, doubt=np.zeros_like(RATIO.doubt))
    point = Point(level_db=-4.0, excess=float(RATIO.excess[0, 360]) + 0.5, reading_s=1.0)
    assert weighed(RATIO, point)[0][1, 2, 0] > weighed(sure, point)[0][1, 2, 0] + 1.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_reading_beyond_the_range_says_on_which_side_it_is(sign: float) -> None:
    """Over range is likely where the curve is above the target and under range where it is below; never quite sure: between 2 and 98 %."""
    log_like, stray = weighed(METER, Point(level_db=0.0, excess=sign * math.inf, reading_s=0.1))
    expected = np.array([np.interp(0.0 - LEVELS, METER.x_db, row) for row in METER.excess]).T
    logistic = stats.logistic(scale=METER.scale).cdf(sign * expected)
    assert log_like[0] == pytest.approx(np.log(0.02 + 0.96 * logistic), abs=1e-3)
    assert stray is None


def test_a_reading_below_the_range_far_above_the_crossing_is_no_overflow() -> None:
    """The steepest curve stands a hundred times the usual slope above the target there (a warning would fail the test)."""
    log_like, _ = weighed(METER, Point(level_db=60.0, excess=-math.inf, reading_s=0.1))
    steepest = int(np.argmax(METER.excess[:, -1]))
    assert METER.excess[steepest, -1] > 88 * METER.scale
    assert log_like[0, :, steepest] == pytest.approx([math.log(0.02)] * 5)


def test_a_reading_that_does_not_count_says_nothing_of_level_or_curve() -> None:
    """Every cell alike, as likely as a stray that is certain: one in 60 dB."""
    log_like, stray = weighed(METER, replace(POINT, counts=False))
    assert log_like == pytest.approx(np.full((1, 5, len(METER)), -math.log(60.0 * METER.scale)))
    assert stray is None


def test_a_level_beyond_the_table_is_taken_at_its_end() -> None:
    """100 dB above, and 100 dB below, the crossing nothing is extrapolated."""
    tables = Tables(METER, np.array([3, 5]))
    for level_db, end in ((100.0, -1), (-100.0, 0)):
        excess = tables.at(level_db, np.array([0.0]))[0]
        assert excess[0] == pytest.approx(METER.excess[[3, 5], end], rel=1e-3)


def test_what_follows_nothing_is_weighed_with_its_mean_and_scatter_open() -> None:
    """Against scipy, by adding up: means from -20 to 40 dB (nearer nought likelier), nine scatters, the same in long readings or less
    by the root of their length, 3 % strays; a reading out of range is passed over, and a coarse step widens every scatter.
    """
    scale, step, readings = 0.04, 0.02, [(0.1, 0.1), (0.14, 1.0), (0.4, 0.25)]
    mean = np.arange(-20.0, 40.0, 0.25) * scale
    weight = np.exp(-0.5 * (mean / (8.0 * scale)) ** 2) + 0.1
    likely = np.zeros(len(mean))
    for scatter in (0.03, 0.1, 0.25, 0.5, 1.0, 1.5, 2.2, 3.2, 4.5):
        for power in (0.0, 0.5):
            each = []
            for one, reading_s in readings:
                sd = np.hypot(scatter * scale * (0.1 / reading_s) ** power, 0.07 * scale + step / 3.5)
                each.append(0.97 * stats.norm(mean, sd).pdf(one) + STRAY_DENSITY / scale)
            likely += np.prod(each, axis=0) / 18
    points = [
        Point(level_db=0.0, excess=one, reading_s=read_s) for one, read_s in (*readings, (math.inf, 0.1))
    ]
    told = log_without(points, scale=scale, step=step)
    assert told == pytest.approx(math.log(float(likely @ weight / weight.sum())), abs=1e-9)


def test_before_any_number_nothing_is_said() -> None:
    """Of readings out of range alone the likelihood is 1."""
    assert log_without([Point(level_db=0.0, excess=math.inf, reading_s=0.1)], scale=1.0, step=0.0) == (
        pytest.approx(0.0, abs=1e-12)
    )


# Readings (level less the crossing, dB; s; SINAD less 12 dB) of a de-emphasised receiver of 9 kHz at 1300 Hz, from simulated waveforms
# (tests/benchmarks/receivers.py): no click came while they were read.
WITHOUT_CLICKS = (
    ((11.2, 0.1, 11.0), (1.0, 0.1, 1.4), (0.0, 0.15, 0.4), (-0.3, 0.1, 0.1)),
    ((19.0, 0.1, 18.8), (2.6, 0.1, 3.2), (0.5, 0.2, 1.1), (-0.4, 0.1, 0.1), (-0.4, 0.1, -0.1)),
    ((19.7, 0.1, 16.5), (5.1, 0.1, 5.4), (1.0, 0.1, 1.3), (0.0, 0.1, 0.5), (-0.3, 0.1, 0.2)),
)


@pytest.mark.parametrize("readings", WITHOUT_CLICKS)
def test_readings_without_a_click_do_not_rule_out_a_receiver_that_clicks_now_and_then(
    readings: tuple[tuple[float, float, float], ...],
) -> None:
    """They agree as closely as those of a receiver without de-emphasis, which was told: the interval holds the crossing all the same."""
    family = fm_family(
        deviation_hz=1300.0, deemphasis=False, bandwidth_hz=None, tone_hz=1000.0, target_db=12.0
    )
    believer = Believer(family, (-60.0, 60.0), Expected(level_db=4.0, sd_db=5.0), 0.0)
    points = [Point(level_db=at, excess=excess, reading_s=read_s) for at, read_s, excess in readings]
    believed = believer.believe([(1.0, points)])
    assert believed.quantiles_db[0] < 0.0 < believed.quantiles_db[4]
    assert believed.half_width_db < 0.5


def test_with_and_without_clicks_the_noise_has_the_mean_and_the_scatter_of_both() -> None:
    """Against scipy's Poisson law for the chance of none, and the law of total variance, for rare clicks and long readings alike."""
    lower, scatter, rate = np.array([0.1, 0.4, 1.0]), np.full(3, 0.1), np.array([0.5, 2.0, 5.0])
    point = Point(level_db=0.0, excess=0.0, reading_s=0.3)
    none, some = with_and_without_click(point, np.full(3, 0.3), [lower, scatter, rate])
    assert none[0] == pytest.approx(stats.poisson(rate * 0.3).pmf(0))
    assert none[0] + some[0] == pytest.approx(np.ones(3))
    means = [np.exp(neper) for _, neper, _ in (none, some)]
    assert none[0] * means[0] + some[0] * means[1] == pytest.approx(np.ones(3))
    within = sum(chance * variance * np.exp(2 * neper) for chance, neper, variance in (none, some))
    between = sum(chance * (mean - 1) ** 2 for (chance, _, _), mean in zip((none, some), means, strict=True))
    doubt = none[0] * (LOWER_DOUBT * PARTLY * lower * means[0]) ** 2  # of the model, beside the scatter
    assert within + between - doubt == pytest.approx(np.full(3, 0.3), rel=1e-6)
