"""Before a search ends without a level it looks at both ends: nothing false is said of what lags, or of what answers now and then."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected
from sequencer.search.curve_family import ratio_family
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.protocol import Ask, Crossing, Status, find_crossing
from tests.support.ssb_receiver import Receiver

WINDOW_DB = (-137.4, -20.0)
SSB = ratio_family(target_db=12.0, slope=1.0, slope_sd=0.25, relative=0.07)
USUAL = Expected(level_db=-118.0, sd_db=5.0)
SETTING_S = 0.035  # what a generator takes for a new level


def find(measure: Callable[[Ask], float], *, budget: int = 60) -> Crossing:
    """Search as the checks do."""
    search = CurveSearch(
        target=12.0,
        window_db=WINDOW_DB,
        prior=SSB,
        expected=USUAL,
        reading_range=(0.0, 60.0),
        budget=budget,
    )
    return find_crossing(search, measure)


class Averaging:
    """An analyser that averages what a receiver gives, exponentially, and says nothing of it."""

    def __init__(self, unit: Callable[[Ask], float], constant_s: float) -> None:
        self.unit, self.constant_s, self.shown, self.level_db = unit, constant_s, 0.0, math.nan

    def measure(self, ask: Ask) -> float:
        """Return the average at the reading's end."""
        spent_s = ask.wait_s + ask.reading_s + (SETTING_S if ask.level_db != self.level_db else 0.0)
        self.level_db = ask.level_db
        reading = self.unit(ask)
        self.shown = reading + (self.shown - reading) * math.exp(-spent_s / self.constant_s)
        return self.shown


@pytest.mark.parametrize("constant_s", [0.2, 0.5, 1.0])
def test_a_receiver_behind_an_average_that_nobody_told_is_measured(constant_s: float) -> None:
    """Each of twelve has a level, and ten of the intervals hold it; where the lag was seen, it is told with its time constant."""
    told, held = [], 0
    for seed in range(12):
        found = find(Averaging(Receiver(-117.0 + 0.7 * seed, seed).measure, constant_s).measure)
        assert found.found, found.warnings
        assert found.level_db is not None
        held += abs(found.level_db - (-117.0 + 0.7 * seed)) <= found.half_width_db
        told += [one for one in found.warnings if "still moves after a step" in one]
    assert held >= 10
    assert len(told) >= 10
    assert all("state its 'settle'" in one for one in told)
    times_s = [float(one.split("about ")[1].split(" s")[0]) for one in told]
    assert np.median(times_s) == pytest.approx(constant_s, rel=0.35)


def test_a_lag_that_too_few_readings_are_left_to_follow_is_named() -> None:
    """With a budget of 24 a search behind an average of a second ends, and never as a unit that does not respond or is past its target."""
    ended = [find(Averaging(Receiver(-117.0, seed).measure, 1.0).measure, budget=24) for seed in range(8)]
    denied = [one for one in ended if not one.found]
    assert denied
    assert {one.status for one in denied} <= {Status.UNSTABLE, Status.BUDGET_SPENT}
    assert any("still moves after a step" in " ".join(one.warnings) for one in denied)
    assert all(one.readings <= 24 for one in ended)


def test_a_receiver_that_answers_four_times_in_five_is_never_without_response() -> None:
    """Of 40 with a lapse in each fifth reading some are not found; none of these is said not to respond."""
    ended = [find(Receiver(-117.0, 300 + seed, lapses=0.2).measure) for seed in range(40)]
    denied = [one for one in ended if not one.found]
    assert denied
    assert {one.status for one in denied} <= {Status.UNSTABLE, Status.BUDGET_SPENT}


@pytest.mark.parametrize("average_s", [0.01, 0.5])
def test_what_is_true_stays_said(average_s: float) -> None:
    """A threshold beyond the window is still 'never reached', averaged or not; a dead meter that scatters is mostly 'no response', never
    found.
    """
    far = find(Averaging(Receiver(30.0, 1).measure, average_s).measure)
    assert far.status is Status.NEVER_REACHED
    rng = np.random.default_rng(8)
    dead = [
        find(Averaging(lambda _: float(rng.normal(12.0, 2.0)), average_s).measure).status for _ in range(10)
    ]
    assert dead.count(Status.NO_RESPONSE) >= 8
    assert set(dead) <= {Status.NO_RESPONSE, Status.UNSTABLE}


def test_a_sound_receiver_is_not_looked_at_again() -> None:
    """Its search never reads at an end of the window."""
    for seed in range(20):
        found = find(Receiver(-117.0, seed).measure)
        assert found.status is Status.FOUND
        assert not {one.ask.level_db for one in found.history} & set(WINDOW_DB)


@pytest.mark.parametrize("seed", [17, 527])
def test_what_scatters_alike_at_both_ends_is_not_found_by_chance(seed: int) -> None:
    """Two dead meters whose readings fitted no curve, and by chance seemed to follow the level, are not said to have a crossing."""
    rng = np.random.default_rng([5, seed])
    search = CurveSearch(target=12.0, window_db=WINDOW_DB, prior=SSB, reading_range=(0.0, 60.0), budget=60)
    ended = find_crossing(search, lambda _: max(0.0, float(rng.normal(12.0, 2.0 + seed % 3))))
    assert ended.status is Status.NO_RESPONSE
    assert "the same at both ends" in ended.warnings[0]
    assert {one.ask.level_db for one in ended.history[-10:]} == set(WINDOW_DB)


SIGNAL_TO_NOISE = CurvePrior(slope=1.0, slope_sd=0.25, bend=-0.02, bend_sd=0.1, sd_db=0.3, ratio_db=True)


def of_signal_to_noise(measure: Callable[[Ask], float]) -> Crossing:
    """Search for 10 dB (S+N)/N, of which only the slope is foretold, as the checks do."""
    return find_crossing(
        CurveSearch(target=10.0, window_db=WINDOW_DB, prior=SIGNAL_TO_NOISE, start_db=-118.0), measure
    )


def test_dead_meters_are_not_found_where_only_the_slope_is_foretold() -> None:
    """Of 120 that scatter by 2 to 4 dB about the very target, where it is worst, hardly one is said to have a level."""
    found = []
    for seed in range(120):
        rng = np.random.default_rng([6, seed])
        ended = of_signal_to_noise(
            lambda _, rng=rng, sd=2.0 + seed % 3: max(0.0, float(rng.normal(10.0, sd)))
        )
        found += [seed] if ended.found else []
    assert len(found) <= 4  # 16 where nothing weighed the odds


def test_a_sound_receiver_pays_at_most_a_reading_for_the_proof() -> None:
    """Of 40 the median takes 4 readings, as without a doubt, none more than 7, and all are found."""
    ended = [of_signal_to_noise(Receiver(-117.0 + 0.3 * seed, seed).measure) for seed in range(40)]
    assert all(one.found for one in ended)
    readings = [one.readings for one in ended]
    assert np.median(readings) <= 4
    assert np.mean(readings) <= 4.6  # 3.6 where nothing weighed the odds
    assert max(readings) <= 7


class Late:
    """A generator whose level comes ``late_s`` after it was set, or an analyser ``behind`` readings behind; and a receiver."""

    def __init__(self, unit: Receiver, late_s: float = 0.0, behind: int = 0) -> None:
        self.unit, self.late_s, self.shown = unit, late_s, [0.0] * behind
        self.now_s, self.changes = 0.0, [(-math.inf, -130.0)]

    def measure(self, ask: Ask) -> float:
        """Set, wait, and read the level that has come."""
        if ask.level_db != self.changes[-1][1]:
            self.changes.append((self.now_s + self.late_s, ask.level_db))
            self.now_s += SETTING_S
        self.now_s += ask.wait_s
        come_db = [level_db for at_s, level_db in self.changes if at_s <= self.now_s][-1]
        self.now_s += ask.reading_s
        self.shown.append(self.unit.measure(replace(ask, level_db=come_db)))
        return self.shown.pop(0)


@pytest.mark.parametrize("late_s", [0.08, 0.15, 0.3, 0.45, 0.8])
def test_a_receiver_behind_a_generator_that_acts_late_is_measured(late_s: float) -> None:
    """Most of twenty have a level, nineteen in twenty intervals hold it, the lateness is told, and none is said not to respond."""
    ended = [find(Late(Receiver(-117.0 + 0.3 * seed, seed), late_s).measure) for seed in range(20)]
    assert {one.status for one in ended} <= {
        Status.FOUND,
        Status.UNSTABLE,
        Status.INTERMITTENT,
        Status.BUDGET_SPENT,
    }
    held = [
        abs(one.level_db - (-117.0 + 0.3 * seed)) <= one.half_width_db
        for seed, one in enumerate(ended)
        if one.found and one.level_db is not None
    ]
    assert len(held) >= 14
    assert sum(held) >= len(held) - 2
    told = [warning for one in ended for warning in one.warnings if "s late" in warning]
    assert len(told) >= 14
    assert all("state the generator's 'settle'" in one for one in told)
    times_s = [float(one.split("up to ")[1].split(" s")[0]) for one in told]
    assert all(late_s - SETTING_S <= time_s <= 2 * late_s + 1.0 for time_s in times_s)
    assert max(one.readings for one in ended) <= 60


def test_a_reading_that_is_one_behind_is_named() -> None:
    """No wait helps: it is unstable, and the words say what to do."""
    for seed in range(10):
        ended = find(Late(Receiver(-117.0, seed), behind=1).measure)
        assert ended.status is Status.UNSTABLE
        assert "handing out the one before" in ended.warnings[0]


def test_a_lateness_that_too_few_readings_are_left_to_follow_is_named() -> None:
    """With a budget of 24 a search behind a late generator never says that the unit does not respond."""
    ended = [find(Late(Receiver(-117.0, seed), 0.15).measure, budget=24) for seed in range(10)]
    denied = [one for one in ended if not one.found]
    assert denied
    assert {one.status for one in denied} <= {Status.UNSTABLE, Status.BUDGET_SPENT}
    assert all(one.readings <= 24 for one in ended)


def test_a_reading_that_falls_as_the_level_rises_is_said_to() -> None:
    """Past the target at the lower end and below it at the higher one: neither never reached nor already past."""
    for seed in range(8):
        unit = Receiver(-78.0, seed)
        ended = find(lambda ask, unit=unit: unit.measure(replace(ask, level_db=-157.4 - ask.level_db)))
        assert ended.status is Status.NO_RESPONSE
        assert "falls as the level rises" in ended.warnings[0]


@pytest.mark.parametrize("above_db", [7.5, 12.0, 20.0, 30.0, 40.0, 60.0])
def test_an_instrument_that_answers_nought_on_overload_does_not_make_a_receiver_deaf(above_db: float) -> None:
    """It passes its target between the ends of the window: the level is found there, and the note says where the reading falls away."""
    held = 0
    for seed in range(10):
        crossing_db = -117.0 + 0.7 * seed
        unit = Receiver(crossing_db, seed)
        ended = find(
            lambda ask, unit=unit, most_db=crossing_db + above_db: (
                0.0 if ask.level_db > most_db else unit.measure(ask)
            )
        )
        assert ended.status in {Status.FOUND, Status.NOT_MONOTONIC}, ended.warnings
        assert ended.level_db is not None
        assert ended.status is Status.FOUND or any(
            "and above" in one or "wrong side" in one for one in ended.warnings
        )
        held += abs(ended.level_db - crossing_db) <= ended.half_width_db
        assert ended.readings <= 60
    assert held >= 8


def test_a_receiver_short_of_its_target_everywhere_is_still_never_reached() -> None:
    """A ceiling 0.4 dB below the target, or a threshold above the window: read between the ends, and said so within the budget."""
    for seed in range(8):
        for unit in (Receiver(-117.0, seed, ceiling_db=12.5), Receiver(30.0, seed)):
            ended = find(lambda ask, unit=unit: unit.measure(ask) - 0.9)
            assert ended.status is Status.NEVER_REACHED
            assert ended.readings <= 60


def test_a_level_that_is_past_its_target_only_below_is_told_from_one_that_always_is() -> None:
    """A muted receiver reads 20 dB: what lies between is found, and the note says that the reading is past its target below."""
    for seed in range(8):
        unit, rng = Receiver(-80.0, seed), np.random.default_rng(seed)
        ended = find(
            lambda ask, unit=unit, rng=rng: (
                float(rng.normal(20.0, 0.5)) if ask.level_db < -95.0 else unit.measure(ask)
            )
        )
        assert ended.status in {Status.FOUND, Status.NOT_MONOTONIC, Status.UNSTABLE}
        assert ended.status is Status.UNSTABLE or ended.level_db == pytest.approx(-80.0, abs=1.0)


@pytest.mark.parametrize("ceiling_db", [12.2, 12.4])
def test_a_level_right_below_a_ceiling_is_stated_widely(ceiling_db: float) -> None:
    """The reading hardly rises any more at its target: the interval is wide, the note says why, and none is off by more than twice it."""
    ended = [find(Receiver(-117.0 + 0.7 * seed, seed, ceiling_db=ceiling_db).measure) for seed in range(12)]
    found = [(seed, one) for seed, one in enumerate(ended) if one.found]
    assert all(any("hardly rises" in warning for warning in one.warnings) for _, one in found)
    for seed, one in found:
        assert one.level_db is not None
        assert abs(one.level_db - (-117.0 + 0.7 * seed)) <= 2 * one.half_width_db
    assert ceiling_db < 12.3 or len(found) >= 8
