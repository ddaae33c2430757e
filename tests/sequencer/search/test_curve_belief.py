"""What is believed after some readings: against the same weighing done plainly, cell by cell, with scipy's distributions."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from sequencer.search.curve_belief import ALONE_GAIN, Believer, Expected
from sequencer.search.curve_family import Family, ratio_family
from sequencer.search.curve_likelihood import Point, log_without

WINDOW_DB = (-20.0, 20.0)
EXPECTED = Expected(level_db=1.0, sd_db=4.0, anywhere=0.3)
SPAN_DB = (-45.0, 45.0)


def two_lines(log_weight: tuple[float, float] = (math.log(0.7), math.log(0.3)), bend: float = 0.8) -> Family:
    """Two meters: one rises by 2 V a dB, the other by 3 below the crossing and ``bend`` times that above."""
    x_db = np.arange(-40.0, 40.05, 0.1)
    second = np.where(x_db < 0, 3.0 * x_db, 3.0 * bend * x_db)
    excess = np.array([2.0 * x_db, second])
    slope = np.array([np.full_like(x_db, 2.0), np.where(x_db < -0.05, 3.0, 3.0 * bend)])
    flat = np.ones_like(excess)
    return Family(
        x_db=x_db,
        excess=excess.astype(np.float32),
        slope=slope.astype(np.float32),
        scatter=(0.7 * flat).astype(np.float32),
        share=flat.astype(np.float32),
        doubt=(0.2 * flat).astype(np.float32),
        log_weight=np.array(log_weight),
        ratio=False,
        scale=2.3,
    )


FAMILY = two_lines()
RATIO = ratio_family(target_db=12.0, slope=1.0, slope_sd=0.25, relative=0.07)


@dataclass
class Plain:
    """The same belief without any grid that follows: every level in hundredths of a dB, one cell after the other."""

    by_level: Any
    by_curve: Any
    by_gain: Any
    log_total: float
    trust: list[float]
    levels: Any

    def quantile(self, share: float) -> float:
        """Return the level below which it lies with this probability."""
        return float(np.interp(share, np.cumsum(self.by_level), self.levels + 0.005))


def plainly(family: Family, sets: Any, expected: Expected | None = EXPECTED) -> Plain:
    """Weigh by adding up."""
    levels = np.arange(SPAN_DB[0], SPAN_DB[1], 0.01)
    prior = np.full_like(levels, 1 / 90.0)
    if expected:
        peak = stats.norm(expected.level_db, expected.sd_db).pdf(levels)
        prior = (1 - expected.anywhere) * peak + expected.anywhere / 90.0
    alone = all(len(points) < 2 for _, points in sets)
    gains = ALONE_GAIN if alone else family.gains
    post = np.zeros((len(sets), len(family), len(gains), len(levels)))
    sound = np.zeros((len(sets[0][1]), *post.shape))
    for s, (weight, points) in enumerate(sets):
        for k in range(len(family)):
            for g, (gain, gain_weight) in enumerate(gains):
                cell = weight * gain_weight * math.exp(family.log_weight[k]) * prior * 0.01
                for n, point in enumerate(points):
                    expects = np.interp(point.level_db - levels, family.x_db, family.excess[k])
                    sd = math.hypot(gain * 0.7 * math.sqrt(0.1 / point.reading_s), 0.2)
                    likely = 0.97 * stats.norm(expects, sd).pdf(point.excess)
                    stray = 0.03 / (60.0 * family.scale)
                    cell = cell * (likely + stray)
                    sound[n, s, k, g] = likely / (likely + stray)
                post[s, k, g] = cell
    total = post.sum()
    post /= total
    return Plain(
        by_level=post.sum(axis=(0, 1, 2)),
        by_curve=post.sum(axis=(0, 2, 3)),
        by_gain=post.sum(axis=(0, 1, 3)),
        log_total=math.log(total),
        trust=[float((post * one).sum()) for one in sound],
        levels=levels,
    )


def points(*readings: tuple[float, float], reading_s: float = 0.1) -> list[Point]:
    """Return readings: each its level and its excess."""
    return [Point(level_db=level, excess=excess, reading_s=reading_s) for level, excess in readings]


SOUND = points((0.0, -4.0), (2.5, 0.9), (2.0, 0.3), (1.5, -0.9))
WITH_A_STRAY = [*SOUND, *points((3.0, -15.0))]


@pytest.mark.parametrize("readings", [SOUND[:1], SOUND[:2], SOUND, WITH_A_STRAY])
@pytest.mark.parametrize("expected", [EXPECTED, None])
def test_a_belief_is_what_weighing_every_cell_gives(readings: list[Point], expected: Expected | None) -> None:
    """Level, curve, scatter, odds and strays, after one reading, after several, and with one that fits nothing."""
    told = Believer(FAMILY, WINDOW_DB, expected, 0.0).believe([(1.0, readings)])
    plain = plainly(FAMILY, [(1.0, readings)], expected)
    coarse = 0.4 if len(readings) < 3 else 0.02  # as the grid is then
    for share, level_db in zip((0.025, 0.16, 0.5, 0.84, 0.975), told.quantiles_db, strict=True):
        assert level_db == pytest.approx(plain.quantile(share), abs=coarse)
    mean_db = float(plain.by_level @ plain.levels)
    assert told.mean_db == pytest.approx(mean_db, abs=0.02)
    sd_db = math.sqrt(plain.by_level @ (plain.levels - mean_db) ** 2)
    # what two readings leave far off, a millionth as likely, is passed over
    assert told.sd_db == pytest.approx(sd_db, rel=0.15 if len(readings) == 2 else 0.02)
    assert told.below == pytest.approx(float(plain.by_level[plain.levels < -20.0].sum()), abs=2e-3)
    assert told.beyond == pytest.approx(float(plain.by_level[plain.levels > 20.0].sum()), abs=2e-3)
    slopes = np.array([2.0, FAMILY.slope[1, 400]])
    assert told.slope == pytest.approx(float(plain.by_curve @ slopes), rel=2e-3)
    spread = math.sqrt(plain.by_curve @ (slopes - plain.by_curve @ slopes) ** 2)
    assert told.slope_sd == pytest.approx(spread, rel=0.01, abs=1e-3)
    assert told.slopes_beside == pytest.approx(
        (plain.by_curve @ [2.0, 3.0], plain.by_curve @ [2.0, 2.4]), rel=2e-3
    )
    gains = ALONE_GAIN if len(readings) < 2 else FAMILY.gains
    gain = float(plain.by_gain @ [one for one, _ in gains])
    assert told.noise_db == pytest.approx(float(plain.by_curve @ (0.7 / slopes)) * gain, rel=5e-3)
    without = log_without(readings, scale=FAMILY.scale, step=0.0)
    assert told.log_odds == pytest.approx(plain.log_total - without, abs=0.02)
    assert told.trust == pytest.approx(plain.trust, abs=0.01)


@pytest.mark.parametrize("at_most", [(0.3, 0.7), (0.95, 0.05)])
def test_the_interval_stated_holds_with_either_weight_of_a_curve(at_most: tuple[float, float]) -> None:
    """From the lower of the two intervals' ends to the upper one, each weighed plainly; readings are chosen by the first weights still."""
    told = two_lines()
    other = replace(told, log_weight=np.log(at_most))
    either = replace(told, stated_weight=np.array(at_most, np.float32) / np.exp(told.log_weight))
    readings = points((0.0, -4.0), (2.5, 1.4))
    plain = [plainly(family, [(1.0, readings)]) for family in (told, other)]
    low_db = min(one.quantile(0.025) for one in plain)
    high_db = max(one.quantile(0.975) for one in plain)
    assert high_db - low_db > 0.05 + min(one.quantile(0.975) - one.quantile(0.025) for one in plain)
    believed = Believer(either, WINDOW_DB, EXPECTED, 0.0).believe([(1.0, readings)])
    alone = Believer(told, WINDOW_DB, EXPECTED, 0.0).believe([(1.0, readings)])
    assert believed.stated == pytest.approx(((high_db + low_db) / 2, (high_db - low_db) / 2), abs=0.03)
    assert believed.quantiles_db == alone.quantiles_db
    assert alone.stated == (alone.level_db, alone.half_width_db)


def test_reading_by_reading_comes_to_the_same_as_all_at_once() -> None:
    """What is kept from belief to belief (range, curves, sums) changes nothing; nor does a reading that contradicts all before."""
    rng = np.random.default_rng(3)
    readings = points(
        *((x, 2.0 * (x - 2.0) + 0.7 * float(rng.standard_normal())) for x in rng.uniform(-3, 7, 12))
    )
    surprise = points(*((x, 2.0 * (x + 9.0)) for x in (-8.0, -9.5, -9.0, -9.2)))
    stepwise = Believer(FAMILY, WINDOW_DB, EXPECTED, 0.0)
    for count in range(1, len(readings + surprise) + 1):
        so_far = (readings + surprise)[:count]
        told = stepwise.believe([(1.0, so_far)])
        anew = Believer(FAMILY, WINDOW_DB, EXPECTED, 0.0).believe([(1.0, so_far)])
        assert told.level_db == pytest.approx(anew.level_db, abs=0.1 if count < 3 else 0.02)
        assert told.half_width_db == pytest.approx(anew.half_width_db, rel=0.1, abs=0.02)
        assert told.log_odds == pytest.approx(anew.log_odds, abs=0.05)
        assert told.trust == pytest.approx(anew.trust, abs=0.02)


def test_a_crossing_that_moves_out_of_the_range_kept_is_followed() -> None:
    """Five readings at 2 dB, then fourteen at -30 dB, beyond the window: the belief goes there and says so."""
    believer, readings = Believer(FAMILY, WINDOW_DB, EXPECTED, 0.0), points(*(((2.0, 0.0),) * 5))
    assert abs(believer.believe([(1.0, readings)]).level_db - 2.0) < 0.5
    readings += points(*(((-30.0, 0.0),) * 14))
    told = believer.believe([(1.0, readings)])
    assert told.level_db == pytest.approx(-30.0, abs=0.5)
    assert told.below > 0.99
    assert told.trust[:5] == pytest.approx([0.0] * 5, abs=0.01)
    assert told.trust[5:] == pytest.approx([1.0] * 14, abs=0.05)


def test_sets_of_time_constants_are_weighed_by_their_weight_and_their_readings() -> None:
    """Two accounts of the same readings: the belief is the mixture that their weights and likelihoods make."""
    other = [replace(point, level_db=point.level_db + 1.5) for point in SOUND]
    sets = [(0.8, SOUND), (0.2, other)]
    told = Believer(FAMILY, WINDOW_DB, EXPECTED, 0.0).believe(sets)
    plain = plainly(FAMILY, sets)
    for share, level_db in zip((0.025, 0.16, 0.5, 0.84, 0.975), told.quantiles_db, strict=True):
        assert level_db == pytest.approx(plain.quantile(share), abs=0.03)
    assert told.trust == pytest.approx(plain.trust, abs=0.01)


def test_sets_under_which_all_readings_are_alike_are_taken_together() -> None:
    """A hundredth of a dB apart in level or reading they are one; three hundredths apart, and with a reading missing in one, two."""
    from sequencer.search.curve_belief import _merged

    def moved(level_db: float, excess: float) -> list[Point]:
        return [*SOUND[:-1], replace(SOUND[-1], level_db=1.5 + level_db, excess=-0.9 + excess)]

    alike = [(0.5, SOUND), (0.2, moved(0.01, 0.0)), (0.3, moved(0.0, -0.01 * FAMILY.scale))]
    assert _merged(alike, FAMILY.scale) == ([(1.0, SOUND)], [0, 0, 0])
    apart = [(0.5, SOUND), (0.2, moved(0.03, 0.0)), (0.3, moved(0.0, -0.03 * FAMILY.scale))]
    assert _merged(apart, FAMILY.scale) == (apart, [0, 1, 2])
    both = [(0.5, SOUND), (0.2, moved(0.03, 0.0)), (0.3, moved(0.03, 0.0))]
    assert _merged(both, FAMILY.scale) == ([(0.5, SOUND), (0.5, both[1][1])], [0, 1, 1])
    out = [(0.5, points((1.0, math.inf))), (0.5, points((1.0, math.inf)))]
    assert _merged(out, FAMILY.scale) == ([(1.0, points((1.0, math.inf)))], [0, 0])


def test_readings_that_are_no_numbers_count_for_their_side_and_not_as_strays() -> None:
    """Over range at -5 dB and under range at 5 dB push the crossing each its way; trust is told of numbers alone, one without a reading is
    passed over.
    """
    believed = {
        excess: Believer(FAMILY, WINDOW_DB, EXPECTED, 0.0).believe(
            [(1.0, points((0.0, excess), (0.0, excess)))]
        )
        for excess in (math.inf, -math.inf, math.nan)
    }
    assert believed[math.inf].mean_db < believed[math.nan].mean_db - 2.0
    assert believed[-math.inf].mean_db > believed[math.nan].mean_db + 2.0
    assert all(one.trust == () for one in believed.values())
    assert believed[math.nan].log_odds == pytest.approx(0.0, abs=5e-3)


def test_the_interval_of_a_ratio_holds_95_per_cent() -> None:
    """2.5 per cent on either side, where all but the level is known well: as a normal distribution of its standard deviation has it."""
    told = Believer(RATIO, WINDOW_DB, None, 0.0).believe([(1.0, points(*(((0.0, 0.0),) * 6), reading_s=1.0))])
    assert told.half_width_db == pytest.approx(stats.norm.ppf(0.975) * told.sd_db, rel=0.08)
    assert told.level_db == (told.quantiles_db[0] + told.quantiles_db[4]) / 2


def test_a_ratios_scatter_is_told_in_decibels_of_level() -> None:
    """Relative noise of 7 %, of which the reading shows a share, over the slope: of one curve, where a dB makes nearly a dB, 0.33 dB."""
    k, middle = 2 * 9, RATIO.excess.shape[1] // 2
    tables = {
        name: getattr(RATIO, name)[k : k + 1] for name in ("excess", "slope", "scatter", "share", "doubt")
    }
    one = replace(RATIO, **tables, log_weight=np.zeros(1))
    told = Believer(one, WINDOW_DB, None, 0.0).believe([(1.0, points((0.0, 0.0)))])
    shown_db = float(one.scatter[0, middle] * one.share[0, middle]) * 10 / math.log(10)
    assert told.noise_db == pytest.approx(1.1 * shown_db / float(one.slope[0, middle]), rel=1e-3)
    assert told.noise_db == pytest.approx(0.33, abs=0.02)
    assert told.slope_sd == 0.0


def test_a_coarse_resolution_widens_what_is_believed() -> None:
    """Multiples of 3 V, which is 1.5 dB: the interval is as wide as a step's even distribution makes it, and at once."""
    readings = points(*(((2.0, 0.0),) * 6), reading_s=10.0)
    believer = Believer(FAMILY, WINDOW_DB, EXPECTED, 0.0)
    fine = believer.believe([(1.0, readings)])
    believer.step = 3.0
    coarse = believer.believe([(1.0, readings)])
    assert coarse.sd_db > 2.0 * fine.sd_db
    anew = Believer(FAMILY, WINDOW_DB, EXPECTED, 3.0).believe([(1.0, readings)])
    assert coarse.sd_db == pytest.approx(anew.sd_db, rel=0.02)
