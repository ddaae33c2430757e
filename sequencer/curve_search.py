"""Find where a smooth reading crosses its target, in few readings and with an honest 95 % interval.

Coarse readings bracket the crossing, a bent line is fitted through all readings, and further readings go where they narrow the
interval most, for as long as is needed, until its half-width is the accuracy asked for. Stop rule:
t(0.975, dof) sd <= accuracy_db, with two believed readings near the crossing and one far from it that proves a response.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from . import curve_verdict as verdict
from .curve_fit import Fit, Point, fit_crossing, mixed, student_95
from .curve_prior import CurvePrior
from .lag import Follower, Lag, Taken, rest
from .search import (
    Ask,
    Crossing,
    NoReading,
    SearchInputError,
    Settling,
    Status,
    Told,
    require_finite,
    require_window,
)

READING_S = (0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0)
START_SHARE = 0.6
JUMPS_UP_DB = (8.0, 12.0, 18.0, 20.0)
LARGEST_JUMP_DB = 20.0
SLOW_S = 0.05
# Normal deviates of the time constants and their weights (Gauss-Hermite, three points), with a tail for a meter slower than told.
TAU_DEVIATES = ((-1.73, 1 / 6), (0.0, 2 / 3), (1.73, 1 / 6), (3.5, 0.01), (5.5, 0.003))


@dataclass(slots=True)
class Note:
    """One reading with what it means.

    ``raw`` is the reading minus target, turned so that it rises with level: infinite when out of range, NaN when there was none.
    ``excess`` is what it would have come to at rest, at the level ``level_db``.
    """

    ask: Ask
    raw: float
    excess: float
    level_db: float
    at_s: float


class CurveSearch:
    """A search for the level at which a smooth reading crosses ``target``.

    ``window_db`` (low, high) bounds every level asked. ``rising`` says whether the reading rises with level. ``accuracy_db`` (greater
    than 0) is the half-width of the 95 % interval at which it stops. ``prior`` is what is believed of the curve; None learns its
    scale from the readings. ``reading_s`` lists the reading times to choose from; one number for a person. ``step`` is the reading's
    resolution in its unit: 0 for none, None to detect it. ``reading_range`` (low, high) is what the instrument can read: a reading at an
    end counts as out of range. ``start_db`` is where to begin, by default 60 % up the window. ``budget`` bounds the number of readings.

    Raises SearchInputError for a window of no width, accuracy of 0 or less, a target outside ``reading_range``, a NaN, no reading time.
    """

    def __init__(
        self,
        *,
        target: float,
        window_db: tuple[float, float],
        rising: bool = True,
        accuracy_db: float = 0.5,
        prior: CurvePrior | None = None,
        settling: Settling | None = None,
        reading_s: Sequence[float] | float = READING_S,
        step: float | None = None,
        reading_range: tuple[float, float] | None = None,
        start_db: float | None = None,
        budget: int = 60,
    ) -> None:
        self.target = require_finite("target", target)
        self.window_db = require_window(window_db)
        self.rising = bool(rising)
        self.accuracy_db = require_finite("accuracy_db", accuracy_db, above=0.0)
        self.reading_s = _reading_times(reading_s)
        self.step = require_finite("step", step, least=0.0) if step is not None else None
        self.reading_range = _range_around(self.target, reading_range)
        self.budget = int(require_finite("budget", budget, least=3))
        self._given, self._prior = prior, prior
        self._lag = Lag(settling or Settling())
        self._follower = Follower(self._lag.settling)
        self._notes: list[Note] = []
        self._told: list[Told] = []
        self._fit: Fit | None = None
        self._near = False
        self._below_db: float | None = None
        self._above_db: float | None = None
        self._jump_db = 0.0
        self._elapsed_s = 0.0
        self._proofs = 0
        self._confirmed: set[float] = set()
        self._end: tuple[Status, tuple[str, ...]] | None = None
        low, high = self.window_db
        start = low + START_SHARE * (high - low) if start_db is None else require_finite("start_db", start_db)
        self._ask: Ask | None = self._coarse_ask(start)

    @property
    def ask(self) -> Ask | None:
        """The reading wanted now, or None when the search has ended."""
        return self._ask

    def tell(self, reading: float | NoReading, /) -> None:
        """Take the reading that answers the present ask: a finite number, or a NoReading.

        Raises SearchInputError for NaN, infinity or something that is no number, and when the search has ended.
        """
        if self._ask is None:
            raise SearchInputError("The search has ended; it takes no further reading. Read 'result'.")
        raw = self._turned(reading)
        ask = self._ask
        self._lag.take(ask.level_db, ask.wait_s, ask.reading_s)
        self._elapsed_s += ask.wait_s + ask.reading_s
        self._told.append(Told(ask=ask, reading=reading))
        taken = self._follower.rest(Taken(ask.level_db, ask.wait_s, ask.reading_s, raw))
        self._notes.append(Note(ask, raw, taken.excess, taken.level_db, self._elapsed_s))
        self._move_bracket(self._notes[-1])
        self._ask = self._next()

    @property
    def result(self) -> Crossing:
        """What is known of the crossing; final once ``ask`` is None."""
        status, warnings = self._end or (Status.BUDGET_SPENT, ("the search has not ended",))
        fit = self._fit
        sign = 1.0 if self.rising else -1.0
        return Crossing(
            status=status,
            level_db=fit.level_db if fit else None,
            half_width_db=fit.half_width_db if fit else math.inf,
            slope=sign * fit.slope if fit else None,
            slope_sd=fit.slope_sd if fit else None,
            sd_db=fit.noise_db if fit else math.nan,
            settle_s=max(self._lag.settling.rise_s, self._lag.settling.fall_s),
            step=self._step(),
            readings=len(self._told),
            history=tuple(self._told),
            warnings=warnings,
        )

    # --- readings -------------------------------------------------------------------------------------------------

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

    def _numbers(self) -> list[Note]:
        return [n for n in self._notes if math.isfinite(n.excess)]

    def _step(self) -> float:
        """Return the reading's resolution: given, or seen in the readings."""
        if self.step is not None:
            return self.step
        return verdict.resolution([t.reading for t in self._told if isinstance(t.reading, int | float)])

    def _move_bracket(self, note: Note) -> None:
        """Narrow the bracket; a reading that contradicts it discards the older bound."""
        if math.isnan(note.excess):
            return
        level = note.level_db
        if note.excess > 0:
            if self._below_db is not None and level <= self._below_db:
                self._below_db = None
            self._above_db = level if self._above_db is None else min(level, self._above_db)
        else:
            if self._above_db is not None and level >= self._above_db:
                self._above_db = None
            self._below_db = level if self._below_db is None else max(level, self._below_db)

    # --- the next reading -----------------------------------------------------------------------------------------

    def _next(self) -> Ask | None:
        if (end := verdict.dead(self)) is not None:
            return self._finish(*end)
        if not self._near and self._arrived():
            self._near = True
        ask = self._near_ask() if self._near else self._next_coarse()
        if ask is not None and len(self._notes) >= self.budget:
            return self._finish(*verdict.spent(self))
        return ask

    def _finish(self, status: Status, *warnings: str) -> None:
        self._end = (status, warnings)

    def _slope(self) -> float | None:
        """Return the slope believed in the coarse part: the prior's, or the bracket's secant."""
        if self._given:
            return self._given.slope
        below = [n for n in self._numbers() if n.level_db == self._below_db]
        above = [n for n in self._numbers() if n.level_db == self._above_db]
        if below and above:
            return (above[-1].excess - below[-1].excess) / (above[-1].level_db - below[-1].level_db)
        return None

    def _arrived(self) -> bool:
        """Whether the last reading is near enough to fit a line through."""
        note, slope = self._notes[-1], self._slope()
        if slope is None or not math.isfinite(note.excess):
            return False
        near = abs(note.excess) < 2.25 * slope
        if self._given and near:
            return True
        if self._below_db is None or self._above_db is None:
            return False
        return self._above_db - self._below_db < (12.0 if near else 4.0)

    def _clip(self, level_db: float) -> float:
        return min(max(level_db, self.window_db[0]), self.window_db[1])

    def _coarse_ask(self, level_db: float, purpose: str = "coarse") -> Ask:
        level_db = self._clip(level_db)
        reading_s = self.reading_s[0]
        wait_s = self._lag.wait_s(level_db, reading_s, 0.6)
        return Ask(level_db=level_db, wait_s=wait_s, reading_s=reading_s, purpose=purpose)

    def _next_coarse(self) -> Ask | None:
        low, high = self.window_db
        note, level = self._notes[-1], self._notes[-1].ask.level_db
        if math.isnan(note.excess):
            return self._after_no_measurement()
        if self._below_db is None and level <= low:
            return self._at_end(low, Status.ALREADY_PAST)
        if self._above_db is None and level >= high:
            return self._at_end(high, Status.NEVER_REACHED)
        if self._above_db is None:
            if any(n.ask.level_db >= high for n in self._notes):
                return self._at_end(high, Status.NEVER_REACHED)
            return self._coarse_ask(level + self._jump_up())
        if self._below_db is None:
            return self._coarse_ask(level - self._jump_down())
        return self._coarse_ask(self._between())

    def _after_no_measurement(self) -> Ask | None:
        """Read once more where nothing was measured, then look elsewhere: up first, where the signal is."""
        level = self._notes[-1].ask.level_db
        here = [n for n in self._notes if n.ask.level_db == level and math.isnan(n.excess)]
        silent = sum(math.isnan(n.excess) for n in self._notes)
        if silent >= 8:
            return self._finish(
                Status.NO_RESPONSE, f"no measurement in {silent} of {len(self._notes)} readings"
            )
        if len(here) == 1:
            return self._coarse_ask(level, "again")
        if level < self.window_db[1]:
            return self._coarse_ask(level + 12.0)
        return self._coarse_ask(sum(self.window_db) / 2 if silent < 6 else self.window_db[0])

    def _jump_up(self) -> float:
        ups = sum(n.excess <= 0 for n in self._notes)
        jump = JUMPS_UP_DB[min(ups, len(JUMPS_UP_DB)) - 1]
        slope, excess = self._slope(), self._notes[-1].excess
        if slope and math.isfinite(excess):
            jump = min(jump, max(2.0, -1.3 * excess / slope))
        return jump

    def _jump_down(self) -> float:
        """Return how far to go down; further each time the reading did not follow."""
        slope, excess = self._slope(), self._notes[-1].excess
        jump = LARGEST_JUMP_DB
        if slope and math.isfinite(excess):
            jump = min(LARGEST_JUMP_DB, max(2.0, excess / (0.8 * slope)))
        elif not self._jump_db:
            jump = 12.0
        if self._jump_db and len(self._notes) > 1:
            fell = self._notes[-2].excess - excess
            if not (slope and fell > 0.3 * slope * self._jump_db):
                jump = max(jump, min(40.0, 1.6 * self._jump_db))
        self._jump_db = jump
        return jump

    def _between(self) -> float:
        """Interpolate between the bracket's ends, kept in its middle."""
        assert self._below_db is not None
        assert self._above_db is not None
        width = self._above_db - self._below_db
        below = [n.excess for n in self._notes if n.level_db == self._below_db][-1]
        above = [n.excess for n in self._notes if n.level_db == self._above_db][-1]
        share = 0.5
        if math.isfinite(below) and math.isfinite(above) and above > below:
            share = -below / (above - below)
        if len(self._notes) > 2 and self._notes[-1].excess * self._notes[-2].excess > 0:
            share = 0.5
        return self._below_db + width * min(max(share, 0.35), 0.75)

    def _at_end(self, end_db: float, status: Status) -> Ask | None:
        """At an end of the window on the wrong side: read again, look into the gaps, then say so."""
        here = [n for n in self._notes if n.ask.level_db == end_db]
        if len(here) < 2:
            return self._coarse_ask(end_db, "again")
        gap = verdict.widest_gap([n.ask.level_db for n in self._notes], self.window_db)
        if status is Status.NEVER_REACHED and gap[1] - gap[0] > 20.0:
            return self._coarse_ask((gap[0] + gap[1]) / 2, "proof")
        return self._finish(*verdict.one_sided(self, status))

    def _near_ask(self) -> Ask | None:
        """Fit; finish when the interval is narrow and proved, else ask for the reading that narrows it most."""
        prior = self._belief()
        guess = self._numbers()[-1]
        starts = [guess.level_db - guess.excess / prior.slope]
        if self._fit:
            starts.append(self._fit.level_db)
        self._fit = fit = self._fitted(prior, starts)
        if (end := verdict.hopeless(self, fit)) is not None:
            return self._finish(*end)
        believed = self._believed_near(fit)
        if fit.half_width_db <= self.accuracy_db and len(believed) >= 2:
            return self._prove_or_finish(fit)
        reading_s = self._reading_time(fit)
        return self._near_reading(self._place(fit, reading_s), reading_s)

    def _near_reading(self, level_db: float, reading_s: float) -> Ask:
        level_db = self._clip(level_db)
        wait_s = self._lag.wait_s(level_db, reading_s, 0.2 * self.accuracy_db)
        return Ask(level_db=level_db, wait_s=wait_s, reading_s=reading_s, purpose="near")

    def _fitted(self, prior: CurvePrior, starts: list[float]) -> Fit:
        """Fit; for a slow reading under several time constants, blended, because their error is common to all readings."""
        step = self._step()
        fit = fit_crossing(self._points(), prior, starts, step)
        settling = self._lag.settling
        if max(settling.rise_s, settling.fall_s) < SLOW_S or settling.doubt <= 0:
            return fit
        factors = [(math.exp(deviate * settling.doubt), share) for deviate, share in TAU_DEVIATES]
        return mixed(
            [
                (rise_share * fall_share, fit_crossing(self._points(rise, fall), prior, [fit.level_db], step))
                for rise, rise_share in factors
                for fall, fall_share in factors
            ]
        )

    def _points(self, rise: float = 1.0, fall: float = 1.0) -> list[Point]:
        """Return the readings as the fit sees them, with time constants scaled by ``rise`` and ``fall``."""
        taken = [Taken(n.ask.level_db, n.ask.wait_s, n.ask.reading_s, n.raw) for n in self._notes]
        return [
            Point(
                level_db=at.level_db,
                excess=at.excess,
                reading_s=self._length(note),
                lag_sd=at.doubt,
                lag_sd_db=at.doubt_db,
                gain=at.gain,
            )
            for note, at in zip(self._notes, rest(taken, self._lag.settling, rise, fall), strict=True)
            if math.isfinite(at.excess)
        ]

    def _length(self, note: Note) -> float:
        return note.ask.reading_s if len(self.reading_s) > 1 else 0.1

    def _belief(self) -> CurvePrior:
        return self._given or verdict.learnt_prior(self)

    def _believed_near(self, fit: Fit) -> list[Note]:
        reach = max(0.8, self.accuracy_db)
        return [
            n
            for n, trust in zip(self._numbers(), fit.trust, strict=True)
            if abs(n.level_db - fit.level_db) <= reach and trust > 0.5
        ]

    def _reading_time(self, fit: Fit) -> float:
        """Return the shortest reading time that is expected to suffice, or the longest there is."""
        wanted = self.accuracy_db / student_95(fit.dof)
        more = 1 / wanted**2 - 1 / fit.sd_db**2
        needed_s = max(0.1 * fit.noise_db**2 * more, self._shortest_s(fit))
        # While the crossing is uncertain, so is what a reading off it says: longer than this is wasted.
        blur_db = max(fit.sd_db * fit.slope_sd / fit.slope, 1e-6)
        needed_s = min(needed_s, 0.1 * (fit.noise_db / blur_db) ** 2)
        return next((t for t in self.reading_s if t >= needed_s), self.reading_s[-1])

    def _shortest_s(self, fit: Fit) -> float:
        """Return the reading time below which the mean of a reading in dB would be off by a tenth of the accuracy."""
        if not self._belief().ratio_db:
            return 0.0
        # The mean of 10 log of a scattering power is 0.115 sd^2 off; sd in dB of the reading.
        return 0.1 * 0.115 * fit.noise_db**2 * fit.slope / (0.1 * self.accuracy_db)

    def _place(self, fit: Fit, reading_s: float) -> float:
        """Return where to read: stay when that costs nothing, else at the crossing, alternately a little to either side."""
        here = self._notes[-1].ask.level_db
        spread = 0.35 * fit.noise_db * math.sqrt(0.1 / (reading_s if len(self.reading_s) > 1 else 0.1))
        spread = max(spread, self._step() / fit.slope / 2)
        half = self.accuracy_db / 2
        offset = here - fit.level_db
        stays = abs(offset) <= max(half, spread) and abs(fit.centroid_db) <= half
        if stays and self._lag.doubt_db(here, 0.0, reading_s) < 0.2 * self.accuracy_db and not self._step():
            return here
        side = -1.0 if fit.centroid_db > 0 else 1.0
        return fit.level_db + side * min(spread, 2 * self.accuracy_db)

    def _prove_or_finish(self, fit: Fit) -> Ask | None:
        """Before the level is believed: a far reading must have moved the right way, and no far reading may contradict."""
        if not verdict.responds(self, fit):
            if self._proofs >= 3:
                return self._finish(Status.NO_RESPONSE, "the reading does not follow the level")
            self._proofs += 1
            return self._coarse_ask(self._proof_level(fit), "proof")
        doubtful = verdict.contradicting(self, fit)
        for level in doubtful:
            if level not in self._confirmed:
                self._confirmed.add(level)
                return self._coarse_ask(level, "again")
        return self._finish(*verdict.found(self, fit, doubtful))

    def _proof_level(self, fit: Fit) -> float:
        """Return a level far enough from the crossing, on the side with more room, further each time."""
        low, high = self.window_db
        away = max(4.0, 4 * self._step() / fit.slope) * (1 + self._proofs) / 2
        up = high - fit.level_db > fit.level_db - low
        return fit.level_db + (away if up else -away)


def _reading_times(reading_s: Sequence[float] | float) -> tuple[float, ...]:
    """Return the reading times sorted; raise SearchInputError when there is none or one is 0 or less."""
    times = (reading_s,) if isinstance(reading_s, int | float) else tuple(reading_s)
    if not times:
        raise SearchInputError("reading_s is empty; give at least one reading time in seconds.")
    return tuple(sorted(require_finite("reading_s", t, above=0.0) for t in times))


def _range_around(target: float, reading_range: tuple[float, float] | None) -> tuple[float, float] | None:
    """Return the range; raise SearchInputError when the instrument could never show the target inside it."""
    if reading_range is None:
        return None
    low = require_finite("reading_range low", reading_range[0])
    high = require_finite("reading_range high", reading_range[1])
    if not low < target < high:
        raise SearchInputError(
            f"target {target:g} is outside what the instrument can read ({low:g} to {high:g}). "
            "Change the target or the instrument's range."
        )
    return low, high
