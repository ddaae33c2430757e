"""Hold what a curve search was asked for and what it has read so far."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterable
from dataclasses import field, replace
from typing import Any

from sequencer.frozen import dataclass
from sequencer.search.curve_belief import Belief, Believer, Expected, Known
from sequencer.search.curve_family import Family
from sequencer.search.curve_fit import Fit, Point
from sequencer.search.curve_prior import CurvePrior, prior_from_slope
from sequencer.search.protocol import Ask, NoReading, Reading, Settling, require_finite
from sequencer.search.settling import (
    STILL_MOVING,
    Follower,
    Lag,
    RawReading,
    SettledReading,
    averaged_left,
    settle_readings,
)

COARSE_DOUBT_DB = 0.62
NEAR_DOUBT = 0.2  # doubt about lag allowed in a near reading, as a share of the accuracy
ANSWERS_ODDS, ANSWERS_LEAST = 2.0, 6
SLOW_S = 0.05  # a meter of a longer time constant is weighed with others; what is faster is told to be


@dataclass(frozen=True, slots=True)
class Note:
    """One reading with what it means.

    ``ask`` is what was asked, read for as long as it was; ``made_db`` is the level that was made of its level.
    ``raw`` is the reading minus target, turned so that it rises with level: infinite when out of range, NaN when
    there was none. ``excess`` is what it would have come to at rest, at the level ``level_db``.
    """

    ask: Ask
    raw: float
    excess: float
    level_db: float
    at_s: float
    made_db: float


@dataclasses.dataclass(slots=True, kw_only=True)
class State:
    """The question, the readings, the bracket and the last fit."""

    target: float
    window_db: tuple[float, float]
    rising: bool
    accuracy_db: float
    given: CurvePrior | None
    family: Family | None = None
    expected: Expected | None = None
    known: tuple[Known, ...] = ()
    settling: Settling
    reading_s: tuple[float, ...]
    known_step: float | None
    reading_range: tuple[float, float] | None
    budget: int
    by_hand: bool = False
    level_unit: str = "dB"
    reading_unit: str = ""
    notes: list[Note] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    fit: Fit | Belief | None = None
    believer: Believer | None = None
    gave_up_family: bool = False
    set_aside: Family | None = None
    log_odds: float = -math.inf
    below_db: float | None = None
    above_db: float | None = None
    last_jump_db: float = 0.0
    proofs: int = 0
    looks_below: int = 0
    lag: Lag = field(init=False)
    follower: Follower = field(init=False)
    elapsed_s: float = 0.0
    learnt: CurvePrior | None = None
    stands: tuple[float, float] | None = None
    sample: RawReading | None = None
    known_play_db: float | None = None
    play_db: float | None = None

    def __post_init__(self) -> None:
        self.lag, self.follower = Lag(self.settling), Follower(self.settling, stands=self.stands)
        if self.stands is not None:
            self.lag.begin(self.stands[0], self.stands[0])

    def of_reading(self, reading: Any, digits: int = 6) -> str:
        """Return a reading, or a difference of two, as a person reads it."""
        return f"{reading:.{digits}g} {self.reading_unit}".rstrip()

    @property
    def is_unhurried(self) -> bool:
        """Whether a person sets the levels or looks: beside that waiting costs nothing."""
        return self.by_hand or len(self.reading_s) < 2

    @property
    def slowest_s(self) -> float:
        """The longer of the two time constants."""
        return max(self.settling.rise_s, self.settling.fall_s)

    @property
    def is_slow(self) -> bool:
        """Whether the reading comes to rest so slowly that it counts on its way."""
        return self.slowest_s >= SLOW_S

    def take(self, ask: Ask, reading: float | NoReading, *, made_db: float | None = None) -> None:
        """Note a reading and narrow the bracket; one that contradicts the bracket discards its older bound."""
        raw = self._turned(reading)
        made_db = ask.level_db if made_db is None else require_finite("level_db", made_db)
        self._keep(ask, reading, made_db)
        if self._is_first_sample(ask, raw):
            self.sample = RawReading(made_db, ask.wait_s, ask.reading_s, raw)
            self.follower.settle(self.sample)
            return
        settled = self.follower.settle(RawReading(made_db, ask.wait_s, ask.reading_s, raw))
        self.notes.append(Note(ask, raw, settled.excess, settled.level_db, self.elapsed_s, made_db))
        level_db = settled.level_db
        if settled.excess > 0:
            if self.below_db is not None and level_db <= self.below_db:
                self.below_db = None
            self.above_db = level_db if self.above_db is None else min(level_db, self.above_db)
        elif settled.excess <= 0:
            if self.above_db is not None and level_db >= self.above_db:
                self.above_db = None
            self.below_db = level_db if self.below_db is None else max(level_db, self.below_db)

    def take_look(self, ask: Ask, reading: float | NoReading, *, made_db: float | None = None) -> float:
        """Keep a reading beside those that the crossing is worked out from; return it less the target, turned as they are."""
        made_db = ask.level_db if made_db is None else require_finite("level_db", made_db)
        raw = self._turned(reading)
        self._keep(ask, reading, made_db)
        return raw

    def _keep(self, ask: Ask, reading: float | NoReading, made_db: float) -> None:
        reached_db = self.lag.reached_db(made_db, ask.wait_s, ask.reading_s)
        self.lag.take(made_db, ask.wait_s, ask.reading_s)
        self.elapsed_s += ask.wait_s + ask.reading_s
        made = replace(ask, level_db=made_db)
        self.readings.append(Reading(ask=made, value=reading, reached_db=reached_db))

    def _is_first_sample(self, ask: Ask, raw: float) -> bool:
        """Whether the first reading was taken before the meter came anywhere near rest: it only tells where that began."""
        first = not self.notes and self.sample is None and self.stands is None
        if not first or self.family is None or not math.isfinite(raw):
            return False
        return averaged_left(ask.wait_s, ask.reading_s, self.slowest_s) > STILL_MOVING

    def _turned(self, reading: float | NoReading) -> float:
        """Return the reading minus target, turned so that it rises with level."""
        sign = 1.0 if self.rising else -1.0
        if isinstance(reading, NoReading):
            return {
                NoReading.OVER_RANGE: sign * math.inf,
                NoReading.UNDER_RANGE: -sign * math.inf,
                NoReading.NO_MEASUREMENT: math.nan,
            }[reading]
        number = require_finite("reading", reading)
        if self.reading_range:
            low, high = self.reading_range
            number = -math.inf if number <= low else math.inf if number >= high else number
        return sign * (number - self.target)

    def numbers(self) -> list[Note]:
        """Return the readings that are numbers."""
        return [n for n in self.notes if math.isfinite(n.excess)]

    def step(self) -> float:
        """Return the reading's resolution: given, or seen in the readings."""
        if self.known_step is not None:
            return self.known_step
        return resolution([r.value for r in self.readings if isinstance(r.value, int | float)])

    def slope(self) -> float | None:
        """Return the slope believed in the coarse part: the prior's, or a secant."""
        if self.given:
            return self.given.slope
        below = [n.excess for n in self.numbers() if n.level_db == self.below_db]
        above = [n.excess for n in self.numbers() if n.level_db == self.above_db]
        if below and above and self.above_db is not None and self.below_db is not None:
            return (above[-1] - below[-1]) / (self.above_db - self.below_db)
        return self._one_sided_slope()

    def _one_sided_slope(self) -> float | None:
        """Return the secant of the last two readings, if the reading clearly came nearer its target between them."""
        before, last = self.numbers()[-2:] if len(self.numbers()) > 1 else (None, None)
        if before is None or last is None or abs(last.level_db - before.level_db) < 1.0:
            return None
        secant = (last.excess - before.excess) / (last.level_db - before.level_db)
        nearer = abs(before.excess) - abs(last.excess)
        return secant if secant > 0 and nearer > 0.4 * abs(last.excess) else None

    def belief(self) -> CurvePrior:
        """Return the prior given, or one learnt from the bracket's secant; kept once made."""
        if self.given:
            return self.given
        if self.learnt is None:
            self.learnt = prior_from_slope(self.slope() or 1.0)
        return self.learnt

    @property
    def mostly_answers(self) -> bool:
        """Whether a response explains the readings clearly better than none does, though it is not proved."""
        return self.log_odds > ANSWERS_ODDS and len(self.numbers()) >= ANSWERS_LEAST

    def length_s(self, note: Note) -> float:
        """Return how long a reading counts as read; a person's look, of no known length, as 0.1 s."""
        return note.ask.reading_s if len(self.reading_s) > 1 else 0.1

    def settled(self, rise: float = 1.0, fall: float = 1.0, play_db: float = 0.0) -> list[SettledReading]:
        """Return each reading as it would have come to rest, with time constants scaled by ``rise`` and ``fall``.

        Of a meter with ``play_db`` a reading stands for the level that the meter follows.
        """
        levels = held_levels([n.made_db for n in self.notes], play_db)
        taken = [
            RawReading(level_db, n.ask.wait_s, n.ask.reading_s, n.raw)
            for n, level_db in zip(self.notes, levels, strict=True)
        ]
        if self.sample is None:
            return settle_readings(taken, self.settling, rise, fall, self.stands)
        taken = [replace(self.sample, level_db=levels[0] if levels else self.sample.level_db), *taken]
        return settle_readings(taken, self.settling, rise, fall)[1:]

    def points(self, rise: float = 1.0, fall: float = 1.0) -> list[Point]:
        """Return the readings as the fit sees them, with time constants scaled by ``rise`` and ``fall``."""
        return [
            Point(
                level_db=at.level_db,
                excess=at.excess,
                reading_s=self.length_s(note),
                lag_sd=at.doubt,
                lag_sd_db=at.doubt_db,
                gain=at.gain,
            )
            for note, at in zip(self.notes, self.settled(rise, fall), strict=True)
            if math.isfinite(at.excess)
        ]

    def clip(self, level_db: float) -> float:
        """Return the nearest level that may be asked."""
        return min(max(level_db, self.window_db[0]), self.window_db[1])

    def ask_far(
        self,
        level_db: float,
        purpose: str = "coarse",
        reading_s: float | None = None,
        doubt_db: float = COARSE_DOUBT_DB,
    ) -> Ask:
        """Return an ask away from the crossing: the shortest reading, settled to ``doubt_db``; beside a person as near the crossing."""
        level_db = self.clip(level_db)
        if self.is_unhurried:
            doubt_db = min(doubt_db, NEAR_DOUBT * self.accuracy_db)
        reading_s = reading_s or self.reading_s[0]
        wait_s = self.lag.wait_s(level_db, reading_s, doubt_db)
        return Ask(level_db=level_db, wait_s=wait_s, reading_s=reading_s, purpose=purpose)


def held_levels(levels_db: Iterable[float], play_db: float) -> list[float]:
    """Return the levels that a meter with ``play_db`` of play follows: half of it behind, in either direction; it came from below."""
    made: list[float] = []
    for level_db in levels_db:
        before = made[-1] if made else -math.inf
        made.append(min(max(before, level_db - play_db / 2), level_db + play_db / 2))
    return made


def resolution(readings: Iterable[float]) -> float:
    """Return the largest step of a 1-2-5 series of which every reading is a multiple; 0 for none or too few readings."""
    numbers = list(readings)
    if len(numbers) < 3 or len(set(numbers)) < 2:
        return 0.0
    largest = max(abs(n) for n in numbers)
    for exponent, digit in itertools.product(range(3, -7, -1), (5, 2, 1)):
        step = digit * 10.0**exponent
        if 1e-4 * largest <= step <= largest and all(abs(n / step - round(n / step)) < 1e-6 for n in numbers):
            return step
    return 0.0
