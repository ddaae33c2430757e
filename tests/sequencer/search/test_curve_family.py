"""The curves of a family: against the closed forms that they are made of, and what weight each has."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import special

from sequencer.search.curve_family import (
    BANDWIDTHS_HZ,
    BENDS,
    CEILINGS_DB,
    STEEPNESS,
    fm_family,
    meter_family,
    ratio_family,
)
from sequencer.search.fm_sinad import FmCurve

METER = meter_family(target=2.25, unit_per_db=0.04, doubt=0.25)
RATIO = ratio_family(target_db=12.0, slope=1.0, slope_sd=0.25, relative=0.07)
FM = fm_family(deviation_hz=1800.0, deemphasis=True, bandwidth_hz=None, tone_hz=1000.0, target_db=12.0)
STRAIGHT = [k for k in range(len(METER)) if k % len(BENDS) == 0]


def at(family: Any, table: Any, x_db: float) -> Any:
    """Return a table's column at x."""
    return table[:, round((x_db - family.x_db[0]) * 10)]


def test_the_axis_is_forty_decibels_to_either_side_in_tenths() -> None:
    """801 points, the crossing in the middle."""
    assert METER.x_db == pytest.approx(np.linspace(-40.0, 40.0, 801), abs=1e-9)
    assert METER.excess.shape == METER.slope.shape == METER.scatter.shape == (len(METER), 801)
    assert len(METER) == len(BENDS) * len(STEEPNESS)


def test_a_straight_meter_has_its_slope_and_rests_at_nought() -> None:
    """Of a law without a bend: the slope told, times e to so many doubts; 2.25 V below its target a meter shows nothing, however far."""
    told = [0.04 * math.exp(0.25 * deviate) for deviate, _ in STEEPNESS]
    assert at(METER, METER.slope, 0.0)[STRAIGHT] == pytest.approx(told, rel=1e-4)
    assert at(METER, METER.excess, 10.0)[STRAIGHT] == pytest.approx([10.0 * one for one in told], rel=1e-4)
    assert METER.excess.min() == pytest.approx(-2.25)
    assert at(METER, METER.slope, -40.0)[STRAIGHT[-1]] == 0.0
    # 0.35 dB of a 0.1 s reading, and of the curve 6 % of the distance but 1.5 dB at the most
    assert at(METER, METER.scatter, 3.0)[STRAIGHT] == pytest.approx([0.35 * one for one in told], rel=1e-4)
    assert at(METER, METER.doubt, -10.0)[STRAIGHT] == pytest.approx([0.6 * one for one in told], rel=1e-4)
    assert at(METER, METER.doubt, 40.0)[STRAIGHT] == pytest.approx([1.5 * one for one in told], rel=1e-4)
    assert METER.share == pytest.approx(np.ones_like(METER.share))


@pytest.mark.parametrize(
    ("at_db", "ratio"), [(at_db, ratio) for at_db, ratio, _ in BENDS if at_db is not None]
)
def test_a_bent_meter_has_one_slope_below_and_another_above(at_db: float, ratio: float) -> None:
    """2 dB from the bend on, which is rounded over about 1 dB; the target is met all the same."""
    k = STRAIGHT[3] + [(a, b) for a, b, _ in BENDS].index((at_db, ratio))
    assert at(METER, METER.slope, round(at_db - 2.0, 1))[k] == pytest.approx(0.04, rel=0.02)
    assert at(METER, METER.slope, round(at_db + 2.0, 1))[k] == pytest.approx(0.04 * ratio, rel=0.02)
    assert at(METER, METER.slope, at_db)[k] == pytest.approx(0.04 * (1 + ratio) / 2, rel=0.02)
    assert at(METER, METER.excess, 0.0)[k] == pytest.approx(0.0, abs=1e-6)


def test_the_weight_of_a_meter_is_that_of_its_slope_times_that_of_its_bend() -> None:
    """And the typical slope is their mean at the crossing."""
    weights = np.outer([one for _, one in STEEPNESS], [one for _, _, one in BENDS])
    assert np.exp(METER.log_weight).reshape(weights.shape) == pytest.approx(weights / weights.sum())
    slopes = at(METER, METER.slope, 0.0)
    assert pytest.approx(float(np.exp(METER.log_weight) @ slopes), rel=1e-5) == METER.scale
    told = METER.summary()
    assert told.slope == pytest.approx(METER.scale, rel=1e-5)
    assert told.slope_sd == pytest.approx(
        math.sqrt(np.cov(slopes, aweights=np.exp(METER.log_weight), ddof=0))
    )
    scatter = float(np.exp(METER.log_weight) @ at(METER, METER.scatter, 0.0))
    assert told.sd_db == pytest.approx(scatter / METER.scale, rel=1e-4)
    assert not told.ratio_db


def test_a_meters_laws_are_a_distribution() -> None:
    """Weights make 1; a meter grows flatter above its bend, never steeper; as many are steeper than told as are less steep."""
    assert sum(weight for _, weight in STEEPNESS) == pytest.approx(1.0)
    assert sum(weight for _, _, weight in BENDS) == pytest.approx(1.0)
    assert all(0.15 < ratio <= 1.0 for _, ratio, _ in BENDS)
    deviates = [deviate for deviate, _ in STEEPNESS]
    assert deviates == sorted(deviates)
    assert sum(deviate * weight for deviate, weight in STEEPNESS) == pytest.approx(0.0, abs=0.02)
    assert sum(deviate**2 * weight for deviate, weight in STEEPNESS) == pytest.approx(2.0, abs=0.5)


def test_a_ratio_rises_a_decibel_a_decibel_under_its_ceiling() -> None:
    """(S+N)/N of signal over noise that rises by ``slope`` dB a dB, with distortion that ends it: 10 lg(1 + 1/(noise + ceiling))."""
    steep, ceiling = 2, 0  # the slope told, and the highest ceiling
    k = steep * len(CEILINGS_DB) + ceiling
    noise = 1 / (10**1.2 - 1) - 10**-4.5  # beside the ceiling, at 12 dB of (S+N)/N
    for x_db in (-20.0, -3.0, 0.0, 5.0, 25.0):
        reading = 10 * math.log10(1 + 1 / (noise * 10 ** (-x_db / 10) + 10**-4.5))
        assert at(RATIO, RATIO.excess, x_db)[k] == pytest.approx(reading - 12.0, abs=0.02)
        own = noise * 10 ** (-x_db / 10)
        assert at(RATIO, RATIO.scatter, x_db)[k] == pytest.approx(0.07 * own / (own + 10**-4.5), rel=0.02)
        ratio = 10 ** (reading / 10) - 1
        assert at(RATIO, RATIO.share, x_db)[k] == pytest.approx(max(0.05, ratio / (1 + ratio)), rel=0.01)


def test_of_a_ratios_curve_a_tenth_of_the_distance_is_in_doubt_and_the_plateau_more() -> None:
    """A tenth of x, 1 dB at the most, times the slope (0.2 at the least); 15 % of what is more than 6 dB above the target."""
    excess = RATIO.excess.astype(float)
    slope = np.maximum(np.abs(np.gradient(excess, 0.1, axis=1)), 0.2)
    doubt = np.minimum(0.1 * np.abs(RATIO.x_db), 1.0) * slope
    plateau = 0.15 * np.maximum(excess - 6.0, 0.0)
    assert pytest.approx(np.sqrt(doubt**2 + plateau**2), abs=2e-3) == RATIO.doubt


def test_every_ceiling_above_the_target_is_there_with_its_weight() -> None:
    """At 12 dB all of them, at 13.4 dB those from 14.8 dB on; a receiver with the lowest ends 0.6 dB above the target."""
    weights = np.exp(RATIO.log_weight).reshape(5, len(CEILINGS_DB))
    assert weights.sum(axis=0) == pytest.approx([one for _, one in CEILINGS_DB])
    assert weights.sum(axis=1) == pytest.approx([0.2, 0.2, 0.25, 0.2, 0.15])
    ends = 10 * np.log10(1 + 10 ** (np.array([one for one, _ in CEILINGS_DB]) / 10)) - 12.0
    assert at(RATIO, RATIO.excess, 40.0)[-len(CEILINGS_DB) :] == pytest.approx(ends, abs=0.05)
    fewer = ratio_family(target_db=13.4, slope=1.0, slope_sd=0.25, relative=0.07)
    assert len(fewer) == 5 * sum(one >= 13.9 for one, _ in CEILINGS_DB)
    assert fewer.sure_odds == RATIO.sure_odds == math.log(2000.0)


def test_a_ratios_slope_is_doubtful_and_told_in_decibels() -> None:
    """Five slopes from 0.65 to 1.4 times the one told; the scatter, 7 % of the noise's power, counts in dB of level."""
    slopes = at(RATIO, RATIO.slope, 0.0).reshape(5, len(CEILINGS_DB))[:, 0]
    assert slopes / slopes[2] == pytest.approx([0.65, 0.85, 1.0, 1.15, 1.4], rel=0.01)
    told, weights = RATIO.summary(), np.exp(RATIO.log_weight)
    scatter = float(weights @ at(RATIO, RATIO.scatter, 0.0)) * 10 / math.log(10)
    assert told.sd_db == pytest.approx(scatter / told.slope, rel=1e-3)
    assert told.ratio_db


def test_receivers_of_each_bandwidth_with_and_without_deemphasis() -> None:
    """Three quarters of the weight have the de-emphasis told; bandwidths as listed. A stated one is doubtful by an eighth."""
    weights = np.exp(FM.log_weight).reshape(len(BANDWIDTHS_HZ), 2, len(CEILINGS_DB))
    assert weights.sum(axis=(1, 2)) == pytest.approx([one for _, one in BANDWIDTHS_HZ])
    assert weights.sum(axis=(0, 2)) == pytest.approx([0.75, 0.25])
    without = fm_family(
        deviation_hz=1800.0, deemphasis=False, bandwidth_hz=9000.0, tone_hz=1000.0, target_db=12.0
    )
    weights = np.exp(without.log_weight).reshape(3, 2, len(CEILINGS_DB))
    assert weights.sum(axis=(1, 2)) == pytest.approx([0.2, 0.6, 0.2])
    assert weights.sum(axis=(0, 2)) == pytest.approx([0.25, 0.75])
    assert FM.sure_odds == pytest.approx(math.log(600.0))
    assert FM.ratio


@pytest.mark.parametrize("deemphasis", [True, False])
def test_the_other_deemphasis_weighs_a_quarter_and_may_weigh_a_half(deemphasis: bool) -> None:
    """Of curves that differ from those told otherwise in nothing but their weight."""
    told, otherwise = (
        fm_family(deviation_hz=1800.0, deemphasis=one, bandwidth_hz=None, tone_hz=1000.0, target_db=12.0)
        for one in (deemphasis, not deemphasis)
    )
    assert np.array_equal(told.excess, otherwise.excess)
    other = told.log_weight < otherwise.log_weight
    weight = np.exp(told.log_weight)
    assert told.stated_weight is not None
    assert weight[other].sum() == pytest.approx(0.25)
    assert (weight * told.stated_weight)[other].sum() == pytest.approx(0.5)
    assert (weight * told.stated_weight).sum() == pytest.approx(1.0)
    assert METER.stated_weight is None
    assert RATIO.stated_weight is None


@pytest.mark.parametrize("deemphasis", [True, False])
def test_an_fm_receiver_without_distortion_reads_as_its_closed_form(deemphasis: bool) -> None:
    """Under the highest ceiling, 45 dB, a curve is SINAD of the discriminator, shifted to its crossing."""
    curve = FmCurve(
        deviation_hz=1800.0,
        deemphasis=deemphasis,
        bandwidth_hz=9000.0,
        tone_hz=1000.0,
        audio_band_hz=(300.0, 3000.0),
    )
    crossing_db = curve.level_at(12.0)
    k = (2 * 2 + (0 if deemphasis else 1)) * len(CEILINGS_DB)
    for x_db in (-6.0, -1.0, 0.0, 3.0, 8.0):
        noise = 1 / (10 ** (curve.sinad_db(crossing_db + x_db) / 10) - 1) + 10**-4.5
        assert at(FM, FM.excess, x_db)[k] == pytest.approx(10 * math.log10(1 + 1 / noise) - 12.0, abs=0.03)
    scatter = at(FM, FM.scatter, 0.0)[k] * at(FM, FM.share, 0.0)[k] * 10 / math.log(10)
    assert scatter == pytest.approx(curve.sd_db(crossing_db, 0.1), rel=0.02)


def test_the_error_functions_of_the_clicks_are_scipys() -> None:
    """The rate of clicks of a carrier that swings, against Rice's formula with scipy's erf and erfc, also where they are 0 and 1."""
    curve = FmCurve(
        deviation_hz=1800.0,
        deemphasis=True,
        bandwidth_hz=9000.0,
        tone_hz=1000.0,
        audio_band_hz=(300.0, 3000.0),
    )
    density_db = np.array([30.0, 38.0, 42.0, 55.0, 70.0])
    rate = curve._powers(density_db)[-1]
    rho, radius = 10 ** (density_db / 10) / 9000.0, 9000.0 / math.sqrt(12)
    swing = np.abs(1800.0 * np.cos(np.linspace(0.0, np.pi, 2001)))[:, None]
    clicks = np.hypot(radius, swing) * special.erfc(np.sqrt(rho * (1 + (swing / radius) ** 2)))
    clicks += swing * np.exp(-rho) * special.erf(swing / radius * np.sqrt(rho))
    assert rate == pytest.approx(clicks.mean(axis=0), rel=1e-2, abs=1e-12)
