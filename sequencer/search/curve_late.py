"""Look how late a reading follows a change of level, where the first looks at an end of the window still belonged to the other one.

A generator may set its level later than it says, or slew; an analyser may hand out the reading before. Both look like a unit that answers
as it likes, and neither is the unit's fault.
"""

from __future__ import annotations

import math
import statistics

from sequencer.frozen import dataclass
from sequencer.search.curve_anew import Slow
from sequencer.search.curve_look import APART_DB, EndLook, as_number
from sequencer.search.curve_state import State
from sequencer.search.protocol import Ask, NoReading

ROUNDS, UNTIMED_ROUNDS = 4, 2
"""How many waits are tried, each twice as long as the one before: where the looks tell when the reading had come, and where not."""
UNTIMED_S = 1.0
"""The first of them where they do not."""
UNTIMED_APART = 2.0
"""How many times as far apart the ends have to be then: what follows nothing scatters by several dB."""
AT_REST_DB = 2.0
"""In dB of level: what a reading that has come may differ by from one after another wait."""
STATE_IT = "state the generator's 'settle' in the bench file"
TO_REST = 3.0
"""How many times as long as it is late is waited: a level that slews is then nearer to where it goes [measured]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """What the looks at the ends say of a lateness: the first wait to try, s.

    ``is_sure``: it need not be seen again. ``is_timed``: it is known when the reading had come. ``squares`` is what it leaves of the looks.
    """

    wait_s: float
    is_sure: bool
    is_timed: bool
    squares: float = math.inf


def suspected(look: EndLook, state: State) -> Suspect | None:
    """Return what may be late by less than the looks at an end take: the first looks, and these alone, belong to the level before."""
    if not look.is_whole or look.ends[0][-1][1] - look.ends[1][-1][1] <= APART_DB * state.belief().slope:
        return None
    high, low = (end[-1][1] for end in look.ends)
    turned_s, squares, late_s, wrong = 0.0, 0.0, 0.0, []
    for end, here, there in ((look.ends[0], high, low), (look.ends[1], low, high)):
        belongs = [abs(reading - here) < abs(reading - there) for _, reading in end]
        first = len(belongs) - belongs[::-1].index(False) if False in belongs else 0
        wrong.append(belongs[:first])
        late_s = max(late_s, end[first][0] - turned_s - state.reading_s[0])
        turned_s = end[-1][0]
        squares += _squares([r for (_, r), is_here in zip(end, belongs, strict=True) if is_here])
        squares += _squares([r for (_, r), is_here in zip(end, belongs, strict=True) if not is_here])
    top, bottom = wrong
    # At the top the level of two changes before may still come. A signal where there is none any more is late; one that is missing may be
    # a lapse.
    if any(bottom) or not (bottom or (top and not any(top))):
        return None
    return Suspect(wait_s=late_s, is_sure=bool(bottom), is_timed=True, squares=squares)


def _squares(readings: list[float]) -> float:
    mean = statistics.fmean(readings) if readings else 0.0
    return math.fsum((reading - mean) ** 2 for reading in readings)


def may_be_later(look: EndLook, state: State) -> Suspect | None:
    """Return that a reading which moved, but not with the level, or is past its target at either end, may be later than all looks there."""
    if not look.is_whole or look.answers:
        return None
    bottom = [reading for _, reading in look.ends[1]]
    numbers = [note.raw for note in state.numbers()] + [reading for _, reading in look.ends[0]] + bottom
    if min(bottom) < 0 and max(numbers) - min(numbers) < APART_DB * state.belief().slope:
        return None
    return Suspect(wait_s=UNTIMED_S, is_sure=True, is_timed=False)


class LateLook:
    """Looks at either end in turn, after longer and longer waits; ``ask`` is None once all is seen."""

    def __init__(self, state: State, suspect: Suspect, look: EndLook) -> None:
        self._state, self._suspect = state, suspect
        self._waits_s = [suspect.wait_s * 2**k for k in range(ROUNDS if suspect.is_timed else UNTIMED_ROUNDS)]
        if not suspect.is_sure:
            self._waits_s.insert(0, 0.0)
        slope = state.belief().slope
        self._apart = APART_DB * slope * (1 if suspect.is_timed else UNTIMED_APART)
        self._at_rest = AT_REST_DB * slope
        self._rested = look.ends[0][-1][1], look.ends[1][-1][1]
        self._rested_s: float | None = None
        self._pair: list[float] = []
        self._round = 0
        self.late: Slow | None = None
        """How late the reading follows; None where no wait helped."""
        self.is_late = suspect.is_sure and suspect.is_timed
        self.ask: Ask | None = self._next()

    def _next(self) -> Ask | None:
        state = self._state
        is_spent = len(state.readings) + 2 - len(self._pair) > state.budget
        if self.late is not None or self._round == len(self._waits_s) or is_spent:
            return None
        level_db = state.window_db[0 if self._pair else 1]
        wait_s = max(state.lag.least_s(level_db), self._waits_s[self._round])
        return Ask(level_db=level_db, wait_s=wait_s, reading_s=state.reading_s[0], purpose="again")

    def take(self, ask: Ask, reading: float | NoReading, *, made_db: float | None = None) -> None:
        """Note what was read."""
        self._pair.append(as_number(self._state, self._state.take_look(ask, reading, made_db=made_db)))
        if len(self._pair) == 2:
            high, low = self._pair
            self._judge(high, low, ask.wait_s)
            self._pair = []
        self.ask = self._next()

    def _judge(self, high: float, low: float, wait_s: float) -> None:
        """Note whether such a wait suffices: the ends are apart, and another wait gave the same."""
        is_apart = high - low > self._apart
        self._round += 1
        if self._round == 1 and not self._suspect.is_sure:
            self.is_late = not is_apart
            self._round = 1 if self.is_late else len(self._waits_s)
            return
        rested = all(
            abs(now - before) <= self._at_rest for now, before in zip((high, low), self._rested, strict=True)
        )
        if is_apart and rested:
            self.late = self._slow(wait_s if self._rested_s is None else self._rested_s, low, high)
        elif is_apart and not self._suspect.is_timed and len(self._waits_s) == UNTIMED_ROUNDS == self._round:
            self._waits_s.append(2 * self._waits_s[-1])
        self._rested, self._rested_s = (high, low), wait_s

    def _slow(self, late_s: float, low: float, high: float) -> Slow:
        return Slow(
            told=f"the reading follows a change of level up to {late_s:.2g} s late, which nobody told: {STATE_IT}",
            low=low,
            high=high,
            least_s=TO_REST * late_s,
        )

    @property
    def told(self) -> str:
        """Return in words that it is late, though it is not known by how much."""
        if self._round < len(self._waits_s):
            return f"the first reading after a change still belongs to the level before: {STATE_IT}"
        return (
            "the first reading after a change belongs to the level before, however long is waited: let the analyser measure anew for each "
            "reading in place of handing out the one before"
        )
