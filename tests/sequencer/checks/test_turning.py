"""What is worked out of live readings, by arithmetic alone: no bench, no terminal."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import pytest

from drivers.faults import Refused
from drivers.roles import RangeState, Reading
from sequencer.checks.adjusting.turning import TURN_BACK, Goal, Trend, Turned, Turning
from sequencer.checks.live import LiveStart, LiveView, Press

BAND = Goal(
    preset="power", text="RV4", quantity="power", unit="W", aim="band", low=3.7, high=3.9, quiet=0.002
)
PEAK = Goal(preset="input", text="L3", quantity="SINAD", unit="dB", aim="maximum", quiet=0.2)


def seen(goal: Goal, figures: list[float]) -> Trend:
    """Return what readings five a second say."""
    trend = Trend(goal)
    for number, figure in enumerate(figures):
        trend.add(0.2 * number, figure)
    return trend


def test_nothing_is_known_of_a_figure_that_stands() -> None:
    """Readings that stand still say no way, no speed to speak of, and that they are steady."""
    trend = seen(BAND, [3.0, 3.001, 3.0, 3.001, 3.0])
    assert (trend.way, trend.steady) == ("", True)
    assert trend.rate_per_s == pytest.approx(0.0, abs=0.01)


def test_towards_the_band_is_on_and_away_from_it_is_back() -> None:
    """Rising from below the band is the right way, on beyond it the wrong one; both are told with the speed."""
    rising = [3.0, 3.1, 3.2, 3.3, 3.4]
    assert seen(BAND, rising).way == "on"
    assert seen(BAND, rising).rate_per_s == pytest.approx(0.5)
    assert seen(BAND, [*rising, 3.8, 4.2, 4.6, 5.0]).way == "back"
    assert not seen(BAND, rising).steady


def test_one_odd_reading_turns_nobody_round() -> None:
    """A single reading far off, a contact touched, is no movement and no best: the middle one of three counts."""
    trend = seen(PEAK, [10.0, 10.1, 10.0, 25.0, 10.1, 10.0])
    assert trend.way == ""
    assert trend.best == pytest.approx(10.1, abs=0.1)


def test_past_a_peak_it_says_by_how_much() -> None:
    """Up to 14 dB and back to 12 dB: the best is 14 dB and 2 dB lie behind it; at the best nothing does."""
    up = [10.0, 11.0, 12.0, 13.0, 14.0, 14.0, 14.0]
    assert seen(PEAK, up).past_best == 0.0
    trend = seen(PEAK, [*up, 13.0, 12.0, 12.0, 12.0])
    assert trend.best == 14.0
    assert trend.past_best == pytest.approx(2.0)
    assert trend.way == "back"


def test_a_minimum_is_the_other_way_round() -> None:
    """Of what is brought down the lowest is the best."""
    low = Goal(preset="bias", text="R1", quantity="current", unit="A", aim="minimum", quiet=0.002)
    trend = seen(low, [1.0, 0.8, 0.6, 0.6, 0.6, 0.7, 0.7, 0.7])
    assert trend.best == pytest.approx(0.6)
    assert trend.past_best == pytest.approx(0.1)


def test_scatter_is_seldom_taken_for_past_the_best() -> None:
    """A figure that stands and scatters by 0.5 dB is said to be past its best in a fifth of the looks at most; it was in two thirds."""
    peak = Goal(preset="front_end", text="L3", quantity="SINAD", unit="dB", aim="maximum", quiet=0.2)
    said = looks = 0
    for seed in range(20):
        lot, trend = random.Random(seed), Trend(peak)
        for number in range(100):
            trend.add(0.2 * number, 12.0 + lot.gauss(0.0, 0.5))
            said += trend.past_best > 0.0
            looks += 1
    assert said / looks < 0.2


def test_the_middle_one_of_three_is_what_counts() -> None:
    """Of 3.0, 3.1 and 3.2 W the best is 3.1 W, whatever was read before them."""
    assert seen(BAND, [3.0, 3.0, 3.1, 3.2]).best == pytest.approx(3.1)


def test_to_and_fro_is_scatter_and_a_bend_is_not() -> None:
    """A contact that changes between two figures moves nowhere; a figure that runs away ever faster does, either way."""
    assert seen(BAND, [3.0, 3.0, 3.0, 3.1, *[3.0, 3.1] * 4]).way == ""
    assert seen(BAND, [3.0, 3.0, 3.0, 3.05, 3.5]).way == "on"
    assert seen(BAND, [5.0, 5.0, 5.0, 4.95, 4.5]).way == "on"
    assert seen(PEAK, [11.0, 10.0, 11.0, 10.0]).past_best == 0.0  # four readings are enough to tell


def test_a_rest_is_no_movement() -> None:
    """What moved while nobody watched, a stage that cooled, is not taken for a turning."""
    trend = seen(BAND, [3.0, 3.0, 3.0])
    trend.forget()
    assert trend.past_best == 0.0
    trend.add(20.0, 3.3)
    assert trend.way == ""
    assert trend.rate_per_s is None


# --- one preset under a hand: what is read, waited, shown and released --------------------------------------------------


class Bench:
    """A side's pace and its figure, by a clock of its own; a reading takes ``reading_s``."""

    def __init__(self, figures: list[Reading], *, resting_s: float = 0.0, reading_s: float = 0.05) -> None:
        self.figures, self.left_s, self.reading_s = figures, resting_s, reading_s
        self.clock_s = 100.0
        self.reads, self.rests_after = 0, 0
        self.waits: list[float] = []
        self.released: list[str] = []
        self.keyed = True

    def now_s(self) -> float:
        """Return the clock, s."""
        return self.clock_s

    def resting_s(self) -> float:
        """Return what is left of the rest, s."""
        return self.left_s

    def key_left_s(self) -> float | None:
        """Return what is left of the key-down, s."""
        return 30.0 if self.keyed else None

    def release(self, why: str = "") -> None:
        """Release."""
        self.released.append(why)
        self.keyed = False

    def pause_s(self, seconds: float) -> None:
        """Rest."""
        self.left_s = max(0.0, self.left_s - seconds)
        self.clock_s += seconds

    def wait_s(self, seconds: float) -> None:
        """Wait."""
        self.waits.append(seconds)
        self.clock_s += seconds

    def read(self) -> Reading:
        """Return the next figure; the last one for ever."""
        self.reads += 1
        self.clock_s += self.reading_s
        if self.reads == self.rests_after:
            self.left_s = 0.3
        return self.figures.pop(0) if len(self.figures) > 1 else self.figures[0]


class Hand:
    """A person who presses what is written down, a press a look, and then nothing."""

    def __init__(self, *presses: Press | None) -> None:
        self.presses = list(presses)
        self.begun: list[LiveStart] = []
        self.looks: list[LiveView] = []
        self.ended: list[str] = []

    def begin(self, start: LiveStart) -> None:
        """Begin."""
        self.begun.append(start)

    def show(self, view: LiveView) -> Press | None:
        """Look."""
        self.looks.append(view)
        return self.presses.pop(0) if self.presses else None

    def end(self, outcome: str) -> None:
        """End."""
        self.ended.append(outcome)


def read(number: float) -> Reading:
    """Return a reading."""
    return Reading(number=number, state=RangeState.IN_RANGE)


def turn(hand: Hand, bench: Bench, *, goal: Goal = BAND, **more: Any) -> Turned:
    """Turn a preset; who presses nothing for a minute has gone."""
    return Turning(goal, hand, bench, bench.read, **{"away_s": 60.0, **more}).run()


@pytest.mark.parametrize(
    ("press", "said"),
    [
        (Press.KEEP, "power: kept after 1 s"),
        (Press.SKIP, "power: skipped after 1 s"),
        (Press.BACK, "power: left for the preset before it after 1 s"),
    ],
)
def test_a_press_ends_it_and_is_told(press: Press, said: str) -> None:
    """Kept, skipped or left: which, after how long, and the best figure seen; told once."""
    hand, bench = Hand(None, None, None, None, press), Bench([read(3.0), read(3.1), read(3.75)])
    turned = turn(hand, bench)
    assert (turned.press, hand.ended) == (press, [said])
    assert turned.best == pytest.approx(3.75)
    assert turned.seconds == pytest.approx(0.85)  # four periods of 0.2 s, and the reading that was kept
    (start,) = hand.begun
    assert (start.preset, start.text, start.unit, start.transmits) == ("power", "RV4", "W", True)


def test_speed_and_rest_are_told_with_the_figure_and_not_without() -> None:
    """0.1 W more every fifth of a second is half a watt a second, from the second reading on; what stands is steady from the third."""
    hand = Hand(*[None] * 3, Press.KEEP)
    turn(hand, Bench([read(3.0), read(3.1), read(3.2), read(3.3)]))
    assert [view.rate_per_s for view in hand.looks] == [None, *[pytest.approx(0.5)] * 3]
    assert not any(view.steady for view in hand.looks)
    still = Hand(*[None] * 4, Press.KEEP)
    turn(
        still, Bench([read(3.0), read(3.0), read(3.0), Reading(number=None, state=RangeState.NO_MEASUREMENT)])
    )
    assert [view.steady for view in still.looks] == [False, False, True, False, False]
    fallen = Hand(*[None] * 6, Press.KEEP)
    nothing = Reading(number=None, state=RangeState.NO_MEASUREMENT)
    turn(fallen, Bench([*[read(14.0)] * 3, *[read(12.0)] * 3, nothing]), goal=PEAK)
    assert [view.past_best for view in fallen.looks] == pytest.approx([0.0, 0.0, 0.0, 0.0, 2.0, 2.0, 0.0])


def test_readings_come_five_a_second() -> None:
    """A period of 0.2 s less what the reading took, and nothing where it took longer; after the last press nobody waits."""
    hand, bench = Hand(None, None, Press.KEEP), Bench([read(3.0)])
    turn(hand, bench)
    assert bench.waits == pytest.approx([0.15, 0.15])
    slow = Bench([read(3.0)], reading_s=0.5)
    turn(Hand(None, None, Press.KEEP), slow)
    assert slow.waits == []


@pytest.mark.parametrize(("transmits", "released"), [(True, "; PTT is released"), (False, "")])
def test_who_presses_nothing_has_gone(transmits: bool, released: str) -> None:
    """After a minute without a key it ends by itself; a key starts the minute anew. Of PTT it speaks where there is any."""
    hand, bench = Hand(*[None] * 100, Press.STILL_HERE), Bench([read(3.0)])
    turned = turn(hand, bench, transmits=transmits)
    assert turned.press is None
    assert turned.seconds == pytest.approx(
        20.0 + 60.0, abs=0.5
    )  # the key came with the 101st look, 0.2 s each
    assert hand.ended == [f"power: skipped, because no key was pressed for 60 s{released}"]
    left = [view.away_in_s for view in hand.looks]
    assert left[0] == pytest.approx(60.0, abs=0.1)
    assert left[100] == pytest.approx(40.0, abs=0.1)
    assert left[102] == pytest.approx(60.0, abs=0.3)
    assert 0.0 <= min(left) < 0.3  # it runs out


def test_how_far_it_is_from_the_middle_and_nothing_inside() -> None:
    """3.6 W are 0.2 W below 3.8 W, 4.1 W 0.3 W above; both ends of 3.7 to 3.9 W are inside. An extreme has no way to go in figures."""
    hand = Hand(*[None] * 4, Press.KEEP)
    turn(hand, Bench([read(3.6), read(4.1), read(3.7), read(3.9), read(3.8)]))
    assert [view.to_go for view in hand.looks] == pytest.approx([0.2, -0.3, 0.0, 0.0, 0.0])
    assert {view.key_left_s for view in hand.looks} == {30.0}
    peak = Hand(Press.KEEP)
    turn(peak, Bench([read(3.6)]), goal=PEAK)
    assert peak.looks[0].to_go is None


def test_nothing_is_read_while_the_unit_rests() -> None:
    """A rest is shown as it runs out, in parts of a fifth of a second at most, and what was seen before it is no movement."""
    hand, bench = Hand(*[None] * 4, Press.KEEP), Bench([read(3.8)], resting_s=0.5)
    turn(hand, bench)
    resting = [view.resting_s for view in hand.looks]
    assert resting == pytest.approx([0.5, 0.3, 0.1, 0.0, 0.0])
    assert [view.value for view in hand.looks] == [None, None, None, 3.8, 3.8]
    assert bench.reads == 2


def test_a_rest_between_readings_is_no_movement() -> None:
    """What moved while the unit rested has no speed: it is watched anew."""
    hand, bench = Hand(*[None] * 5, Press.KEEP), Bench([read(3.0), read(3.1), read(3.6), read(3.7)])
    bench.rests_after = 2
    turn(hand, bench)
    rates = [view.rate_per_s for view in hand.looks]
    assert rates == [None, pytest.approx(0.5), None, None, None, pytest.approx(0.5)]
    assert [view.value for view in hand.looks] == [3.0, 3.1, None, None, 3.6, 3.7]


def test_what_is_no_number_is_said_in_words_and_no_best() -> None:
    """Over-range is shown as such, and so is what else keeps a figure from being read where the caller says it."""
    over = Reading(number=None, state=RangeState.OVER_RANGE)
    hand = Hand(None, Press.KEEP)
    assert turn(hand, Bench([over])).best is None
    assert {view.note for view in hand.looks} == {RangeState.OVER_RANGE.value}
    watched = Hand(Press.KEEP)
    turn(watched, Bench([over]), watched=lambda: "by eye")
    assert watched.looks[0].note == "by eye"


def test_what_to_turn_is_explained_until_another_key_is_pressed() -> None:
    """The text and the advice beside it, from the look after the key on."""
    hand = Hand(Press.EXPLAIN, None, Press.STILL_HERE, Press.KEEP)
    turn(hand, Bench([read(3.8)]), goal=replace(BAND, advice="slowly"))
    assert [view.note for view in hand.looks] == ["", "RV4; slowly", "RV4; slowly", ""]


def too_much(figure: float) -> str:
    """Say of more than 5 W that it is too much."""
    return "above 5 W" if figure > 5.0 else ""


def test_above_a_rating_it_is_released_and_read_once_more_when_said_to_be_turned_back() -> None:
    """PTT is released before anything is shown and nothing is read meanwhile; whoever says it was turned back goes on from there."""
    hand, bench = Hand(None, None, Press.KEEP, None, Press.KEEP), Bench([read(5.5), read(3.8)])
    turned = turn(hand, bench, too_much=too_much)
    assert bench.released == [""]
    assert [view.value for view in hand.looks] == [None, None, None, 3.8, 3.8]
    assert all(TURN_BACK in view.note for view in hand.looks[:3])
    assert (turned.press, turned.best) == (Press.KEEP, 3.8)  # the key that said so kept nothing


@pytest.mark.parametrize("presses", [[Press.KEEP], [Press.SKIP], [Press.BACK], []])
def test_who_does_not_turn_back_is_keyed_no_more(presses: list[Press]) -> None:
    """Above it once more, skipped, left or gone: it is released for good, with the reason, and ends as a refusal."""
    hand, bench = Hand(None, *presses), Bench([read(5.5)])
    with pytest.raises(Refused, match="above 5 W: PTT is not pressed for it any more"):
        turn(hand, bench, too_much=too_much)
    assert bench.released[0] == ""
    assert bench.released[-1] == "above 5 W"
    assert bench.reads == (2 if presses == [Press.KEEP] else 1)
    if presses == [Press.KEEP]:
        assert (
            len(hand.looks) == 2
        )  # above it once more it is refused at once: nobody is asked to turn back a second time
    assert hand.ended == ["power: ended before it was kept"]


def test_a_second_time_above_after_it_was_below_is_asked_again() -> None:
    """Only above it twice running is a refusal; who was below in between is asked to turn back again."""
    figures = [read(5.5), read(3.8), read(5.6), read(3.8)]
    hand = Hand(None, Press.KEEP, None, None, Press.KEEP, Press.KEEP)
    bench = Bench(figures)
    assert turn(hand, bench, too_much=too_much).press is Press.KEEP
    assert bench.released == ["", ""]
