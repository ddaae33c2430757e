"""The search on readings that switch: both levels, each with its interval, or the fault by name."""

import copy
import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from sequencer.search.curve_belief import Expected
from sequencer.search.protocol import Ask, NoReading, SearchInputError, Settling, Status, find_crossing
from sequencer.search.switching import SwitchingSearch
from sequencer.search.switching_grid import DROPPED, LAPSE, FineGrid, Manner, Trial, chance_on

WINDOW_DB = (-110.0, -50.0)


class Switch:
    """Something that switches on above one level and off below a lower one, with jitter."""

    def __init__(self, rising_db: float, hysteresis_db: float, seed: int = 1, jitter_db: float = 0.3):
        self.rising_db, self.hysteresis_db, self.jitter_db = rising_db, hysteresis_db, jitter_db
        self.rng = np.random.default_rng(seed)
        self.on = False

    def measure(self, ask: Ask) -> bool:
        """Return whether it is on after this test."""
        seen = ask.level_db + self.jitter_db * float(self.rng.standard_normal())
        self.on = seen > self.rising_db - (self.hysteresis_db if self.on else 0.0)
        return self.on


def pattern(switch: Switch, ask: Ask, missing: int = 0) -> list[bool]:
    """Return a bar of 12 segments, 4 dB apart, the ninth driven by the switch."""
    on = switch.measure(ask)
    count = 9 + math.floor((ask.level_db - switch.rising_db) / 4.0)
    count = min(max(count, 9 if on else 0), 12 if on else 8)
    return [i < count and i + 1 != missing for i in range(12)]


def bar_of(seed: int, missing: int = 0) -> Callable[[Ask], list[bool]]:
    """Return what reads a fresh bar."""
    switch = Switch(-73.0, 1.5, seed)
    return lambda ask: pattern(switch, ask, missing)


def search(**changes) -> SwitchingSearch:
    """Return the usual search with some settings changed."""
    return SwitchingSearch(**{"window_db": WINDOW_DB, **changes})


def test_both_intervals_hold_the_truth_as_often_as_they_say():
    """Of 80 levels, at least 9 in 10 lie in their own 95 % interval."""
    held, widths_db = 0, []
    for seed in range(40):
        switch = Switch(-85.0 + seed / 3, 1.0 + seed / 10, seed, jitter_db=0.4)
        found = find_crossing(search(), switch.measure)
        assert found.status is Status.FOUND
        held += abs(found.rising.level_db - switch.rising_db) <= found.rising.half_width_db
        held += (
            abs(found.falling.level_db - switch.rising_db + switch.hysteresis_db)
            <= found.falling.half_width_db
        )
        widths_db += [found.rising.half_width_db, found.falling.half_width_db]
    assert held >= 72
    # 0.5 is asked for; of one whose answers look as if it flutters more is stated
    assert np.percentile(widths_db, 90) <= 0.55
    assert max(widths_db) <= 0.7


def test_what_is_known_before_saves_tests():
    """Told about where it switches, and seen on and off before, the search takes one to two tests less; both intervals hold as often."""
    wide, held, readings = (-137.0, -20.0), 0, {True: 0, False: 0}
    for seed in range(20):
        for told in (True, False):
            switch = Switch(-121.0 + seed / 5, 1.0 + seed / 10, seed, jitter_db=0.4)
            knows = {"expected": Expected(level_db=-118.0, sd_db=5.0), "seen_on_db": -60.0}
            found = find_crossing(search(window_db=wide, **(knows if told else {})), switch.measure)
            assert found.status is Status.FOUND
            readings[told] += found.readings
            if told:
                held += abs(found.rising.level_db - switch.rising_db) <= found.rising.half_width_db
                below_db = switch.rising_db - switch.hysteresis_db
                held += abs(found.falling.level_db - below_db) <= found.falling.half_width_db
    assert held >= 36  # of 40
    assert readings[True] <= readings[False] - 1.5 * 20


@pytest.mark.parametrize("off_db", [-30.0, 30.0])
def test_a_wrong_expectation_costs_a_few_tests_and_no_false_level(off_db: float):
    """Told 30 dB too much or too little it still finds both levels, and takes at most three tests more than one told nothing."""
    held, more = 0, 0
    for seed in range(15):
        level_db = -92.0 + seed / 3
        made = [Switch(level_db, 3.0, seed, jitter_db=0.4) for _ in range(2)]
        expected = Expected(level_db=level_db + off_db, sd_db=5.0, anywhere=0.25)
        found = find_crossing(
            search(window_db=(-137.0, -20.0), expected=expected, seen_on_db=-50.0), made[0].measure
        )
        untold = find_crossing(search(window_db=(-137.0, -20.0)), made[1].measure)
        assert found.found
        more += found.readings - untold.readings
        for crossing, truth_db in ((found.rising, level_db), (found.falling, level_db - 3.0)):
            assert abs(crossing.level_db - truth_db) < 1.5
            held += abs(crossing.level_db - truth_db) <= crossing.half_width_db
    assert held >= 26  # of 30
    assert more <= 3 * 15


def test_one_level_for_both_ways_is_not_pushed_apart():
    """Without any hysteresis both intervals hold the one level there is, and the difference of the two has no sign of its own."""
    held, apart_db = 0, []
    for seed in range(40):
        switch = Switch(-85.0 + seed / 3, 0.0, seed, jitter_db=0.5)
        found = find_crossing(search(), switch.measure)
        assert found.found
        held += sum(
            abs(c.level_db - switch.rising_db) <= c.half_width_db for c in (found.rising, found.falling)
        )
        apart_db.append(found.hysteresis_db)
    assert held >= 72  # of 80
    assert abs(np.mean(apart_db)) < 0.15  # 0.4 where the hysteresis expected ended at nought


def test_hysteresis_dwell_and_approach_are_stated():
    """The result carries the difference of the two levels, and how each was held and approached."""
    found = find_crossing(search(dwell_s=0.4), Switch(-73.0, 4.0).measure)
    assert found.hysteresis_db == pytest.approx(4.0, abs=1.0)
    assert found.hysteresis_db == pytest.approx(found.rising.level_db - found.falling.level_db)
    assert found.dwell_s == 0.4
    assert "without reset" in found.approach
    assert all(taken.ask.reading_s == 0.4 for taken in found.history)


def test_a_bar_is_found_by_pattern_and_by_count():
    """The ninth segment of a bar is found from patterns, and from counts of lit segments."""
    for as_count in (False, True):
        switch = Switch(-73.0, 1.5)

        def measure(ask: Ask, switch=switch, as_count=as_count) -> list[bool] | int:
            shown = pattern(switch, ask)
            return sum(shown) if as_count else shown

        found = find_crossing(search(segment=9), measure)
        assert found.status is Status.FOUND
        assert found.rising.level_db == pytest.approx(-73.0, abs=0.9)
        assert found.falling.level_db == pytest.approx(-74.5, abs=0.9)


def test_the_rising_level_alone_takes_fewer_tests():
    """Leaving the falling level unsought saves tests, and no falling level is claimed."""
    both = find_crossing(search(segment=9), bar_of(2))
    one = find_crossing(search(segment=9, falling=False), bar_of(2))
    assert one.status is Status.FOUND
    assert one.falling is None
    assert one.hysteresis_db is None
    assert one.readings < both.readings


def test_a_lagging_bar():
    """A bar that follows with half a second's lag is found where it switches at rest."""
    tau_s = 0.5
    for seed in range(10):
        switch, stands = Switch(-73.0 + seed / 7, 1.5, seed), -140.0

        def measure(ask: Ask, switch=switch) -> list[bool]:
            nonlocal stands
            stands = ask.level_db + (stands - ask.level_db) * math.exp(-(ask.wait_s + ask.reading_s) / tau_s)
            return pattern(switch, Ask(level_db=stands, wait_s=0.0, reading_s=0.0))

        found = find_crossing(search(segment=9, settling=Settling(rise_s=tau_s, fall_s=tau_s)), measure)
        assert found.status is Status.FOUND
        assert abs(found.rising.level_db - switch.rising_db) < 1.0


# --- faults, each named ----------------------------------------------------------------------------------------------


def test_a_missing_segment_is_named():
    """When segments above the ninth light and the ninth does not, it is missing; 12 tests at most."""
    for seed in range(10):
        found = find_crossing(search(segment=9), bar_of(seed, missing=9))
        assert found.status is Status.SEGMENT_MISSING
        assert found.readings <= 12


def test_a_bar_that_stays_the_same_is_stuck():
    """Four segments lit from end to end of the window are stuck."""
    found = find_crossing(search(segment=9), lambda _a: [i < 4 for i in range(12)])
    assert found.status is Status.STUCK
    assert found.readings <= 12


def test_a_squelch_that_never_opens():
    """Shut up to the top of the window is 'never reached'."""
    found = find_crossing(search(), lambda _a: False)
    assert found.status is Status.NEVER_REACHED
    assert found.rising.level_db is None
    assert found.readings <= 12


def test_a_squelch_that_never_shuts():
    """Open down to the bottom of the window is 'already past'."""
    found = find_crossing(search(), lambda _a: True)
    assert found.status is Status.ALREADY_PAST
    assert found.readings <= 12


def test_a_spent_budget_is_said():
    """With too few tests allowed the result keeps what was learnt and says so."""
    found = find_crossing(search(budget=15, accuracy_db=0.05), Switch(-73.0, 3.0).measure)
    assert found.status is Status.BUDGET_SPENT
    assert found.readings == 15


def test_no_answer_is_asked_again_and_ends():
    """A test without an answer is repeated; nothing but no answers is 'no response'."""
    asking = search()
    first = asking.ask
    asking.tell(NoReading.NO_MEASUREMENT)
    assert asking.ask.level_db == pytest.approx(first.level_db)
    assert find_crossing(search(), lambda _a: NoReading.NO_MEASUREMENT).status is Status.NO_RESPONSE


# --- lapses: "off" though it should be on ----------------------------------------------------------------------------


def lapsing(switch: Switch, share: float, seed: int) -> Callable[[Ask], bool]:
    """Return what reads a switch that is told off in ``share`` of the answers, whatever it is."""
    rng = np.random.default_rng([seed, 7])
    return lambda ask: switch.measure(ask) and rng.random() >= share


@pytest.mark.parametrize("at", [0, 1, 2])
def test_one_lapse_far_above_the_level_is_named_and_moves_nothing(at: int):
    """One "off" where the switch is on for certain is told as intermittent, with how many answers, and both levels stay right."""
    for seed in range(4):
        switch, far_on = Switch(-98.0, 2.5, seed), []

        def measure(ask: Ask, switch=switch, far_on=far_on) -> bool:
            on = switch.measure(ask)
            if on and ask.level_db > switch.rising_db + 3.0:
                far_on.append(ask)
                return len(far_on) != at + 1
            return on

        found = find_crossing(search(), measure)
        if len(far_on) <= at:
            continue
        assert found.status is Status.INTERMITTENT
        assert found.found
        assert found.warnings[0].startswith("1 of ")
        assert found.rising.warnings == found.warnings
        assert abs(found.rising.level_db + 98.0) < 1.0
        assert abs(found.falling.level_db + 100.5) < 1.0


@pytest.mark.parametrize(("share", "named", "held"), [(0.05, 1, 0.93), (0.2, 10, 0.86)])
def test_lapses_of_a_share_of_the_answers_leave_the_intervals_true(share: float, named: int, held: float):
    """Where 5 % of the answers are lapses the intervals hold the truth as they say; at 20 % many searches tell it, hardly one is far off.

    Four lapses on end, all near the level, make another level likelier by any reckoning: one interval in fifty may be far off.
    """
    errors, statuses = [], []
    for seed in range(30):
        switch = Switch(-85.0 + seed / 3, 2.0 + seed / 10, seed, jitter_db=0.45)
        found = find_crossing(search(), lapsing(switch, share, seed))
        statuses.append(found.status)
        if found.found:
            truths = (switch.rising_db, switch.rising_db - switch.hysteresis_db)
            levels = (found.rising, found.falling)
            errors += [abs(c.level_db - t) / c.half_width_db for c, t in zip(levels, truths, strict=True)]
    assert statuses.count(Status.INTERMITTENT) >= named
    assert Status.BUDGET_SPENT not in statuses
    assert len(errors) >= 48
    assert np.mean(np.array(errors) <= 1.0) >= held
    assert np.mean(np.array(errors) <= 3.0) >= 0.98


def test_off_at_the_top_after_on_below_is_not_never_reached():
    """Two lapses at the top of the window do not make a switch deaf that was on further down."""
    for seed in range(4):
        switch, top = Switch(-60.0, 2.0, seed), []

        def measure(ask: Ask, switch=switch, top=top) -> bool:
            on = switch.measure(ask)
            if ask.level_db >= WINDOW_DB[1]:
                top.append(ask)
                return len(top) > 2 and on
            return on

        found = find_crossing(search(start_db=-50.0), measure)
        assert found.status is not Status.NEVER_REACHED
        assert abs(found.rising.level_db + 60.0) < 1.0


def test_answers_that_follow_nothing_are_mostly_not_told_as_a_level():
    """A coin tossed at every level is told as found in less than half the searches; no search can tell every coin from a switch."""
    told = []
    for seed in range(20):
        coin = np.random.default_rng(seed)
        told.append(find_crossing(search(), lambda _a, coin=coin: bool(coin.random() < 0.5)).status)
    assert told.count(Status.FOUND) < 10, told


# --- laws ------------------------------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(
    answers=st.lists(st.booleans(), min_size=40, max_size=40),
    low=st.floats(-140, -60),
    width=st.floats(1.0, 100),
    lag_s=st.sampled_from([0.0, 0.06, 0.8]),
)
def test_no_test_leaves_the_window_whatever_is_answered(
    answers: list[bool], low: float, width: float, lag_s: float
):
    """Nonsense answers move no test outside the window, and the search ends within its budget."""
    asking = search(window_db=(low, low + width), budget=40, settling=Settling(rise_s=lag_s, fall_s=lag_s))
    count = 0
    while (ask := asking.ask) is not None:
        assert low <= ask.level_db <= low + width
        assert ask.wait_s >= 0
        asking.tell(answers[count])
        count += 1
    assert count <= 40


@settings(max_examples=15, deadline=None)
@given(rising_db=st.floats(-95.0, -60.0), hysteresis_db=st.floats(0.0, 8.0))
def test_without_jitter_both_levels_are_found(rising_db: float, hysteresis_db: float):
    """An ideal switch is found within the accuracy, rising and falling."""
    found = find_crossing(search(), Switch(rising_db, hysteresis_db, jitter_db=0.0).measure)
    assert found.status is Status.FOUND
    assert abs(found.rising.level_db - rising_db) <= 0.6
    assert abs(found.falling.level_db - rising_db + hysteresis_db) <= 0.6


# --- bad input -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"window_db": (-50.0, -50.0)}, "is empty"),
        ({"accuracy_db": 0.0}, "accuracy_db"),
        ({"dwell_s": 0.0}, "dwell_s"),
        ({"segment": 0}, "segment is 0"),
        ({"budget": 2}, "budget"),
    ],
)
def test_a_senseless_question_is_refused_by_name(changes: dict, complaint: str):
    """Every wrong setting is named."""
    with pytest.raises(SearchInputError, match=complaint):
        search(**changes)


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"jitter_db": 0.0}, "jitter_db"),
        ({"jitter_doubt": 1.0}, "jitter_doubt"),
        ({"hysteresis_db": math.nan}, "hysteresis_db is nan"),
        ({"hysteresis_db": -1.0}, "hysteresis_db is -1"),
    ],
)
def test_a_senseless_manner_is_refused_by_name(changes: dict, complaint: str):
    """No jitter, a doubt that is none, and a hysteresis that is no number or below 0 are named."""
    with pytest.raises(SearchInputError, match=complaint):
        Manner(**{"hysteresis_db": 2.5, "jitter_db": 0.3, "jitter_doubt": 1.5, **changes})


def test_the_hysteresis_that_is_usual_helps_the_level_not_tested():
    """Tests of the rising level alone narrow the falling one, which lies a usual hysteresis below it."""
    manner = Manner(hysteresis_db=2.0, jitter_db=0.3, jitter_doubt=1.5)
    tests = [Trial(False, level_db, level_db > 0.0) for level_db in (-1.0, 1.0, -0.4, 0.4, -0.2, 0.2)]
    spans_db = (-9.0, 5.0), (-7.0, 7.0)
    before = FineGrid([], spans_db, manner).belief(rising=False)
    after = FineGrid(tests, spans_db, manner).belief(rising=False)
    assert after.half_width_db < 0.8 * before.half_width_db
    assert -4.0 < after.level_db < -1.0


@pytest.mark.parametrize(
    ("segment", "answer"), [(None, 3), (None, 0.5), (9, math.nan), (9, -1), (9, [True] * 5), (9, "lit")]
)
def test_an_answer_of_the_wrong_kind_is_refused_and_asked_again(segment: int | None, answer: object):
    """A count without a bar, NaN, a short pattern and text are refused by name; the search still stands."""
    asking = search(segment=segment)
    ask = asking.ask
    with pytest.raises(SearchInputError, match="reading is"):
        asking.tell(answer)  # type: ignore[arg-type]
    assert asking.ask == ask
    assert asking.result.readings == 0


def test_a_copy_goes_its_own_way():
    """A search can be copied to take an answer back."""
    asking = search()
    before = copy.deepcopy(asking)
    asking.tell(True)
    assert before.result.readings == 0
    assert asking.result.readings == 1


# --- the parts -------------------------------------------------------------------------------------------------------


def test_chance_is_a_normal_ogive():
    """The chance of 'on' is scipy's normal distribution function."""
    assert chance_on(1.0, 0.4, 0.5) == pytest.approx(norm.cdf(1.2))


def test_posterior_narrows_with_tests_and_centres_on_the_truth():
    """Two hundred tests of a known ogive leave the level within 0.15 dB and a narrow interval."""
    rng = np.random.default_rng(2)
    trials = []
    for _ in range(200):
        level_db = float(rng.uniform(-1.0, 1.0))
        trials.append(Trial(False, level_db, bool(rng.random() < norm.cdf((level_db - 0.2) / 0.4))))
    manner = Manner(hysteresis_db=2.5, jitter_db=0.4, jitter_doubt=1.5)
    few, many = (
        FineGrid(trials[:n], ((-7.0, 7.0), (-7.0, 7.0)), manner).belief(rising=True) for n in (20, 200)
    )
    assert many.half_width_db < few.half_width_db
    assert many.level_db == pytest.approx(0.2, abs=0.15)


def test_a_grid_weighs_as_a_sum_over_every_course_of_the_state():
    """After four tests each cell's weight is what the sum over all 32 courses of on and off gives, worked out one by one."""
    manner = Manner(hysteresis_db=2.5, jitter_db=0.4, jitter_doubt=1.5)
    tests = [
        Trial(None, level_db, on)
        for level_db, on in ((1.0, True), (-1.0, True), (0.4, False), (0.5, None), (-2.0, False))
    ]
    spans_db = ((-3.0, -1.0), (-1.0, 1.0))
    before, after = FineGrid([], spans_db, manner), FineGrid(tests, spans_db, manner)
    rng, cells = np.random.default_rng(4), []
    for _ in range(12):
        jitter, dropped, rising, falling = (int(rng.integers(n)) for n in before._on.shape)
        drop, false_on, _ = DROPPED[dropped]
        total = 0.0
        for course in itertools.product((False, True), repeat=len(tests) + 1):
            chance = 0.5
            for (was, now), test in zip(itertools.pairwise(course), tests, strict=True):
                threshold_db = before.falling_db[0, falling] if was else before.rising_db[rising, 0]
                on = norm.cdf((test.level_db - threshold_db) / before.jitter_db[jitter])
                chance *= on if now else 1 - on
                shown_on = 1 - drop if now else false_on
                missed = max(drop, LAPSE) if now else 1 - false_on
                chance *= {None: 1.0, True: shown_on, False: missed}[test.on]
            total += chance
        at = (jitter, dropped, rising, falling)
        cells.append((total * 2 * before._on[at], after._on[at] + after._off[at]))
    made, told = (np.array(column) for column in zip(*cells, strict=True))
    assert told / told.sum() == pytest.approx(made / made.sum(), rel=1e-3, abs=1e-6)


def test_an_off_that_may_have_been_dropped_is_tested_again():
    """Where a third of the answers are dropped, an off at a level that had been on is tested again at the same level."""
    switch = Switch(-80.0, 3.0, seed=3)
    found = find_crossing(search(), lapsing(switch, 0.35, seed=3))
    again = [at for at, taken in enumerate(found.history) if taken.ask.purpose == "again"]
    assert found.status is Status.INTERMITTENT
    assert again
    assert not any(found.history[at - 1].value for at in again)


def test_answers_that_follow_nothing_are_given_levels_once_in_20_at_the_most():
    """A coin of any bias, as Laplace's rule has it (Ville's inequality); of 120 more than 12 come once in 100 at that rate (binomial)."""
    stated = 0
    for k in range(120):
        rng = np.random.default_rng([97, k])
        bias = rng.random()
        coin = SwitchingSearch(window_db=(-130.0, -20.0), settling=Settling(rise_s=0.05, fall_s=0.05))
        stated += find_crossing(coin, lambda _ask, rng=rng, bias=bias: bool(rng.random() < bias)).found
    assert stated <= 12


@pytest.mark.parametrize("elsewhere", [False, True])
def test_a_proof_is_read_well_beyond_both_levels_and_not_where_it_is_proved_elsewhere(elsewhere: bool):
    """Beyond where it almost surely switches; a check that reads with and without a signal asks for none."""
    proofs_db = []
    for seed in range(6):
        switch = Switch(-80.0, 4.0, seed=seed, jitter_db=0.4)
        wanted = SwitchingSearch(
            window_db=WINDOW_DB,
            settling=Settling(rise_s=0.05, fall_s=0.05),
            proved_elsewhere=elsewhere,
        )
        found = find_crossing(wanted, switch.measure)
        assert found.status is Status.FOUND
        proofs_db += [one.ask.level_db for one in found.history if one.ask.purpose == "proof"]
    assert bool(proofs_db) is not elsewhere
    assert all(level_db > -77.5 or level_db < -86.5 for level_db in proofs_db)


def test_of_one_that_flutters_the_interval_stated_may_be_wider_than_the_accuracy_asked_for():
    """A jitter of 1.5 dB where 0.5 is usual: what is stated by the usual alone is never more than was asked."""
    widths_db, held, steady_db = [], [], []
    for seed in range(24):
        for jitter_db, kept in ((1.5, widths_db), (0.4, steady_db)):
            switch = Switch(-80.0, 5.0, seed=seed, jitter_db=jitter_db)
            wanted = SwitchingSearch(window_db=WINDOW_DB, settling=Settling(rise_s=0.05, fall_s=0.05))
            found = find_crossing(wanted, switch.measure)
            if found.status is not Status.FOUND:
                continue
            kept.append(found.rising.half_width_db)
            if jitter_db > 1:
                held.append(abs(found.rising.level_db + 80.0) <= 2 * found.rising.half_width_db)
    assert np.mean(widths_db) > 1.08 * np.mean(steady_db)
    assert np.max(widths_db) > 0.65 > np.max(steady_db)
    assert np.median(steady_db) <= 0.5
    assert np.mean(held) >= 0.8
