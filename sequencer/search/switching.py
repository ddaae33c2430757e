"""Find where a lit segment, a squelch or a person's yes switches on while the level rises and off while it falls.

The unit is never reset: a test that ends on leaves it on, so the next test is of the falling level, and the
other way round. Coarse tests halve what is left of the window; fine tests go where they narrow the interval
most. An answer is believed as far as it can be: it may be dropped, and whether the unit is on is then in doubt, so that
the same level is tested again. Where the answer comes with a reading, one far below what lower levels gave is no
answer: the signal was away. Stop rule: half the length of each wanted level's 95 % interval is at most accuracy_db, and by
all answers from the first on no level lies elsewhere. Answers that were almost surely not those of the unit are
lapses, and told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequencer.search.curve_belief import Expected
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
from sequencer.search.switching_ends import dead_end, found
from sequencer.search.switching_fallen import Fallen
from sequencer.search.switching_grid import (
    BAR,
    BESIDE_DB,
    SQUELCH,
    CoarseGrid,
    FineGrid,
    Manner,
    Trial,
)
from sequencer.search.switching_odds import log_of_coin
from sequencer.search.switching_reading import Lit, Shown, above_edge, is_on, lit_count
from sequencer.search.switching_stated import as_stated, elsewhere

__all__ = ["Lit", "Shown", "SwitchingSearch"]

DWELL_S = 0.25
MOST_LEFT = 0.4  # share of a step that a lagging reading may still have to go when it is taken
COARSE_DONE_DB = 10.0  # of width, within which all but a part in twenty of the weight lies
MOST_COARSE = 50  # tests; a search without lapses needs 5 to 12
IN_DOUBT = 0.15  # how likely the other state may be before the same level is tested again
MOST_AGAIN = 2
ELSEWHERE = 0.01
"""How likely a level may lie outside the fine part when the search ends."""
FLIPPED_LEAST, FLIPPED_ODDS = 16, -3.0
"""From so many tests on the answers must be likelier, by this natural logarithm, with levels than with none."""
SURE_ODDS = 3.0
"""The same of a level that is stated: answers that follow nothing pass at most once in 20 times (Ville's inequality)."""
LEAST_OF_LAPSING = (
    1.0  # of an intermittent one, whose lapses make it look like nothing, so much less than nought
)
MOST_PROOFS, PROOF_DB = 10, 3.0
"""Tests that may be made for that, so far beyond where one almost surely switches."""


class SwitchingSearch:
    """A search for the levels at which a reading switches on (rising) and off (falling).

    ``window_db`` (low, high) bounds every level asked. ``accuracy_db`` (greater than 0) is the half-width
    of the 95 % interval of each level. A reading is True or False, or a `Shown`; with ``segment`` (1 or more) it is the
    pattern of a bar, one bool a segment from the lowest, or the count of lit segments: the pattern is
    better, since a count hides a missing segment. ``manner`` is what is expected of hysteresis and jitter, by default
    what is usual of a bar (with ``segment``) or of a squelch. ``dwell_s`` is how long each level is held while
    reading; it belongs to the result. ``falling`` False leaves the falling level unsought. ``level_unit`` stands
    in what it says of its levels. ``expected`` is where the rising level usually lies; ``seen_on_db`` a level at which
    it was seen on before it was seen off without a signal, as which it begins. ``proved_elsewhere``: that it follows a signal which
    comes and goes is proved by other readings, and takes none here.

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
        expected: Expected | None = None,
        seen_on_db: float | None = None,
        proved_elsewhere: bool = False,
    ) -> None:
        self.window_db = require_window(window_db)
        self.accuracy_db = require_finite("accuracy_db", accuracy_db, above=0.0)
        self.dwell_s = require_finite("dwell_s", dwell_s, above=0.0)
        self.segment = segment if segment is None else int(require_finite("segment", segment, least=1))
        self.falling = bool(falling)
        self.manner = manner or (SQUELCH if segment is None else BAR)
        self.level_unit = level_unit
        self.budget = int(require_finite("budget", budget, least=3))
        self._grid = CoarseGrid(self.window_db, self.manner, expected)
        # What was expected says where to ask; by what is left without it the end is judged.
        self._untold = CoarseGrid(self.window_db, self.manner) if expected else self._grid
        self._grids = tuple(dict.fromkeys((self._grid, self._untold)))
        self._fine: FineGrid | None = None
        self._stated: FineGrid | None = None
        self._lag = Lag(settling or Settling())
        self._trials: list[Trial] = []
        self._readings: list[Reading] = []
        self._counts: list[int] = []
        self._fallen = Fallen()
        self._skipped = 0
        self._agains = 0
        self._proofs: int | None = None if proved_elsewhere else 0
        self._shown: bool | None = None
        self._end: tuple[Status, tuple[str, ...]] | None = None
        self._before: tuple[Trial, ...] = ()
        if seen_on_db is not None:
            self._before = (Trial(None, -math.inf, None),)
            for grid in self._grids:
                grid.seen_on(require_finite("seen_on_db", seen_on_db), *self._before)
        self._log_before = self._untold.log_evidence
        start = sum(self.window_db) / 2 if start_db is None else require_finite("start_db", start_db)
        if start_db is None and (expected or seen_on_db is not None):
            start = self._grid.belief(rising=True).median_db
        self._ask: Ask | None = self._ask_at(start, "coarse")

    @property
    def ask(self) -> Ask | None:
        """The test wanted now, or None when the search has ended."""
        return self._ask

    def tell(self, reading: Lit, /, *, reading_s: float | None = None, level_db: float | None = None) -> None:
        """Take the answer to the present ask, as it was carried out.

        It is True or False, a `Shown`, a bar's pattern or count, or a NoReading (asked again).
        Raises SearchInputError for anything else, and when the search has ended.
        """
        if self._ask is None:
            raise SearchInputError("The search has ended; it takes no further reading. Read 'result'.")
        ask = as_read(self._ask, reading_s)
        made_db = ask.level_db if level_db is None else require_finite("level_db", level_db)
        taken = Reading(ask=ask, value=reading.on if isinstance(reading, Shown) else reading)
        on = None if isinstance(reading, NoReading) else is_on(reading, self.segment)
        self._readings.append(taken)
        stands_for_db = self._lag.take(made_db, ask.wait_s + ask.reading_s, 0.0)
        if on is None or isinstance(reading, NoReading):
            self._learn(Trial(None, stands_for_db, None))
            self._ask = self._again()
            return
        if not isinstance(reading, bool | Shown):
            self._counts.append(lit_count(reading))
        self._shown = on
        if self._fallen.take(stands_for_db, above_edge(reading, self.segment)):
            self._learn(Trial(None, stands_for_db, None, gone=True))
            self._lag.lose()
        elif self._segment_skipped():  # misread, or missing: it says nothing of the level
            self._learn(Trial(None, stands_for_db, None))
        else:
            self._learn(Trial(None, stands_for_db, on))
            self._learn_count(stands_for_db, reading)
        self._ask = self._next()

    def _learn(self, trial: Trial) -> None:
        self._trials.append(trial)
        for grid in self._grids:
            grid.learn(trial)
        if self._fine:
            self._fine.learn(trial)
            self._narrow()

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
        known = self._stated or self._fine
        belief = known.belief(rising=rising) if known else None
        return Crossing(
            status=status,
            level_db=belief.level_db if belief else None,
            half_width_db=belief.half_width_db if belief else math.inf,
            sd_db=known.jitter_mean_db() if known else math.nan,
            settle_s=max(self._lag.settling.rise_s, self._lag.settling.fall_s),
            readings=len(self._readings),
            history=tuple(self._readings),
            warnings=() if self._end is None else self._end[1],
        )

    # --- readings -------------------------------------------------------------------------------------------------

    def _further(self, level_db: float, *, rising: bool) -> float:
        """Return the level, or one further on when three tests did not switch: in the tail of a belief its median creeps."""
        if len(self._trials) < 3 or any(t.on in (rising, None) for t in self._trials[-3:]):
            return level_db
        moved_db = self._trials[-1].level_db - self._trials[-2].level_db
        least_db = self._trials[-1].level_db + (
            max(1.5 * moved_db, 1.0) if rising else min(1.5 * moved_db, -1.0)
        )
        return max(level_db, least_db) if rising else min(level_db, least_db)

    def _learn_count(self, level_db: float, reading: bool | int | Shown | Sequence[bool]) -> None:
        """Use how many segments are lit to guess how far off the wanted one is, while that is still coarse knowledge."""
        if self.segment is None or isinstance(reading, bool | Shown) or self._fine:
            return
        count = self._counts[-1]
        if self._segment_skipped():
            return
        full = not isinstance(reading, int) and count >= len(reading)
        if count == 0 or full or count in self._counts[:-1]:
            return
        for grid in self._grids:
            grid.learn_count(level_db, count + 0.5 - self.segment)

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
        end = dead_end(
            self._trials,
            [one.ask.level_db for one in self._readings],
            self._counts,
            window_db=self.window_db,
            segment=self.segment,
            level_unit=self.level_unit,
        )
        if end is not None:
            lapsed = end[0] is Status.NEVER_REACHED and any(t.on for t in self._trials)
            if not lapsed:
                return self._finish(*end)
        if self._fine is None and self._coarse_done():
            self._start_fine()
        if self._fine is None and len(self._trials) >= MOST_COARSE:
            return self._contradicted()
        return self._within_budget(
            self._doubtful() or (self._fine_ask() if self._fine else self._coarse_ask())
        )

    def _doubtful(self) -> Ask | None:
        """Return the last test again where its answer leaves in doubt if the unit is on."""
        on = (self._fine or self._grid).chance_on_now
        if not IN_DOUBT < on < 1 - IN_DOUBT or self._agains >= MOST_AGAIN or self._segment_skipped():
            self._agains = 0
            return None
        self._agains += 1
        return self._ask_at(self._trials[-1].level_db, "again")

    def _within_budget(self, ask: Ask | None) -> Ask | None:
        if ask is not None and len(self._readings) >= self.budget:
            return self._finish(Status.BUDGET_SPENT, f"{self.budget} tests did not suffice")
        return ask

    def _segment_skipped(self) -> bool:
        """Whether higher segments are lit and the wanted one is dark: misread, or missing."""
        return (
            self.segment is not None
            and not self._shown
            and bool(self._counts)
            and self._counts[-1] > self.segment
        )

    def _coarse_done(self) -> bool:
        wanted = (True, False) if self.falling else (True,)
        spans = [self._grid.within(0.025, rising=r) for r in wanted]
        known = all(high - low < COARSE_DONE_DB for low, high in spans)
        return known and {True, False} <= {t.on for t in self._trials}

    def _is_on(self) -> bool:
        """Whether it is on now, as far as that is believed."""
        return (self._fine or self._grid).chance_on_now > 0.5

    def _coarse_ask(self) -> Ask:
        if self._segment_skipped():
            return self._ask_at(self._readings[-1].ask.level_db, "again")
        rising = not self._is_on()
        median = self._grid.belief(rising=rising).median_db
        low, high = self.window_db
        median = self._further(median, rising=rising)
        if rising and median > high - 1.0:
            median = high
        if not rising and median < low + 1.0:
            median = low
        return self._ask_at(median, "coarse")

    def _start_fine(self) -> None:
        spans = []
        for rising in (False, True):
            low, high = self._grid.within(0.005, rising=rising)
            middle = self._grid.belief(rising=rising).median_db
            low, high = max(low, middle - 2 * BESIDE_DB), min(high, middle + 2 * BESIDE_DB)
            spans.append((min(low, middle - BESIDE_DB), max(high, middle + BESIDE_DB)))
        self._fine = FineGrid((*self._before, *self._trials), (spans[0], spans[1]), self.manner)
        self._narrow()

    def _narrow(self) -> None:
        """Work the fine part out anew where it has become much narrower, or from the coarse part where it led astray."""
        if self._fine is None:
            return
        if self._fine.at_edge():
            self._fine = None
        elif (spans := self._fine.narrower()) is not None:
            self._fine = FineGrid((*self._before, *self._trials), spans, self.manner)

    def _fine_ask(self) -> Ask | None:
        assert self._fine is not None
        fine, rising = self._fine, not self._is_on()
        wanted = (True, False) if self.falling else (True,)
        open_ = [r for r in wanted if fine.belief(rising=r).half_width_db > self.accuracy_db]
        if not open_ and elsewhere(fine, self._untold) < ELSEWHERE:
            return self._conclude(fine)
        if rising in open_:
            return self._ask_at(fine.best_level_db(rising=rising), "near")
        return self._ask_at(fine.sure_level_db(rising=rising), "turn")

    # --- lapses ---------------------------------------------------------------------------------------------------

    def _conclude(self, fine: FineGrid) -> Ask | None:
        """Prove that the answers follow the level; then end the search with both levels, and say if answers lapsed."""
        count, log_odds = len(self._readings), self._log_odds()
        if count >= FLIPPED_LEAST and log_odds < FLIPPED_ODDS:
            return self._contradicted()
        unproved = self._proofs is not None and log_odds < SURE_ODDS
        if self._proofs is not None and unproved and self._proofs < MOST_PROOFS:
            self._proofs += 1
            rising = not self._is_on()
            beyond_db = PROOF_DB if rising else -PROOF_DB
            return self._ask_at(fine.sure_level_db(rising=rising) + beyond_db, "proof")
        status, lapsed = found(fine, self._trials, self._fallen.count, readings=count)
        if unproved and (status is Status.FOUND or log_odds < -LEAST_OF_LAPSING):
            return self._contradicted()
        self._stated = as_stated(fine, (*self._before, *self._trials), self.accuracy_db)
        return self._finish(status, *([lapsed] if lapsed else []))

    def _log_odds(self) -> float:
        """Return by how much likelier the answers are, as a natural logarithm, with levels than if they follow nothing."""
        return self._untold.log_evidence - self._log_before - log_of_coin(t.on for t in self._trials)

    def _contradicted(self) -> Ask | None:
        return self._finish(
            Status.UNSTABLE,
            f"the answers contradict each other: {len(self._readings)} tests led to no level; "
            "check the connections and the reading",
        )
