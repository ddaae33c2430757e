"""A preset is turned by a person while its figure is read: what is shown of each reading, and when it ends.

Nothing that is read here is a result. What the person needs is worked out of the readings alone: how far it still is, whether the last
turning went the right way, how fast it moves, and, for a peak, how far behind the best the figure has fallen.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Callable
from typing import NoReturn, Protocol

from drivers.faults import Refused
from drivers.roles import Reading
from sequencer.checks.live import Aim, LivePerson, LiveStart, LiveView, Press, Way
from sequencer.frozen import dataclass

TURN_BACK = "PTT is released: turn it back, then press the key that keeps it, and it is read once"
PERIOD_S = 0.2
"""From reading to reading: up to five a second, as fast as a hand can follow."""
RECENT = 5  # readings, of one second: what a hand did lately
LEAST_REST_S = 1e-3  # less is dust of the arithmetic, which the next press waits for by itself
QUIET_SHARE = 0.1  # of half the band: a figure that moves by less stands still
TIMES_NOISE = 3.0
TIMES_LUCK = 2.0
BEND_VARIANCE = 6.0  # of a second difference, 1 - 2 + 1, in that of one reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """Where a figure belongs: between ``low`` and ``high``, or at its ``aim``. ``quiet`` is what it scatters by at least, in ``unit``."""

    preset: str
    text: str
    quantity: str
    unit: str
    aim: Aim
    low: float | None = None
    high: float | None = None
    quiet: float = 0.0
    advice: str = ""

    @property
    def explained(self) -> str:
        """What is turned, and to where, in one line."""
        return f"{self.text}; {self.advice}" if self.advice else self.text


class Pace(Protocol):
    """How a side lets time pass between the readings."""

    def now_s(self) -> float:
        """Return the bench's clock, s."""

    def resting_s(self) -> float:
        """Return how long the unit must rest before the next reading, s; 0 where it may be taken now."""

    def key_left_s(self) -> float | None:
        """Return what is left of the key-down, s; None where nothing is keyed."""

    def release(self, why: str = "") -> None:
        """Release PTT at once; ``why``, where it is not to be pressed any more in this run."""

    def pause_s(self, seconds: float) -> None:
        """Let time pass at rest."""

    def wait_s(self, seconds: float) -> None:
        """Let time pass between two readings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """How turning ended: ``press`` None where the person walked away. ``best`` is the best figure that was seen, None for none."""

    press: Press | None
    seconds: float
    best: float | None


class Trend:
    """What the last readings say: how the figure moves, and whether that is towards its goal."""

    def __init__(self, goal: Goal) -> None:
        self._goal = goal
        self._seen: list[tuple[float, float]] = []
        self._anchor: float | None = None
        self._noise = 0.0
        self.way: Way = ""
        self.best: float | None = None

    def add(self, at_s: float, figure: float) -> None:
        """Take a reading."""
        self._seen = [*self._seen[1 - RECENT :], (at_s, figure)]
        middle = self._middle()
        self._noise = max(self._noise * 0.9, self._scatter())
        if self._anchor is None:
            self._anchor = middle
        step = max(self._least(), TIMES_NOISE * self._noise / len(self._seen) ** 0.5)
        if abs(middle - self._anchor) > step:
            nearer = self._distance(middle) < self._distance(self._anchor)
            self.way = "on" if nearer else "back"
            self._anchor = middle
        if self.best is None or self._distance(middle) < self._distance(self.best):
            self.best = middle

    @property
    def past_best(self) -> float:
        """How far the figure, the middle one of the last, lies behind the best, never below 0, nor below what scatter makes of it.

        The best of many is the luckiest: a figure that stands still lies behind it by twice its scatter now and then.
        """
        if self.best is None or not self._seen:
            return 0.0
        behind = self._distance(self._middle()) - self._distance(self.best)
        return behind if behind > max(self._least(), TIMES_LUCK * self._noise) else 0.0

    @property
    def steady(self) -> bool:
        """Say whether the figure stands still."""
        figures = [figure for _, figure in self._seen]
        return len(figures) >= 3 and max(figures[-3:]) - min(figures[-3:]) <= max(
            self._least(), TIMES_NOISE * self._goal.quiet
        )

    @property
    def rate_per_s(self) -> float | None:
        """How fast it moves, in its unit per s; None for fewer than two readings."""
        if len(self._seen) < 2:
            return None
        (first_s, first), (last_s, last) = self._seen[0], self._seen[-1]
        return (last - first) / (last_s - first_s) if last_s > first_s else None

    def forget(self) -> None:
        """Begin anew: time has passed that was not watched."""
        self._seen = []
        self._anchor = None

    def _middle(self) -> float:
        count = RECENT if self._noise > self._least() else 3
        return statistics.median(figure for _, figure in self._seen[-count:])

    def _scatter(self) -> float:
        """Return about the scatter of one reading, where neighbours go to and fro: by second differences, which no steady turning makes."""
        figures = [figure for _, figure in self._seen]
        steps = [after - before for before, after in itertools.pairwise(figures)]
        if len(steps) < 3 or all(one >= 0.0 for one in steps) or all(one <= 0.0 for one in steps):
            return 0.0
        bends = [after - before for before, after in itertools.pairwise(steps)]
        return math.sqrt(statistics.fmean(one * one for one in bends) / BEND_VARIANCE)

    def _least(self) -> float:
        goal = self._goal
        if goal.low is None or goal.high is None:
            return goal.quiet
        return max(goal.quiet, QUIET_SHARE * (goal.high - goal.low) / 2.0)

    def _distance(self, figure: float) -> float:
        """Return how far a figure is from where it belongs; of an extreme, the nearer the more of it."""
        goal = self._goal
        if goal.low is not None and goal.high is not None:
            return abs(figure - (goal.low + goal.high) / 2.0)
        return figure if goal.aim == "minimum" else -figure


def above_rating(told: str) -> Refused:
    """Return the fault of a unit that stands above a rating: PTT is not pressed into that."""
    return Refused(
        f"{told}: PTT is not pressed for it any more",
        instrument="radio",
        address="PTT",
        next_move="Turn or set it back with PTT released, put a load and path of a higher rating on, or both; then adjust again.",
    )


class Turning:
    """One preset under a person's hand."""

    def __init__(
        self,
        goal: Goal,
        person: LivePerson,
        pace: Pace,
        read: Callable[[], Reading],
        *,
        away_s: float,
        place: str = "",
        transmits: bool = True,
        turn_by: Callable[[float], None] | None = None,
        prepare: Callable[[], object] = lambda: None,
        watched: Callable[[], str] = lambda: "",
        too_much: Callable[[float], str] = lambda figure: "",
    ) -> None:
        self._too_much = too_much
        self._above = ""
        self._once_more = False
        self._prepare = prepare
        self._watched = watched
        self._goal = goal
        self._person = person
        self._pace = pace
        self._read = read
        self._away_s = away_s
        self._trend = Trend(goal)
        self._pressed_s = 0.0
        self._note = ""
        self._start = LiveStart(
            preset=goal.preset,
            text=goal.explained,
            quantity=goal.quantity,
            unit=goal.unit,
            place=place,
            transmits=transmits,
            turn_by=turn_by,
        )

    def run(self) -> Turned:
        """Read and show until the person keeps, skips or goes back, or walks away. `end` is told in any case."""
        self._person.begin(self._start)
        outcome = f"{self._goal.preset}: ended before it was kept"
        try:
            turned = self._loop()
            outcome = _outcome(turned, self._start, self._away_s)
            return turned
        finally:
            self._person.end(outcome)

    def _loop(self) -> Turned:
        self._prepare()
        start_s = self._pressed_s = self._pace.now_s()
        while True:
            press = self._one()
            now_s = self._pace.now_s()
            if self._above and (press in (Press.SKIP, Press.BACK) or now_s - self._pressed_s >= self._away_s):
                self._refuse(self._above)
            if press is not None:
                self._pressed_s = now_s
                self._note = self._goal.explained if press is Press.EXPLAIN else ""
            if press in (Press.KEEP, Press.SKIP, Press.BACK):
                return Turned(press=press, seconds=now_s - start_s, best=self._trend.best)
            if now_s - self._pressed_s >= self._away_s:
                return Turned(press=None, seconds=now_s - start_s, best=self._trend.best)

    def _one(self) -> Press | None:
        """Take one reading, or a part of the rest, and show it."""
        began_s = self._pace.now_s()
        resting_s = 0.0 if self._above else self._pace.resting_s()
        if resting_s > LEAST_REST_S:
            self._trend.forget()
            press = self._person.show(self._view(None, resting_s=resting_s))
            self._pace.pause_s(min(PERIOD_S, resting_s))
            return press
        if self._above:
            return self._wait_for_hand()
        reading = self._read()
        if reading.number is not None and (told := self._too_much(reading.number)):
            self._pace.release()
            if self._once_more:
                self._refuse(told)
            self._above, self._once_more = told, True
            self._trend.forget()
            return self._wait_for_hand()
        self._once_more = False
        if reading.number is not None:
            self._trend.add(self._pace.now_s(), reading.number)
        note = "" if reading.number is not None else self._watched() or reading.state.value
        press = self._person.show(self._view(reading.number, note=note))
        left_s = PERIOD_S - (self._pace.now_s() - began_s)
        if left_s > 0.0 and press not in (Press.KEEP, Press.SKIP, Press.BACK):
            self._pace.wait_s(left_s)
        return press

    def _wait_for_hand(self) -> Press | None:
        """Show, with PTT released, that it is to be turned back; whoever keeps says that it was, and it is read once more."""
        press = self._person.show(self._view(None, note=f"{self._above}; {TURN_BACK}"))
        self._pace.pause_s(PERIOD_S)
        if press is Press.KEEP:
            self._above = ""
            return Press.STILL_HERE
        return press

    def _refuse(self, told: str) -> NoReturn:
        """End it, with nothing keyed any more: the unit stands above a rating."""
        self._pace.release(told)
        raise above_rating(told)

    def _view(self, figure: float | None, *, resting_s: float = 0.0, note: str = "") -> LiveView:
        goal, trend = self._goal, self._trend
        to_go = None
        if figure is not None and goal.low is not None and goal.high is not None:
            inside = goal.low <= figure <= goal.high
            to_go = 0.0 if inside else (goal.low + goal.high) / 2.0 - figure
        return LiveView(
            preset=goal.preset,
            quantity=goal.quantity,
            unit=goal.unit,
            value=figure,
            aim=goal.aim,
            low=goal.low,
            high=goal.high,
            to_go=to_go,
            way=trend.way,
            rate_per_s=trend.rate_per_s,
            steady=figure is not None and trend.steady,
            best=trend.best,
            past_best=0.0 if figure is None else trend.past_best,
            key_left_s=self._pace.key_left_s(),
            resting_s=resting_s,
            away_in_s=max(0.0, self._away_s - (self._pace.now_s() - self._pressed_s)),
            note="; ".join(part for part in (note, self._note) if part),
        )


def _outcome(turned: Turned, start: LiveStart, away_s: float) -> str:
    preset = start.preset
    words = {Press.KEEP: "kept", Press.SKIP: "skipped", Press.BACK: "left for the preset before it"}
    if turned.press is None:
        released = "; PTT is released" if start.transmits else ""
        return f"{preset}: skipped, because no key was pressed for {away_s:g} s{released}"
    return f"{preset}: {words[turned.press]} after {turned.seconds:.0f} s"
