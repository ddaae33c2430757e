"""Look between the ends of the window, before a search says that its target lies beyond them, if the reading passes it there.

An instrument that answers 0 on overload, or a receiver that goes dead, is below its target at the strongest signal, and past it just above
the crossing.
"""

from __future__ import annotations

import itertools

from sequencer.search.curve_anew import LEAST_LEFT, Cut
from sequencer.search.curve_state import State
from sequencer.search.protocol import Ask, NoReading

WIDEST_DB = 7.0
"""How far apart the levels are read: what passes its target over fewer dB may be missed."""
LEAST_PAST_DB = 1.5
"""In dB of level: how far a reading has to be past the target, which scatter alone reaches now and then."""
MOST, MOST_AGAIN = 24, 4
"""How many levels are read, and how many of these once more."""


class BetweenLook:
    """Looks at levels between those that were read, first every other one, until two readings at a level lie past the target.

    ``ask`` is None once all is seen, and ``cut`` then where to search anew; None where nothing lies there.
    """

    def __init__(self, state: State, sought: float, *, is_full: bool) -> None:
        self._state, self._sought = state, sought
        left = min(MOST, state.budget - len(state.readings) - LEAST_LEFT - 1)
        # Each level of a full look is read once, and those that were past the target before twice more.
        past = {note.ask.level_db for note in state.notes if sought * note.raw > 0}
        levels = sorted(past - set(state.window_db))[:MOST_AGAIN]
        if is_full:
            levels += _between({reading.ask.level_db for reading in state.readings})
        self._levels = levels[: max(left, 0)]
        self._last: float | None = None
        self.cut: Cut | None = None
        self.ask: Ask | None = self._next()

    def _next(self) -> Ask | None:
        state = self._state
        level_db = self._last if self._last is not None else self._levels.pop(0) if self._levels else None
        if level_db is None or self.cut is not None:
            return None
        wait_s = state.lag.wait_s(level_db, state.reading_s[0], 1.0)
        return Ask(level_db=level_db, wait_s=wait_s, reading_s=state.reading_s[0], purpose="again")

    def take(self, ask: Ask, reading: float | NoReading, *, made_db: float | None = None) -> None:
        """Note what was read."""
        raw = self._state.take_look(ask, reading, made_db=made_db)
        is_past = self._sought * raw > LEAST_PAST_DB * self._state.belief().slope
        if is_past and self._last is not None:
            self.cut = self._cut(ask.level_db)
        self._last = ask.level_db if is_past else None
        self.ask = self._next()

    def _cut(self, level_db: float) -> Cut:
        """Return the window up to where the reading is past the target, or from where it is not yet."""
        state = self._state
        low, high = state.window_db
        if self._sought > 0:
            beyond_db = min(r.ask.level_db for r in state.readings if r.ask.level_db > level_db)
            told = f"the reading is past the target at {level_db:.1f} and not at {beyond_db:.1f} {state.level_unit} and above"
            return Cut(told=f"{told}: an overload, or a squelch that closes?", window_db=(low, level_db))
        beyond_db = max(r.ask.level_db for r in state.readings if r.ask.level_db < level_db)
        told = f"the reading is short of the target at {level_db:.1f} and past it at {beyond_db:.1f} {state.level_unit} and below"
        return Cut(told=f"{told}: a squelch that is closed?", window_db=(level_db, high))


def _between(levels: set[float]) -> list[float]:
    """Return levels that leave no gap wider than allowed, every other one first."""
    made: list[float] = []
    for bottom, top in itertools.pairwise(sorted(levels)):
        parts = int((top - bottom) / WIDEST_DB) + 1
        made += [bottom + (top - bottom) * k / parts for k in range(1, parts)]
    return made[::2] + made[1::2]
