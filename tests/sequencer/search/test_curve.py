"""The search on smooth readings: found where it is, refused where it cannot be, never outside its window."""

import copy
import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.search.curve import CurveSearch
from sequencer.search.curve_fit import Point, fit_crossing, student_95
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.curve_state import resolution
from sequencer.search.fm_sinad import FmCurve
from sequencer.search.protocol import (
    AsDone,
    Ask,
    NoReading,
    SearchInputError,
    Settling,
    Status,
    find_crossing,
)
from sequencer.search.settling import Lag, RawReading, settle_readings
from tests.support.curve_priors import SINAD_PRIOR, fm_sinad_prior, needle_prior

WINDOW_DB = (-130.0, -20.0)


class Receiver:
    """A made-up SINAD curve: straight near the target, bent towards nought below and towards a ceiling above."""

    def __init__(
        self, crossing_db: float, seed: int = 1, *, slope: float = 1.3, sd: float = 0.5, ceiling: float = 38.0
    ):
        self.crossing_db, self.slope, self.sd, self.ceiling = crossing_db, slope, sd, ceiling
        self.rng = np.random.default_rng(seed)
        self.asks: list[Ask] = []

    def rest(self, level_db: float) -> float:
        """Return the noise-free reading: soft-plus below, soft ceiling above, 12 dB at the crossing."""

        def bent(x: float) -> float:
            low = 3.0 * math.log1p(math.exp(min(x / 3.0, 50.0)))
            return self.ceiling - 3.0 * math.log1p(math.exp(min((self.ceiling - low) / 3.0, 50.0)))

        lower, upper = -60.0, 60.0
        for _ in range(60):
            middle = (lower + upper) / 2
            lower, upper = (middle, upper) if bent(middle) < 12.0 else (lower, middle)
        return bent(lower + self.slope * (level_db - self.crossing_db))

    def measure(self, ask: Ask) -> float:
        """Return one noisy reading."""
        self.asks.append(ask)
        scatter = self.sd * math.sqrt(0.1 / ask.reading_s) * float(self.rng.standard_normal())
        return max(0.0, self.rest(ask.level_db) + scatter)


def search(**changes) -> CurveSearch:
    """Return the usual search with some settings changed."""
    asked = {"target": 12.0, "window_db": WINDOW_DB, "prior": SINAD_PRIOR, **changes}
    return CurveSearch(**asked)


# --- found -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("prior", [SINAD_PRIOR, None, fm_sinad_prior(deviation_hz=2200.0, deemphasis=False)])
def test_the_interval_holds_the_truth_as_often_as_it_says(prior: CurvePrior | None):
    """Of 150 receivers, at least 9 in 10 lie in their own 95 % interval, and none is off by 1.5 dB."""
    held, worst = 0, 0.0
    for seed in range(150):
        crossing_db = float(np.random.default_rng(seed).uniform(-122.0, -105.0))
        found = find_crossing(search(prior=prior), Receiver(crossing_db, seed).measure)
        assert found.status is Status.FOUND
        error = abs(found.level_db - crossing_db)
        held += error <= found.half_width_db
        worst = max(worst, error)
    assert held >= 135
    assert worst < 1.5


def test_half_width_is_what_was_asked_for():
    """A search that ends found has narrowed the interval to the accuracy asked."""
    for accuracy_db in (1.0, 0.5, 0.25):
        found = find_crossing(search(accuracy_db=accuracy_db), Receiver(-117.0).measure)
        assert found.half_width_db <= accuracy_db


def test_few_readings():
    """Half of 60 searches to ±0.5 dB in a 40 dB window take five readings at most."""
    counts = sorted(
        find_crossing(search(window_db=(-130.0, -90.0)), Receiver(-117.0 + seed / 10, seed).measure).readings
        for seed in range(60)
    )
    assert counts[30] <= 5


def test_slope_and_scatter_are_reported():
    """The result says how steep the reading is at the crossing and how it scatters, so that a budget can use them."""
    found = find_crossing(search(accuracy_db=0.2), Receiver(-117.0, slope=1.3).measure)
    assert found.slope == pytest.approx(1.25, abs=0.45)
    assert found.slope_sd is not None
    assert found.sd_db == pytest.approx(0.5 / 1.25, rel=0.6)


def test_a_falling_reading_has_a_negative_slope():
    """Noise that falls with level (quieting) is the same search turned round."""
    unit = Receiver(-117.0)
    found = find_crossing(search(target=-12.0, rising=False), lambda ask: -unit.measure(ask))
    assert found.status is Status.FOUND
    assert found.level_db == pytest.approx(-117.0, abs=1.0)
    assert found.slope < 0


def test_drive_against_deviation_needs_no_prior():
    """Deviation in hertz grows tenfold in 20 dB of drive (by definition of the decibel); its 60 % point is found."""
    found = find_crossing(
        CurveSearch(target=1200.0, window_db=(-60.0, 0.0), reading_s=0.2, budget=15, accuracy_db=0.3),
        lambda ask: min(2000.0, 1200.0 * 10 ** ((ask.level_db + 31.7) / 20)),
    )
    assert found.status is Status.FOUND
    assert found.level_db == pytest.approx(-31.7, abs=0.3)


def test_a_person_is_asked_at_most_fifteen_times():
    """With one reading time and a budget of 15 the search ends, found, within it."""
    for seed in range(30):
        unit = Receiver(-115.0, seed)
        found = find_crossing(
            search(reading_s=0.5, budget=15, accuracy_db=1.0, step=0.5),
            lambda ask, unit=unit: round(unit.measure(ask) * 2) / 2,
        )
        assert found.readings <= 15
        assert found.status is Status.FOUND
        assert abs(found.level_db + 115.0) < 1.5


# --- laws ------------------------------------------------------------------------------------------------------------

levels = st.floats(-125.0, -40.0)


@settings(max_examples=40, deadline=None)
@given(crossing_db=levels, slope=st.floats(0.8, 3.0), blind=st.booleans())
def test_without_noise_the_interval_holds_the_truth(crossing_db: float, slope: float, blind: bool):
    """A noise-free rising curve is found, and its crossing lies in the interval."""
    found = find_crossing(
        search(prior=None if blind else SINAD_PRIOR), Receiver(crossing_db, slope=slope, sd=0.0).measure
    )
    assert found.status is Status.FOUND
    low, high = found.interval_db
    assert low <= crossing_db <= high


@settings(max_examples=60, deadline=None)
@given(
    readings=st.lists(
        st.one_of(st.floats(-200, 200), st.sampled_from(list(NoReading))), min_size=40, max_size=40
    ),
    low=st.floats(-140, -60),
    width=st.floats(0.5, 120),
)
def test_no_ask_leaves_the_window_whatever_is_read(readings: list, low: float, width: float):
    """Nonsense readings move no ask outside the window, give no exception and end within the budget."""
    asking = search(window_db=(low, low + width), budget=30)
    count = 0
    while (ask := asking.ask) is not None:
        assert low <= ask.level_db <= low + width
        assert ask.wait_s >= 0
        asking.tell(readings[count])
        count += 1
    assert count <= 30
    assert isinstance(asking.result.status, Status)


@settings(max_examples=25, deadline=None)
@given(shift_db=st.floats(-60.0, 60.0), seed=st.integers(0, 1000))
def test_shifting_every_level_shifts_the_answer(shift_db: float, seed: int):
    """A bench with more loss gives the same search, shifted."""
    here = find_crossing(search(window_db=(-130.0, -90.0)), Receiver(-115.0, seed).measure)
    there = find_crossing(
        search(window_db=(-130.0 + shift_db, -90.0 + shift_db)), Receiver(-115.0 + shift_db, seed).measure
    )
    assert there.status is here.status
    assert there.level_db - here.level_db == pytest.approx(shift_db, abs=0.01)


def test_a_copy_goes_its_own_way():
    """A search can be copied to take an answer back, and the copy does not disturb it."""
    unit, asking = Receiver(-115.0), search()
    asking.tell(unit.measure(asking.ask))
    before = copy.deepcopy(asking)
    asking.tell(unit.measure(asking.ask))
    assert before.result.readings == 1
    assert asking.result.readings == 2


# --- faults, each named ----------------------------------------------------------------------------------------------


def test_deaf_unit_never_reaches_the_target():
    """A receiver that would cross 4 dB above the window is said never to reach it, in 12 readings at most."""
    found = find_crossing(search(), Receiver(-16.0).measure)
    assert found.status is Status.NEVER_REACHED
    assert found.readings <= 12


def test_plateau_short_of_the_target_is_never_reached():
    """SINAD that stops at 9 dB however strong the signal is 'never reached', not 'no response'."""
    unit = Receiver(-117.0, ceiling=100.0)
    found = find_crossing(
        search(), lambda ask: min(unit.measure(ask), 9.0 + 0.2 * unit.rng.standard_normal())
    )
    assert found.status is Status.NEVER_REACHED


def test_unit_past_the_target_at_the_bottom():
    """A receiver that hears well at the lowest level is 'already past'."""
    found = find_crossing(search(), Receiver(-140.0).measure)
    assert found.status is Status.ALREADY_PAST
    assert found.readings <= 12


@pytest.mark.parametrize("reading", [0.3, 11.2, 12.0, 35.0])
@pytest.mark.parametrize("prior", [SINAD_PRIOR, None])
def test_stuck_meter(reading: float, prior: CurvePrior | None):
    """A meter that shows one number is stuck, even one that stands exactly on the target."""
    found = find_crossing(search(prior=prior), lambda _ask: reading)
    assert found.status is Status.STUCK
    assert found.readings <= 12
    assert f"{reading:g}" in found.warnings[0] or "same" in found.warnings[0]


@pytest.mark.parametrize(("mean", "sd"), [(12.0, 0.3), (0.5, 0.3), (30.0, 0.7)])
def test_noise_that_does_not_follow_the_level(mean: float, sd: float):
    """Noise about a mean, on the target or off it, is 'no response'; a crossing is not invented."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        found = find_crossing(search(), lambda _ask, rng=rng: mean + sd * rng.standard_normal())
        assert found.status is Status.NO_RESPONSE
        assert found.readings <= 16


def test_overload_is_not_monotonic_and_the_crossing_is_still_found():
    """A receiver that overloads above -40 dBm, met from -25 dBm, is found and said to be not monotonic."""
    unit = Receiver(-117.0)
    found = find_crossing(
        search(start_db=-25.0), lambda ask: unit.measure(ask) if ask.level_db < -40.0 else 0.5
    )
    assert found.status is Status.NOT_MONOTONIC
    assert found.found
    assert found.level_db == pytest.approx(-117.0, abs=1.0)
    assert "wrong side" in found.warnings[0]


def test_a_crossing_that_moves_is_drifting():
    """A crossing that runs away at 0.3 dB a second is named, with its rate."""
    unit, elapsed_s = Receiver(-115.0, sd=0.3), 0.0

    def measure(ask: Ask) -> float:
        nonlocal elapsed_s
        elapsed_s += ask.wait_s + ask.reading_s
        unit.crossing_db = -115.0 + 0.3 * elapsed_s
        return unit.measure(ask)

    found = find_crossing(search(accuracy_db=0.1), measure)
    assert found.status is Status.DRIFTING
    assert "a second" in found.warnings[0]


def test_an_intermittent_unit_is_not_called_found():
    """Readings that jump between two receivers 8 dB apart mostly end without a level that may be used."""
    rng = np.random.default_rng(3)
    units = [Receiver(-117.0), Receiver(-109.0)]

    def measure(ask: Ask) -> float:
        return units[rng.integers(2)].measure(ask)

    outcomes = [find_crossing(search(accuracy_db=0.25), measure).status for _ in range(20)]
    assert outcomes.count(Status.FOUND) <= 8
    assert Status.UNSTABLE in outcomes


def test_spent_budget_keeps_what_was_learnt():
    """When the budget is too small the result says so, with level and interval so far."""
    found = find_crossing(search(accuracy_db=0.02, budget=8), Receiver(-117.0).measure)
    assert found.status is Status.BUDGET_SPENT
    assert found.readings == 8
    assert found.level_db == pytest.approx(-117.0, abs=1.0)
    assert "8 readings did not suffice" in found.warnings[0]


def test_nothing_but_no_measurement_ends():
    """A meter that never measures is 'no response', not an endless search."""
    found = find_crossing(search(), lambda _ask: NoReading.NO_MEASUREMENT)
    assert found.status is Status.NO_RESPONSE
    assert found.readings <= 12


def test_always_out_of_range():
    """Over range everywhere is 'already past', under range everywhere 'never reached'."""
    assert find_crossing(search(), lambda _a: NoReading.OVER_RANGE).status is Status.ALREADY_PAST
    assert find_crossing(search(), lambda _a: NoReading.UNDER_RANGE).status is Status.NEVER_REACHED


# --- readings that are not ideal -------------------------------------------------------------------------------------


def test_ranges_only_tell_the_side():
    """A meter that overranges 6 dB above and underranges 6 dB below the target still finds it."""

    unit = Receiver(-117.0)

    def measure(ask: Ask) -> float | NoReading:
        reading = unit.measure(ask)
        return NoReading.OVER_RANGE if reading > 18 else NoReading.UNDER_RANGE if reading < 6 else reading

    found = find_crossing(search(), measure)
    assert found.status is Status.FOUND
    assert found.level_db == pytest.approx(-117.0, abs=1.0)


def test_a_reading_at_the_end_of_the_range_is_no_number():
    """A display that stops at 20 dB is not believed at 20 dB."""
    unit = Receiver(-117.0, ceiling=60.0)
    found = find_crossing(search(reading_range=(0.0, 20.0)), lambda ask: min(20.0, unit.measure(ask)))
    assert found.status is Status.FOUND
    assert found.level_db == pytest.approx(-117.0, abs=1.0)


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_coarse_resolution_is_detected_and_met(step: float):
    """A display of 0.1 to 1 dB steps is detected and its crossing found within twice the accuracy."""
    for seed in range(25):
        unit = Receiver(-117.0 + seed / 25, seed)
        found = find_crossing(search(), lambda ask, unit=unit: round(unit.measure(ask) / step) * step)
        assert found.status is Status.FOUND
        assert abs(found.level_db - unit.crossing_db) < 1.0
    assert found.step >= step * 0.999


def test_outliers_do_not_carry_the_answer_away():
    """With one reading in 30 wrong by 4 to 15 dB, no answer of 60 is off by more than 2 dB."""
    for seed in range(60):
        unit = Receiver(-117.0, seed)

        def measure(ask: Ask, unit=unit) -> float:
            wild = unit.rng.choice([-1, 1]) * unit.rng.uniform(4, 15) if unit.rng.random() < 1 / 30 else 0.0
            return unit.measure(ask) + float(wild)

        found = find_crossing(search(), measure)
        assert found.status in {Status.FOUND, Status.NOT_MONOTONIC}
        assert abs(found.level_db + 117.0) < 2.0


@pytest.mark.parametrize("fall", [1.0, 3.0])
def test_slow_meter(fall: float):
    """A needle with a known lag, falling as fast as it rises or three times slower, is read before it rests, and right."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        truth, rise_s, stands = float(rng.uniform(-90, -60)), 0.5, 0.0

        def measure(ask: Ask, truth=truth, rise_s=rise_s, rng=rng) -> float:
            nonlocal stands
            final = min(max(2.0 + 0.03 * (ask.level_db - truth), 0.1), 4.0)
            for _ in range(int((ask.wait_s + 0.035) * 200)):
                stands += (final - stands) * (
                    1 - math.exp(-0.005 / (rise_s if final > stands else fall * rise_s))
                )
            total = 0.0
            for _ in range(20):
                tau_s = rise_s if final > stands else fall * rise_s
                stands += (final - stands) * (1 - math.exp(-ask.reading_s / 20 / tau_s))
                total += stands / 20
            return total + 0.01 * math.sqrt(0.1 / ask.reading_s) * rng.standard_normal()

        found = find_crossing(
            CurveSearch(
                target=2.0,
                window_db=(-110.0, -50.0),
                prior=needle_prior(unit_per_db=0.03),
                settling=Settling(rise_s=rise_s, fall_s=fall * rise_s),
            ),
            measure,
        )
        assert found.status is Status.FOUND
        assert abs(found.level_db - truth) < 0.8


# --- bad input -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"window_db": (-90.0, -90.0)}, "is empty"),
        ({"accuracy_db": 0.0}, "accuracy_db is 0; it must be greater than 0"),
        ({"accuracy_db": -1.0}, "accuracy_db"),
        ({"target": math.nan}, "target is nan"),
        ({"reading_range": (20.0, 60.0)}, "target 12 is outside what the instrument can read"),
        ({"reading_s": ()}, "reading_s is empty"),
        ({"reading_s": (0.1, -1.0)}, "reading_s"),
        ({"budget": 1}, "budget is 1"),
        ({"start_db": math.inf}, "start_db"),
        ({"step": -0.1}, "step"),
    ],
)
def test_a_senseless_question_is_refused_by_name(changes: dict, complaint: str):
    """Every wrong setting is named with what is allowed."""
    with pytest.raises(SearchInputError, match=complaint):
        search(**changes)


@pytest.mark.parametrize("reading", [math.nan, math.inf, "12", None, True])
def test_a_reading_that_is_no_number_is_refused_and_asked_again(reading: object):
    """NaN is refused by name; the search still stands and takes the next reading."""
    asking = search()
    ask = asking.ask
    with pytest.raises(SearchInputError, match="reading is"):
        asking.tell(reading)  # type: ignore[arg-type]
    assert asking.ask == ask
    asking.tell(20.0)
    assert asking.result.readings == 1


def test_an_ended_search_takes_no_reading():
    """After the end a reading is refused."""
    asking = search()
    find_crossing(asking, lambda _ask: 35.0)
    with pytest.raises(SearchInputError, match="has ended"):
        asking.tell(12.0)


def test_a_prior_without_slope_is_refused():
    """The slope believed is greater than 0."""
    with pytest.raises(SearchInputError, match="slope is 0"):
        CurvePrior(slope=0.0, slope_sd=1.0)


# --- the parts -------------------------------------------------------------------------------------------------------


def test_student_quantile():
    """Student's t for 95 %, from the usual table (also in GUM, annex G, table G.2): 12.71, 2.23 and 1.96."""
    assert student_95(1) == pytest.approx(12.71, abs=0.01)
    assert student_95(10) == pytest.approx(2.23, abs=0.01)
    assert student_95(1e6) == pytest.approx(1.96, abs=0.001)


def test_fit_agrees_with_ordinary_least_squares():
    """With hardly any prior, good readings near a straight line give numpy's least-squares crossing."""
    rng = np.random.default_rng(5)
    level = rng.uniform(-1.5, 1.5, 40) - 80.0
    excess = 1.7 * (level + 79.8) + 0.1 * rng.standard_normal(40)
    slope, offset = np.polyfit(level, excess, 1)
    prior = CurvePrior(slope=1.7, slope_sd=50.0, bend_sd=0.001, sd_db=0.06, sd_weight=1.0)
    points = [Point(level_db=x, excess=y, reading_s=0.1) for x, y in zip(level, excess, strict=True)]
    fit = fit_crossing(points, prior, [-79.0], 0.0)
    assert fit.level_db == pytest.approx(-offset / slope, abs=0.005)
    assert fit.slope == pytest.approx(slope, abs=0.02)


def test_one_wild_point_loses_its_weight():
    """A reading 8 dB off among five good ones moves the crossing by less than 0.1 dB."""
    good = [Point(level_db=x, excess=1.5 * x, reading_s=0.25) for x in (-1.0, -0.5, 0.0, 0.5, 1.0)]
    wild = Point(level_db=0.2, excess=8.0, reading_s=0.25)
    assert abs(fit_crossing([*good, wild], SINAD_PRIOR, [0.3], 0.0).level_db) < 0.1


def test_fm_curve_meets_the_textbook_well_above_threshold():
    """At 30 dB SINAD, 12 kHz IF, FM noise follows 3 d² (C/N0) / (2 (f2³ - f1³)); textbook, from memory, within 1 dB.

    The textbook's filter ends at 3 kHz like a wall; one with skirts passes 0.7 dB more of the noise.
    """
    curve = FmCurve(
        deviation_hz=1500.0,
        deemphasis=False,
        bandwidth_hz=12000.0,
        tone_hz=1000.0,
        audio_band_hz=(300.0, 3000.0),
    )
    density_db = curve.level_at(30.0)
    textbook = 10 * math.log10(3 * 1500.0**2 * 10 ** (density_db / 10) / (2 * (3000.0**3 - 300.0**3)))
    assert textbook == pytest.approx(30.7, abs=0.3)


@pytest.mark.parametrize(
    ("deviation_hz", "deemphasis", "slope", "sd_db"),
    [
        (1300.0, False, 0.95, 0.26),
        (2200.0, False, 1.30, 0.39),
        (2200.0, True, 2.63, 0.62),
        (3000.0, True, 3.07, 0.46),
    ],
)
def test_fm_prior_against_a_waveform_simulation(
    deviation_hz: float, deemphasis: bool, slope: float, sd_db: float
):
    """Slope and scatter at 12 dB SINAD of simulated 9 and 12.5 kHz receivers (tests/benchmarks/receivers.py) within 30 %."""
    prior = fm_sinad_prior(deviation_hz=deviation_hz, deemphasis=deemphasis)
    assert prior.slope == pytest.approx(slope, rel=0.3)
    assert prior.sd_db == pytest.approx(sd_db, rel=0.3)


def test_resolution_is_seen_in_the_readings():
    """Steps of a 1-2-5 series are recognised; free-running numbers and too few have none."""
    assert resolution([1.5, 2.0, 12.5, 11.0]) == pytest.approx(0.5)
    assert resolution([12.3, 11.9, 14.2, 10.1]) == pytest.approx(0.1)
    assert resolution([math.pi, math.e, math.sqrt(2), 1.0]) == 0.0
    assert resolution([12.0, 12.0]) == 0.0


def test_a_lagging_reading_is_brought_to_rest():
    """An exactly first-order meter, read after one time constant, is worked out to where it would have come to."""
    tau_s, wait_s, read_s = 0.5, 0.5, 0.1
    left = math.exp(-wait_s / tau_s) * tau_s / read_s * (1 - math.exp(-read_s / tau_s))
    taken = [
        RawReading(-80.0, 60.0, 0.1, -3.0),
        RawReading(-70.0, wait_s, read_s, 7.0 + (-3.0 - 7.0) * left),
    ]
    rested = settle_readings(taken, Settling(rise_s=tau_s, fall_s=tau_s))
    assert rested[1].excess == pytest.approx(7.0, abs=1e-6)
    assert rested[1].doubt > 0


def test_waiting_grows_with_the_step_and_the_time_constant():
    """A larger step and a slower meter wait longer; no step, no wait."""
    lag = Lag(Settling(rise_s=0.5, fall_s=1.5))
    lag.take(-80.0, 20.0, 0.1)
    assert lag.wait_s(-80.0, 0.1, 0.1) == 0.0
    assert 0 < lag.wait_s(-78.0, 0.1, 0.1) < lag.wait_s(-60.0, 0.1, 0.1) < lag.wait_s(-100.0, 0.1, 0.1)


# --- a generator that rounds -----------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(
    crossing_db=st.floats(-122.0, -105.0),
    step_db=st.sampled_from([0.1, 0.5, 1.0]),
    offset_db=st.floats(0.0, 1.0),
    sd=st.sampled_from([0.0, 0.3]),
)
def test_levels_that_were_rounded_count_as_they_were_made(
    crossing_db: float, step_db: float, offset_db: float, sd: float
):
    """Whatever the steps and where they lie, the crossing is found within twice its 95 % interval, and within the accuracy asked."""
    unit = Receiver(crossing_db, 3, sd=sd)

    def measure(ask: Ask) -> AsDone[float]:
        made_db = round((ask.level_db - offset_db) / step_db) * step_db + offset_db
        reading = unit.measure(replace(ask, level_db=made_db))
        return AsDone(value=reading, reading_s=ask.reading_s, level_db=made_db)

    found = find_crossing(search(), measure)
    assert found.status is Status.FOUND
    assert found.half_width_db <= 0.5
    assert abs(found.level_db - crossing_db) <= 2.0 * max(found.half_width_db, 0.1)


@pytest.mark.parametrize("crossing_db", [-140.0, -15.0])
def test_rounded_ends_of_the_window_are_ends(crossing_db: float):
    """A crossing outside the window is told as with a generator that makes the ends exactly, and in few readings."""
    unit = Receiver(crossing_db)

    def measure(ask: Ask) -> AsDone[float]:
        made_db = float(round(ask.level_db))
        reading = unit.measure(replace(ask, level_db=made_db))
        return AsDone(value=reading, reading_s=ask.reading_s, level_db=made_db)

    found = find_crossing(search(window_db=(-130.4, -20.4)), measure)
    assert found.status is (Status.ALREADY_PAST if crossing_db < -130.0 else Status.NEVER_REACHED)
    assert found.readings <= 12


@pytest.mark.parametrize("odd_at", [0, 1, 2])
def test_no_single_reading_near_the_crossing_carries_the_answer(odd_at: int) -> None:
    """A straight line read to 0.03 dB, one of the readings 0.6 dB off: the level moves by less than a third of that."""
    straight = CurvePrior(slope=1.0, slope_sd=0.15, bend_sd=0.03, sd_db=0.05, sd_weight=4.0)
    for seed in range(20):
        rng, count = np.random.default_rng(seed), iter(range(100))

        def measure(ask: Ask, rng: np.random.Generator = rng, count: Iterator[int] = count) -> float:
            return (
                ask.level_db
                + 38.0
                + 0.03 * float(rng.standard_normal())
                + (0.6 if next(count) == odd_at else 0.0)
            )

        got = find_crossing(
            CurveSearch(
                target=0.0,
                window_db=(-80.0, -10.0),
                accuracy_db=0.3,
                prior=straight,
                settling=Settling(rise_s=0.0, fall_s=0.0, least_s=0.0),
                reading_s=0.25,
                budget=25,
                start_db=-38.0 + 0.9 * float(rng.uniform(-1.0, 1.0)),
            ),
            measure,
        )
        assert got.found, got
        assert got.level_db == pytest.approx(-38.0, abs=0.2), (seed, got)
        assert got.readings <= 7
