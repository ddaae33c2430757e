"""Find where a lit segment, a squelch or a person's yes switches on while the level rises and off while it falls.

The unit is never reset: a test that ends on leaves it on, so the next test is of the falling level, and the
other way round. Coarse tests halve what is left of the window; fine tests go where they narrow the interval
most. Stop rule: half the length of each wanted level's 95 % interval is at most accuracy_db.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequencer.search.protocol import (
    Ask,
    Crossing,
    NoReading,
    Reading,
    SearchInputError,
    Settling,
    Status,
    SwitchingCrossing,
    as_read,
    require_finite,
    require_window,
)
from sequencer.search.settling import Lag
from sequencer.search.switching_grid import BAR, SQUELCH, Belief, CoarseGrid, FineGrid, Manner, Trial

DWELL_S = 0.25
MOST_LEFT = 0.4  # share of a step that a lagging reading may still have to go when it is taken
COARSE_DONE_DB = 2.4

Lit = bool | int | Sequence[bool] | NoReading


class SwitchingSearch:
    """A search for the levels at which a reading switches on (rising) and off (falling).

    ``window_db`` (low, high) bounds every level asked. ``accuracy_db`` (greater than 0) is the half-width
    of the 95 % interval of each level. A reading is True or False; with ``segment`` (1 or more) it is the
    pattern of a bar, one bool a segment from the lowest, or the count of lit segments: the pattern is
    better, since a count hides a missing segment. ``manner`` is what is expected of hysteresis and jitter, by default
    what is usual of a bar (with ``segment``) or of a squelch. ``dwell_s`` is how long each level is held while
    reading; it belongs to the result. ``falling`` False leaves the falling level unsought. ``level_unit`` stands
    in what it says of its levels.

    Raises SearchInputError for a window of no width, an accuracy or dwell of 0 or less, a NaN, a
    segment below 1.
    """

    def __init__(
        self,
        *,
        window_db: tuple[float, float],
        accuracy_db: float = 0.5,
        segment: int | None = None,
        falling: bool = True,
        settling: Settling | None = None,
        dwell_s: float = DWELL_S,
        manner: Manner | None = None,
        start_db: float | None = None,
        budget: int = 120,
        level_unit: str = "dB",
    ) -> None:
        self.window_db = require_window(window_db)
        self.accuracy_db = require_finite("accuracy_db", accuracy_db, above=0.0)
        self.dwell_s = require_finite("dwell_s", dwell_s, above=0.0)
        self.segment = segment if segment is None else int(require_finite("segment", segment, least=1))
        self.falling = bool(falling)
        self.manner = manner or (SQUELCH if segment is None else BAR)
        self.level_unit = level_unit
        self.budget = int(require_finite("budget", budget, least=3))
        self._grid = CoarseGrid(self.window_db, self.manner)
        self._fine: FineGrid | None = None
        self._lag = Lag(settling or Settling())
        self._trials: list[Trial] = []
        self._readings: list[Reading] = []
        self._counts: list[int] = []
        self._skipped = 0
        self._on: bool | None = None
        self._end: tuple[Status, tuple[str, ...]] | None = None
        start = sum(self.window_db) / 2 if start_db is None else require_finite("start_db", start_db)
        self._ask: Ask | None = self._ask_at(start, "coarse")

    @property
    def ask(self) -> Ask | None:
        """The test wanted now, or None when the search has ended."""
        return self._ask

    def tell(self, reading: Lit, /, *, reading_s: float | None = None, level_db: float | None = None) -> None:
        """Take the answer to the present ask, as it was carried out.

        It is True or False, a bar's pattern or count, or a NoReading (asked again).
        Raises SearchInputError for anything else, and when the search has ended.
        """
        if self._ask is None:
            raise SearchInputError("The search has ended; it takes no further reading. Read 'result'.")
        ask = as_read(self._ask, reading_s)
        made_db = ask.level_db if level_db is None else require_finite("level_db", level_db)
        taken = Reading(ask=ask, value=reading)
        on = None if isinstance(reading, NoReading) else self._is_on(reading)
        self._readings.append(taken)
        stands_for_db = self._lag.take(made_db, ask.wait_s + ask.reading_s, 0.0)
        if on is None or isinstance(reading, NoReading):
            self._on = None
            self._ask = self._again()
            return
        self._count(reading)
        trial = Trial(self._on, stands_for_db, on)
        self._on = on
        self._trials.append(trial)
        if not self._segment_skipped():
            self._grid.learn(trial, max(self.manner.jitter_db, 0.4))
        self._learn_count(stands_for_db, reading)
        if self._fine:
            self._fine.learn(trial)
        self._ask = self._next()

    @property
    def result(self) -> SwitchingCrossing:
        """What is known of both levels; final once ``ask`` is None."""
        status, warnings = self._end or (Status.BUDGET_SPENT, ("the search has not ended",))
        rising = self._crossing(status, rising=True)
        falling = self._crossing(status, rising=False) if self.falling else None
        hysteresis, half_width = None, math.inf
        if rising and falling and rising.level_db is not None and falling.level_db is not None:
            hysteresis = rising.level_db - falling.level_db
            half_width = math.hypot(rising.half_width_db, falling.half_width_db)
        return SwitchingCrossing(
            status=status,
            rising=rising,
            falling=falling,
            hysteresis_db=hysteresis,
            hysteresis_half_width_db=half_width,
            dwell_s=self.dwell_s,
            approach="stepped from the other state, nearest levels first, without reset",
            readings=len(self._readings),
            history=tuple(self._readings),
            warnings=warnings,
        )

    def _crossing(self, status: Status, *, rising: bool) -> Crossing:
        belief = self._fine.belief(rising=rising) if self._fine else None
        return Crossing(
            status=status,
            level_db=belief.level_db if belief else None,
            half_width_db=belief.half_width_db if belief else math.inf,
            sd_db=self._fine.jitter_mean_db() if self._fine else math.nan,
            settle_s=max(self._lag.settling.rise_s, self._lag.settling.fall_s),
            readings=len(self._readings),
            history=tuple(self._readings),
            warnings=() if self._end is None else self._end[1],
        )

    # --- readings -------------------------------------------------------------------------------------------------

    def _is_on(self, reading: bool | int | Sequence[bool]) -> bool:
        """Return whether the wanted segment, squelch or answer is on; raise SearchInputError for what cannot say."""
        if isinstance(reading, bool):
            return reading
        if self.segment is None:
            raise SearchInputError(
                f"reading is {reading!r}; it must be True or False. For a bar give 'segment'."
            )
        if isinstance(reading, int) and reading >= 0:
            return reading >= self.segment
        if isinstance(reading, str | float | int) or len(reading) < self.segment:
            raise SearchInputError(
                f"reading is {reading!r}; for segment {self.segment} it must be a pattern of {self.segment} bools or "
                "more, a count of 0 or more, or True or False."
            )
        return bool(reading[self.segment - 1])

    def _count(self, reading: bool | int | Sequence[bool]) -> None:
        """Keep the highest lit segment of a bar."""
        if isinstance(reading, bool):
            return
        lit = (
            reading
            if isinstance(reading, int)
            else max((i + 1 for i, on in enumerate(reading) if on), default=0)
        )
        self._counts.append(lit)

    def _further(self, level_db: float, *, rising: bool) -> float:
        """Return the level, or one further on when three tests did not switch: in the tail of a belief its median creeps."""
        if len(self._trials) < 3 or any(t.on == rising for t in self._trials[-3:]):
            return level_db
        moved_db = self._trials[-1].level_db - self._trials[-2].level_db
        least_db = self._trials[-1].level_db + (
            max(1.5 * moved_db, 1.0) if rising else min(1.5 * moved_db, -1.0)
        )
        return max(level_db, least_db) if rising else min(level_db, least_db)

    def _learn_count(self, level_db: float, reading: bool | int | Sequence[bool]) -> None:
        """Use how many segments are lit to guess how far off the wanted one is, while that is still coarse knowledge."""
        if self.segment is None or isinstance(reading, bool) or self._fine:
            return
        count = self._counts[-1]
        if self._segment_skipped():
            return
        full = not isinstance(reading, int) and count >= len(reading)
        if count == 0 or full or count in self._counts[:-1]:
            return
        self._grid.learn_count(level_db, count + 0.5 - self.segment)

    # --- the next test --------------------------------------------------------------------------------------------

    def _ask_at(self, level_db: float, purpose: str) -> Ask:
        """Return the test that brings a lagging reading to ``level_db`` by its end, a little overdriven to get there sooner."""
        doubt_db = 0.5 if purpose == "coarse" else 0.25 * self.accuracy_db
        wait_s = self._lag.wait_s(self._clip(level_db), 0.0, doubt_db, most_left=MOST_LEFT)
        wait_s = max(self._lag.least_s(level_db), wait_s - self.dwell_s)
        driven_db = self._clip(self._lag.driven_db(level_db, wait_s + self.dwell_s))
        return Ask(level_db=driven_db, wait_s=wait_s, reading_s=self.dwell_s, purpose=purpose)

    def _clip(self, level_db: float) -> float:
        return min(max(level_db, self.window_db[0]), self.window_db[1])

    def _finish(self, status: Status, *warnings: str) -> Ask | None:
        self._end = (status, warnings)
        return None

    def _again(self) -> Ask | None:
        self._skipped += 1
        if self._skipped >= 8 or len(self._readings) >= self.budget:
            return self._finish(
                Status.NO_RESPONSE, f"no answer to {self._skipped} of {len(self._readings)} tests"
            )
        assert self._ask is not None
        return self._ask_at(self._ask.level_db, "again")

    def _next(self) -> Ask | None:
        if (end := self._dead_end()) is not None:
            return self._finish(*end)
        if self._fine is None and self._coarse_done():
            self._start_fine()
        ask = self._fine_ask() if self._fine else self._coarse_ask()
        if ask is not None and len(self._readings) >= self.budget:
            return self._finish(Status.BUDGET_SPENT, f"{self.budget} tests did not suffice")
        return ask

    def _dead_end(self) -> tuple[Status, str] | None:
        """Tell what never switches: at an end of the window twice, or a segment skipped by its neighbours."""
        low, high = self.window_db
        last = [(t.level_db, t.on) for t in self._trials[-2:]]
        asked = [t.ask.level_db for t in self._readings[-2:]]
        if self._segment_missing():
            return Status.SEGMENT_MISSING, f"segment {self.segment} stays dark while higher ones are lit"
        if len(last) < 2:
            return None
        same = len(self._counts) >= 3 and len(set(self._counts)) == 1
        if all(a >= high for a in asked) and not any(on for _, on in last):
            if same and self._counts[-1] > 0:
                return Status.STUCK, f"{self._counts[-1]} segments stay lit up to {high:g} {self.level_unit}"
            return Status.NEVER_REACHED, f"it stayed off up to {high:g} {self.level_unit}"
        if all(a <= low for a in asked) and all(on for _, on in last):
            if same:
                return Status.STUCK, f"{self._counts[-1]} segments stay lit down to {low:g} {self.level_unit}"
            return Status.ALREADY_PAST, f"it stayed on down to {low:g} {self.level_unit}"
        return None

    def _segment_missing(self) -> bool:
        if self.segment is None or any(t.on for t in self._trials):
            return False
        return sum(count > self.segment for count in self._counts) >= 2

    def _segment_skipped(self) -> bool:
        """Whether higher segments are lit and the wanted one is dark: misread, or missing."""
        return (
            self.segment is not None
            and not self._on
            and bool(self._counts)
            and self._counts[-1] > self.segment
        )

    def _coarse_done(self) -> bool:
        wanted = (True, False) if self.falling else (True,)
        known = all(self._grid.belief(rising=r)[2] < COARSE_DONE_DB for r in wanted)
        return known and len({t.on for t in self._trials}) == 2

    def _coarse_ask(self) -> Ask:
        rising = not self._on
        if self._segment_skipped():
            return self._ask_at(self._readings[-1].ask.level_db, "again")
        median = self._grid.belief(rising=rising)[0]
        low, high = self.window_db
        median = self._further(median, rising=rising)
        if rising and median > high - 1.0:
            median = high
        if not rising and median < low + 1.0:
            median = low
        return self._ask_at(median, "coarse")

    def _start_fine(self) -> None:
        rising, falling = self._grid.belief(rising=True)[1], self._grid.belief(rising=False)[1]
        self._fine = FineGrid(self._trials, (falling, rising), self.manner)

    def _fine_ask(self) -> Ask | None:
        assert self._fine is not None
        rising = not self._on
        beliefs: dict[bool, Belief] = {r: self._fine.belief(rising=r) for r in (True, False)}
        open_ = [
            r
            for r in ((True, False) if self.falling else (True,))
            if beliefs[r].half_width_db > self.accuracy_db
        ]
        if not open_:
            return self._finish(Status.FOUND)
        if rising in open_:
            return self._ask_at(self._fine.best_level_db(rising=rising), "near")
        return self._ask_at(self._fine.sure_level_db(rising=rising), "turn")
