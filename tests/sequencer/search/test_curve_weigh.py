"""The search that weighs a family of curves: honest on laws that bend, low ceilings, lapses and meters that follow nothing."""

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Believer, Expected, Known
from sequencer.search.curve_family import Family, fm_family, meter_family, ratio_family
from sequencer.search.curve_likelihood import Point, log_sum, log_without
from sequencer.search.protocol import Ask, Crossing, Settling, Status, find_crossing
from tests.support.ssb_receiver import Receiver

WINDOW_DB = (-137.4, -20.0)
FM = fm_family(deviation_hz=1800.0, deemphasis=True, bandwidth_hz=None, tone_hz=1000.0, target_db=12.0)
SSB = ratio_family(target_db=12.0, slope=1.0, slope_sd=0.25, relative=0.07)
NEEDLE = meter_family(target=2.25, unit_per_db=2.25 / 54.0, doubt=0.25)
USUAL = Expected(level_db=-118.0, sd_db=5.0)


class Needle:
    """A meter at rest whose line bends at S9: one slope below, ``ratio`` of it above."""

    def __init__(self, crossing_db: float, seed: int, ratio: float, bend_db: float = 0.0) -> None:
        self.crossing_db, self.ratio, self.bend_db = crossing_db, ratio, bend_db
        self.rng = np.random.default_rng(seed)

    def rest_v(self, level_db: float) -> float:
        """Return where it comes to rest, V."""

        def line(x: float) -> float:
            return x if x < self.bend_db else self.bend_db + (x - self.bend_db) * self.ratio

        return max(0.0, 2.25 + 0.0417 * (line(level_db - self.crossing_db) - line(0.0)))

    def scatter_v(self, ask: Ask) -> float:
        """Return how far off one reading is, V."""
        return 0.0125 * math.sqrt(0.1 / ask.reading_s) * float(self.rng.standard_normal())

    def measure(self, ask: Ask) -> float:
        """Return one reading, V."""
        return self.rest_v(ask.level_db) + self.scatter_v(ask)


def find(measure: object, family: Family = SSB, **changes: object) -> Crossing:
    """Search as the checks do."""
    asked = {"target": 12.0, "window_db": WINDOW_DB, "prior": family, "expected": USUAL, **changes}
    return find_crossing(CurveSearch(**asked), measure)  # type: ignore[arg-type]


# --- the belief against the textbook ---------------------------------------------------------------------------------


def test_a_straight_line_of_known_slope_is_weighed_as_the_textbook_has_it() -> None:
    """One curve, one slope, equal scatter, a normal prior: the posterior is the normal conjugate one (Gelman et al., Bayesian Data
    Analysis, 2.5; from memory), but for the three possible scatters, which are made one here.
    """
    x_db = NEEDLE.x_db
    flat = np.ones((1, len(x_db)), np.float32)
    one = Family(
        x_db=x_db,
        excess=(2.0 * x_db * flat).astype(np.float32),
        slope=2.0 * flat,
        scatter=0.4 * 2.0 * flat,
        share=flat,
        doubt=0.0 * flat,
        log_weight=np.zeros(1),
        ratio=False,
        scale=2.0,
    )
    believer = Believer(one, (-10.0, 10.0), Expected(level_db=1.0, sd_db=2.0, anywhere=1e-9), 0.0)
    readings = [(-0.5, -0.7), (0.5, 1.9), (0.2, 0.1), (0.4, 0.4)]
    believed = believer.believe([(1.0, [Point(level_db=x, excess=y, reading_s=0.1) for x, y in readings])])
    crossings, sd = [x - y / 2.0 for x, y in readings], 0.4
    weights = [1 / 4.0] + [1 / sd**2] * len(crossings)
    mean = np.average([1.0, *crossings], weights=weights)
    assert believed.level_db == pytest.approx(mean, abs=0.02)
    # The scatter is believed to be 0.75 to 1.7 times as told: wider than with a known one by its mixture, not narrower.
    textbook = stats.norm.ppf(0.975) / math.sqrt(sum(weights))
    assert 0.9 * textbook < believed.half_width_db < 1.9 * textbook


def test_a_reading_that_follows_nothing_is_explained_by_the_mean_and_the_scatter_it_has() -> None:
    """The likelihood without a response exceeds that of one fixed normal law by chance only in expectation: it is a mixture of such laws,
    so that over many dead meters the ratio of the two has a mean of about 1 at most (Ville; checked by drawing from the mixture's middle).
    """
    rng = np.random.default_rng(4)
    ratios = []
    for _ in range(400):
        mean, sd = rng.normal(0.0, 6.0), rng.choice([0.3, 1.0, 2.2])
        excess = rng.normal(mean, sd, 5)
        points = [Point(level_db=0.0, excess=float(e), reading_s=0.1) for e in excess]
        own = float(stats.norm(mean, math.hypot(sd, 0.07)).logpdf(excess).sum())
        ratios.append(log_without(points, scale=1.0, step=0.0) - own)
    assert np.mean(ratios) < 0.0
    assert np.mean(np.array(ratios) > math.log(20.0)) < 0.05


def test_log_sum_agrees_with_scipy() -> None:
    """Against scipy.special.logsumexp."""
    from scipy.special import logsumexp

    values = np.random.default_rng(1).normal(-800.0, 30.0, (4, 5))
    assert log_sum(values) == pytest.approx(logsumexp(values))


# --- the families ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("family", [FM, SSB, NEEDLE])
def test_every_curve_of_a_family_crosses_where_x_is_nought(family: Family) -> None:
    """Each curve meets the target at x = 0, rises towards it and weighs something; all weights make 1."""
    middle = family.excess.shape[1] // 2
    assert family.x_db[middle] == pytest.approx(0.0, abs=1e-9)
    assert np.abs(family.excess[:, middle]).max() < 0.03 * family.scale
    assert (np.diff(family.excess, axis=1) >= -1e-6).all()
    assert np.exp(family.log_weight).sum() == pytest.approx(1.0)
    assert (family.scatter > 0).all()


def test_curves_that_end_below_the_target_are_left_out() -> None:
    """A target of 20 dB has no curve under a ceiling of 19 dB, one of 12 dB has."""
    high = ratio_family(target_db=20.0, slope=1.0, slope_sd=0.25, relative=0.07)
    assert len(high) < len(SSB)
    assert high.excess[:, -1].min() > 0.4
    assert (SSB.excess[:, -1] + 12.0).min() < 14.0


# --- found, and how well ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ceiling_db", [14.0, 17.0, 35.0])
def test_a_ceiling_of_sinad_does_not_hide_the_crossing(ceiling_db: float) -> None:
    """A receiver of so much distortion that its SINAD ends at 14 or 17 dB is found like any other."""
    held = 0
    for seed in range(30):
        crossing_db = float(np.random.default_rng(seed).normal(-117.0, 4.0))
        found = find(Receiver(crossing_db, seed, ceiling_db=ceiling_db).measure)
        assert found.status is Status.FOUND, found
        assert found.level_db is not None
        held += abs(found.level_db - crossing_db) <= found.half_width_db
    assert held >= 26  # 95 % of 30 is 28.5; fewer than 26 come by chance once in 60 times


@pytest.mark.parametrize(
    ("ratio", "bend_db"), [(1.0, 0.0), (0.5, 0.0), (0.36, 0.0), (0.36, 2.0), (0.4, -2.0)]
)
def test_a_law_that_bends_near_s9_is_found_within_its_interval(ratio: float, bend_db: float) -> None:
    """The slope above S9 is all, half, two fifths or a third of that below; the bend at S9 or 2 dB off."""
    held, readings = 0, []
    for seed in range(40):
        crossing_db = float(np.random.default_rng(seed).normal(-73.0, 6.0))
        found = find(
            Needle(crossing_db, seed, ratio, bend_db).measure,
            NEEDLE,
            target=2.25,
            window_db=(-120.0, -20.0),
            expected=Expected(level_db=-73.0, sd_db=6.0),
        )
        assert found.found, found
        assert found.level_db is not None
        held += abs(found.level_db - crossing_db) <= found.half_width_db
        readings.append(found.readings)
    assert held >= 34
    assert np.median(readings) <= 9


def test_the_slopes_beside_a_bend_are_told() -> None:
    """Beside a bend to a third the slope above is told to be smaller than the one below; on a straight line they are alike. (On average
    over ten meters: readings near the crossing say little of either, so that the belief stays between the two.)
    """
    means = {}
    for ratio in (1.0, 0.3):
        told = []
        for seed in range(10):
            found = find(
                Needle(-73.0, seed, ratio).measure,
                NEEDLE,
                target=2.25,
                window_db=(-120.0, -20.0),
                accuracy_db=0.25,
                expected=Expected(level_db=-73.0, sd_db=6.0),
            )
            if found.slopes_beside is not None:  # None where the search went on without the family
                told.append(found.slopes_beside[1] / found.slopes_beside[0])
        assert len(told) >= 7
        means[ratio] = float(np.mean(told))
    assert 0.8 < means[1.0] <= 1.01
    assert means[0.3] < means[1.0] - 0.2


def test_a_falling_reading_is_weighed_as_a_rising_one() -> None:
    """Turned upside down, the same readings give the same level and slopes of the other sign."""
    up = find(Needle(-73.0, 5, 0.5).measure, NEEDLE, target=2.25, window_db=(-120.0, -20.0))
    needle = Needle(-73.0, 5, 0.5)
    down = find(
        lambda ask: -needle.measure(ask), NEEDLE, target=-2.25, rising=False, window_db=(-120.0, -20.0)
    )
    assert down.level_db == pytest.approx(up.level_db)
    assert up.slopes_beside is not None
    assert down.slopes_beside == pytest.approx(tuple(-slope for slope in up.slopes_beside))


def test_what_no_curve_of_the_family_fits_is_found_without_it() -> None:
    """A line that rests at 1.9 V without a signal, of an eighth of the slope foretold: found as if nothing had been foretold."""
    for seed in range(12):
        rng = np.random.default_rng(seed)
        crossing_db = float(rng.normal(-73.0, 4.0))

        def read(ask: Ask, rng: np.random.Generator = rng, crossing_db: float = crossing_db) -> float:
            return max(1.9, 2.25 + 0.005 * (ask.level_db - crossing_db)) + 0.0015 * float(
                rng.standard_normal()
            )

        found = find(
            read, NEEDLE, target=2.25, window_db=(-120.0, -20.0), expected=Expected(level_db=-73.0, sd_db=6.0)
        )
        assert found.found, found
        assert found.level_db is not None
        assert abs(found.level_db - crossing_db) < 2 * max(found.half_width_db, 0.5)


# --- nothing false ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("family", [FM, SSB])
@pytest.mark.parametrize(
    ("mean_db", "sd_db"), [(5.0, 4.0), (10.0, 2.0), (12.0, 2.0), (12.0, 4.0), (15.0, 3.0)]
)
def test_a_dead_meter_that_scatters_has_no_crossing(family: Family, mean_db: float, sd_db: float) -> None:
    """Whatever a meter reads that does not follow the level: of 30 each, none is said to have a crossing."""
    for seed in range(30):
        rng = np.random.default_rng(seed)
        shorter = seed % 2

        def read(ask: Ask, rng: np.random.Generator = rng, shorter: int = shorter) -> float:
            averaged = math.sqrt(0.1 / ask.reading_s) if shorter else 1.0
            return max(0.0, mean_db + sd_db * averaged * float(rng.standard_normal()))

        assert not find(read, family, reading_range=(0.0, 60.0)).found


@pytest.mark.parametrize("lapses", [0.08, 0.2])
def test_an_intermittent_receiver_is_named_or_told_right(lapses: float) -> None:
    """Readings that fall away carry no answer away; where one fell away above the crossing and was seen to, that is said."""
    named = wrong = 0
    for seed in range(40):
        unit = Receiver(-117.0, seed, lapses=lapses)
        found = find(unit.measure)
        if found.found:
            assert found.level_db is not None
            wrong += abs(found.level_db + 117.0) > 1.5 * found.half_width_db
        named += found.status is Status.INTERMITTENT
        if found.status is Status.INTERMITTENT:
            assert "fell away" in found.warnings[0]
            assert unit.lapsed
        assert found.status is not Status.NO_RESPONSE
    assert wrong <= 2
    assert named >= 3


def test_a_slow_meter_of_unknown_pace_is_held_by_its_interval() -> None:
    """Told half its time constant, a needle's level is still held by the interval in nine of ten."""
    held, tau_s = 0, 0.6
    for seed in range(30):
        rng = np.random.default_rng(seed)
        crossing_db, state = float(rng.normal(-73.0, 5.0)), 0.0

        def read(ask: Ask, rng: np.random.Generator = rng, crossing_db: float = crossing_db) -> float:
            nonlocal state
            rest = max(0.0, 2.25 + 0.0417 * (ask.level_db - crossing_db))
            state = rest + (state - rest) * math.exp(-ask.wait_s / tau_s)
            left = (state - rest) * tau_s / ask.reading_s * -math.expm1(-ask.reading_s / tau_s)
            state = rest + (state - rest) * math.exp(-ask.reading_s / tau_s)
            return rest + left + 0.0125 * math.sqrt(0.1 / ask.reading_s) * float(rng.standard_normal())

        told = Settling(rise_s=0.3, fall_s=0.3, doubt=0.5)
        found = find(
            read,
            NEEDLE,
            target=2.25,
            window_db=(-120.0, -20.0),
            expected=Expected(level_db=-73.0, sd_db=6.0),
            settling=told,
        )
        assert found.level_db is not None
        held += found.found and abs(found.level_db - crossing_db) <= found.half_width_db
    assert held >= 26


def test_an_expectation_far_off_costs_readings_and_no_truth() -> None:
    """A receiver 40 dB deafer than expected is found all the same."""
    for seed in range(10):
        found = find(Receiver(-77.0, seed).measure)
        assert found.status is Status.FOUND
        assert found.level_db == pytest.approx(-77.0, abs=3 * found.half_width_db)


class NeedleWithPlay(Needle):
    """A needle that stays half of its play behind the level, in either direction, with a lag of ``tau_s``."""

    play_db, tau_s, stands_v, held_db = 1.0, 0.4, 0.0, -140.0

    def measure(self, ask: Ask) -> float:
        """Return one reading, V: the mean of what the lag lets the line come to."""
        half_db = self.play_db / 2
        self.held_db = min(max(self.held_db, ask.level_db - half_db), ask.level_db + half_db)
        rest_v = self.rest_v(self.held_db)
        left_v = (self.stands_v - rest_v) * math.exp(-ask.wait_s / self.tau_s)
        share = self.tau_s / ask.reading_s * -math.expm1(-ask.reading_s / self.tau_s)
        self.stands_v = rest_v + left_v * math.exp(-ask.reading_s / self.tau_s)
        return rest_v + left_v * share + self.scatter_v(ask)


SLOW = Settling(rise_s=0.4, fall_s=0.4, least_s=0.03, doubt=0.5)


class OneSidedNeedle(Needle):
    """A needle without play that rises and falls each at its own pace, from nought."""

    def __init__(self, seed: int, rise_s: float, fall_s: float) -> None:
        super().__init__(-70.0, seed, 1.0)
        self.rise_s, self.fall_s, self.stands_v = rise_s, fall_s, 0.0

    def measure(self, ask: Ask) -> float:
        """Return one reading, V: the mean of what the lag lets the line come to."""
        rest_v = self.rest_v(ask.level_db)
        tau_s = self.rise_s if rest_v > self.stands_v else self.fall_s
        left_v = (self.stands_v - rest_v) * math.exp(-ask.wait_s / tau_s)
        share = tau_s / ask.reading_s * -math.expm1(-ask.reading_s / tau_s)
        self.stands_v = rest_v + left_v * math.exp(-ask.reading_s / tau_s)
        return rest_v + left_v * share + self.scatter_v(ask)


@pytest.mark.parametrize(("rise_s", "fall_s"), [(0.3, 3.0), (1.2, 0.6)])
def test_a_meter_slower_than_told_on_one_side_only_is_not_stated_far_off(
    rise_s: float, fall_s: float
) -> None:
    """Told 0.3 s up and 0.6 s down, one of them four or five times as slow: most are held, one at most is off by twice its interval.

    Before: late readings passed for play, and of these sixteen eight and six were held, six and four off by more than twice.
    """
    off, held = 0, 0
    for seed in range(16):
        found = find(
            OneSidedNeedle(seed, rise_s, fall_s).measure,
            NEEDLE,
            target=2.25,
            window_db=(-120.0, -20.0),
            expected=Expected(level_db=-73.0, sd_db=6.0),
            settling=Settling(rise_s=0.3, fall_s=0.6, least_s=0.03, doubt=0.5),
        )
        if found.status is not Status.FOUND or found.level_db is None:
            continue
        error_db = abs(found.level_db + 70.0)
        held += error_db <= found.half_width_db
        off += error_db > 2 * found.half_width_db
    assert off <= 1
    assert held >= 11


def test_a_meter_is_waited_for_by_the_time_constant_that_its_readings_show() -> None:
    """Told to be uncertain by half, known to a sixth after some readings: so much less is waited before the last one."""
    last_s = []
    for seed in range(6):
        needle = NeedleWithPlay(-70.0, seed, 1.0)
        needle.play_db = 0.0
        found = find(
            needle.measure,
            NEEDLE,
            target=2.25,
            window_db=(-120.0, -20.0),
            expected=Expected(level_db=-73.0, sd_db=6.0),
            settling=SLOW,
        )
        assert found.status is Status.FOUND
        asks = [one.ask for one in found.history]
        last_s += [
            ask.wait_s
            for before, ask in itertools.pairwise(asks)
            if (before.purpose, ask.purpose) == ("proof", "near")
        ][-1:]
    assert len(last_s) >= 3
    assert max(last_s) < 2.0 * SLOW.rise_s


def test_a_crossing_passed_from_both_sides_is_not_left_for_a_proof_of_play() -> None:
    """Readings within 2 dB count by the way they were approached: one journey at most in five of six needles."""
    journeys = []
    for seed in range(6):
        needle = NeedleWithPlay(-70.0, seed, 1.0)
        needle.play_db = 0.0
        found = find(
            needle.measure,
            NEEDLE,
            target=2.25,
            window_db=(-120.0, -20.0),
            expected=Expected(level_db=-73.0, sd_db=6.0),
            settling=SLOW,
        )
        assert found.level_db is not None
        levels = [one.ask.level_db for one in found.history]
        moves = [
            (after > before)
            for before, after in itertools.pairwise(levels)
            if abs(after - before) >= 0.59 and abs(after - found.level_db) <= 2.5
        ]
        assert {True, False} <= set(moves)
        journeys.append(sum(one.ask.purpose == "proof" for one in found.history))
    assert sorted(journeys)[4] <= 1


@pytest.fixture(scope="module", params=[0.0, 1.0, 2.0])
def approached(request: pytest.FixtureRequest) -> tuple[float, list[Crossing]]:
    """The play, dB, and what ten needles that have it were found at; all cross at -70 dBm, midway between both directions."""
    found = []
    for seed in range(10):
        needle = NeedleWithPlay(-70.0, seed, 1.0)
        needle.play_db = request.param
        found.append(
            find(
                needle.measure,
                NEEDLE,
                target=2.25,
                window_db=(-120.0, -20.0),
                expected=Expected(level_db=-73.0, sd_db=6.0),
                settling=SLOW,
            )
        )
    return request.param, found


def find_slow_and_bent(
    seed: int, accuracy_db: float, *, bend_db: float = 0.0, budget: int = 60
) -> tuple[float, Crossing]:
    """Return where a needle with a lag, and a fifth of its slope from about S9 on, crosses, and what was found of it."""
    rng = np.random.default_rng(seed)
    needle = NeedleWithPlay(float(rng.normal(-73.0, 6.0)), seed, 0.2, bend_db + float(rng.uniform(-0.5, 0.1)))
    needle.play_db = 0.0
    found = find(
        needle.measure,
        NEEDLE,
        target=2.25,
        window_db=(-120.0, -20.0),
        accuracy_db=accuracy_db,
        budget=budget,
        expected=Expected(level_db=-73.0, sd_db=6.0),
        settling=SLOW,
    )
    return needle.crossing_db, found


def test_a_slow_meter_that_bends_at_s9_is_held_by_its_interval() -> None:
    """What has not come to rest is weighed as the voltage that it is: between two slopes it is no level.

    Before: a level between both was taken, too high on the way up and down: 12 of 20 were held, 4 named for faults they do not have.
    It is the worst case there is: of 90 others of the kind 64 are held. What lies outside lies so by less than the accuracy asked for.
    """
    both = [find_slow_and_bent(seed, 0.5) for seed in range(20)]
    assert [one.status for _, one in both] == [Status.FOUND] * 20
    off_db = [abs((one.level_db or 0.0) - truth) - one.half_width_db for truth, one in both]
    assert sum(off <= 0.0 for off in off_db) >= 14
    assert max(off_db) < 0.5


def test_a_meter_slower_than_told_is_not_called_intermittent_for_its_first_reading() -> None:
    """Its first reading is taken on a way of tens of dB: that it lies far below the others is no lapse."""
    needle = NeedleWithPlay(-81.0, 3, 0.36)
    needle.play_db, needle.tau_s = 0.0, 0.25
    told = Settling(rise_s=0.09, fall_s=0.09, least_s=0.03, doubt=0.5)  # below 0.1 s no first sample is taken
    found = find(
        needle.measure,
        NEEDLE,
        target=2.25,
        window_db=(-120.0, -20.0),
        expected=Expected(level_db=-73.0, sd_db=6.0),
        settling=told,
    )
    assert found.status is Status.FOUND, found.warnings


def test_a_quiet_meter_on_a_gentle_slope_is_not_called_unstable() -> None:
    """A fifth of the slope makes five times the scatter in dB: that the readings do not suffice is all that is said."""
    truth_db, got = find_slow_and_bent(4, 0.05, bend_db=-3.0, budget=25)
    assert got.status is Status.BUDGET_SPENT
    assert got.level_db == pytest.approx(truth_db, abs=1.5 * got.half_width_db)


def test_a_meter_with_play_is_approached_from_both_sides_and_its_play_told(
    approached: tuple[float, list[Crossing]],
) -> None:
    """Of meters with 1 or 2 dB of play the middle is stated, and the play told of most with 2 dB; of those without none is told.

    Before: of meters with 1 dB of play 68 in 100 intervals held the middle, and nothing was told.
    """
    play_db, found = approached
    assert all(one.found for one in found)
    off_db = [abs(one.level_db + 70.0) - one.half_width_db for one in found if one.level_db is not None]
    assert sum(off > 0.0 for off in off_db) <= 1
    assert max(off_db) < 0.5
    told = [one.play_db for one in found if one.play_db]
    if play_db:
        assert len(told) >= (8 if play_db > 1.0 else 0)
        assert np.mean(told or [play_db]) == pytest.approx(play_db, abs=0.6)
    else:
        assert len(told) <= 1


def test_a_slow_meter_is_found_without_waiting_out_where_it_stood(
    approached: tuple[float, list[Crossing]],
) -> None:
    """The first reading tells where it stood: it is taken at once, and the second need not wait five time constants."""
    for one in approached[1]:
        first, second = one.history[:2]
        assert first.ask.wait_s <= SLOW.least_s
        assert second.ask.level_db == first.ask.level_db
        assert second.ask.wait_s < 3.0 * SLOW.rise_s


def test_a_search_that_goes_on_from_where_the_last_one_ended_takes_no_first_sample() -> None:
    """The next mark of a meter: where the needle stands is known, and so is its play."""
    needle = Needle(-70.0, 1, 1.0)
    got = find(
        needle.measure,
        NEEDLE,
        target=2.25,
        window_db=(-120.0, -20.0),
        expected=Expected(level_db=-71.0, sd_db=3.0),
        settling=SLOW,
        stands=Known(level_db=-76.0, reading=2.0, sd_db=0.2),
        play_db=0.0,
    )
    assert got.found
    assert got.play_db == 0.0
    assert got.level_db == pytest.approx(-70.0, abs=0.5)
    assert got.history[0].ask.wait_s > SLOW.rise_s / 2
    assert got.readings <= 8
