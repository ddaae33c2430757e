"""Look at both ends, before a search ends without a level or with one that nothing foretold, if the reading answers, and if it lags.

A word such as ``no response`` says something of the unit. So the reading is looked at some times in a row at each end of the window
first: an analyser that averages for longer than anybody said shows itself there (each look lies nearer to where it comes to rest), and so
does a unit whose signal is there most of the time.
"""

from __future__ import annotations

import math
import statistics

from sequencer.quantiles import student_quantile
from sequencer.search.curve_anew import Slow
from sequencer.search.curve_doubt import is_doubted
from sequencer.search.curve_state import State
from sequencer.search.curve_verdict import Verdict
from sequencer.search.protocol import FOUND_AT_ALL, Ask, NoReading, Status

LOOKS = 5  # at each end
DENIALS = frozenset(
    {Status.NO_RESPONSE, Status.ALREADY_PAST, Status.NEVER_REACHED, Status.UNSTABLE, Status.DRIFTING}
)
"""How a search may end of which a lag that nobody told may be the reason."""
CONSTANTS_S = tuple(0.06 * 1.15**k for k in range(32))  # up to 4.5 s
MORE_S = (0.0, 0.02, 0.04, 0.07, 0.12, 0.2)  # that a generator may take for a new level
SURE_OF_LAG = 30.0  # F of 2 and 6: by chance about once in a thousand
APART_DB = 4.0  # in dB of level: what the ends of the window differ by at least where a reading answers
NOT_ALWAYS = (
    "the reading answers a strong signal most of the time, but the readings do not agree: "
    "look for a joint, a relay or a squelch that opens and closes"
)
DOES_NOT_FOLLOW = (
    "the reading scatters, but is the same at both ends of the window: it does not follow the level"
)
WAITED = 3.0  # time constants after each step: what is not known is if it averages as a first-order lag does [measured: 1.5 held less]
MOST = 3  # of the looks: so many at one end must lie beyond all those at the other


class EndLook:
    """Looks at both ends of the window, the higher first; ``ask`` is None once all is seen."""

    def __init__(self, state: State) -> None:
        self._state = state
        self._stood = as_number(state, state.notes[-1].raw)
        self._ends: list[list[tuple[float, float]]] = [[], []]
        self._at_s = 0.0
        self.ask: Ask | None = self._next()

    def _next(self) -> Ask | None:
        state, (top, bottom) = self._state, self._ends
        if len(bottom) == LOOKS:
            return None
        level_db = state.window_db[1] if len(top) < LOOKS else state.window_db[0]
        wait_s = state.lag.wait_s(level_db, state.reading_s[0], math.inf)
        return Ask(level_db=level_db, wait_s=wait_s, reading_s=state.reading_s[0], purpose="again")

    def take(self, ask: Ask, reading: float | NoReading, *, made_db: float | None = None) -> None:
        """Note what was read."""
        raw = self._state.take_look(ask, reading, made_db=made_db)
        self._at_s += ask.wait_s + ask.reading_s
        end = self._ends[0] if len(self._ends[0]) < LOOKS else self._ends[1]
        end.append((self._at_s, as_number(self._state, raw)))
        self.ask = self._next()

    @property
    def answers(self) -> bool:
        """Whether most looks at the higher end lie clearly beyond all of those at the lower one."""
        return self._beyond(self._ends[0], self._ends[1]) >= MOST

    @property
    def answers_at_last(self) -> bool:
        """Whether they do beside the first look at the lower end, which may still be of the higher one."""
        return self._beyond(self._ends[0], self._ends[1][1:]) >= MOST

    @property
    def is_turned(self) -> bool:
        """Whether the reading goes the other way: most looks at the lower end lie past the target, and those at the higher one not."""
        top, bottom = ([reading for _, reading in end] for end in self._ends)
        crosses = (
            sum(reading < 0 for reading in top) >= MOST and sum(reading > 0 for reading in bottom) >= MOST
        )
        return crosses and self._beyond(self._ends[1], self._ends[0]) >= MOST

    def _beyond(self, upper: list[tuple[float, float]], lower: list[tuple[float, float]]) -> int:
        if not self.is_whole:
            return 0
        limit = max(reading for _, reading in lower) + APART_DB * self._state.belief().slope
        return sum(reading > limit for _, reading in upper)

    @property
    def crosses(self) -> bool:
        """Whether most looks at the higher end lie above the target, and most at the lower one below."""
        top, bottom = ([reading for _, reading in end] for end in self._ends)
        return sum(reading > 0 for reading in top) >= MOST and sum(reading < 0 for reading in bottom) >= MOST

    @property
    def straddles(self) -> bool:
        """Whether the looks at one end lie on either side of the target."""
        return any(min(r for _, r in end) < 0 < max(r for _, r in end) for end in self._ends)

    @property
    def side(self) -> float:
        """Return 1 where all looks at both ends lie past the target, -1 where none does, else 0."""
        looks = [reading for end in self._ends for _, reading in end]
        return 1.0 if all(r > 0 for r in looks) else -1.0 if all(r < 0 for r in looks) else 0.0

    @property
    def explains_all(self) -> bool:
        """Whether each reading lies where the looks lie, as far as their scatter tells: beyond it by chance once in 1000."""
        looks = [reading for end in self._ends for _, reading in end]
        numbers = [note.excess for note in self._state.numbers()]
        if any(math.isnan(reading) for reading in looks) or not numbers:
            return False
        mean = statistics.fmean(looks)
        sure = student_quantile(len(looks) - 1, 1 - 5e-4) * math.sqrt(1 + 1 / len(looks))
        reach = max(sure * statistics.stdev(looks), self._state.step())
        return all(abs(number - mean) <= reach for number in numbers)

    @property
    def ends(self) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
        """Return the looks at the higher and the lower end: when each was over, s from the first on, and the reading less the target."""
        return self._ends[0], self._ends[1]

    @property
    def is_whole(self) -> bool:
        """Whether each look gave a number."""
        return not any(math.isnan(reading) for end in self._ends for _, reading in end)

    @property
    def turned(self) -> str:
        """Return in words that the reading goes the other way."""
        goes = "falls" if self._state.rising else "rises"
        return f"the reading {goes} as the level rises: are two cables exchanged, or the roles of two instruments in the bench file?"

    @property
    def lag(self) -> tuple[float, Slow] | None:
        """What a lag would have to be, and the squares it leaves, where the looks follow one far better than they stand still."""
        if not self.is_whole or math.isnan(self._stood):
            return None
        still = math.fsum(
            (reading - math.fsum(r for _, r in end) / len(end)) ** 2
            for end in self._ends
            for _, reading in end
        )
        left, constant_s, low, high = min(
            self._following(constant_s, more_s) for constant_s in CONSTANTS_S for more_s in MORE_S
        )
        sure = still - left > SURE_OF_LAG * left / (2 * LOOKS - 4)
        if not sure or high - low <= APART_DB * self._state.belief().slope:
            return None
        return left, Slow(
            told=f"the reading still moves after a step, with a time constant of about {constant_s:.2g} s that nobody told: "
            "let the analyser average for a shorter time, or state its 'settle' in the bench file",
            low=low,
            high=high,
            least_s=WAITED * constant_s,
            constant_s=constant_s,
        )

    def _following(self, constant_s: float, more_s: float) -> tuple[float, float, float, float]:
        """Return the squares that a first-order lag leaves, the lag, and where it comes to rest at either end: least squares in these two.

        Each change of level takes the generator ``more_s`` beside what was waited.
        """
        top = [(t + more_s, r) for t, r in self._ends[0]]
        bottom = [(t + 2 * more_s, r) for t, r in self._ends[1]]
        stood, turned_s = self._stood, top[-1][0]
        gone = math.exp(-turned_s / constant_s)
        rows = [(1 - (left := math.exp(-t / constant_s)), 0.0, r - stood * left) for t, r in top]
        for t, r in bottom:
            left = math.exp(-(t - turned_s) / constant_s)
            rows.append(((1 - gone) * left, 1 - left, r - stood * gone * left))
        aa, ab, bb = (math.fsum(x * y for x, y in _pairs(rows, i, j)) for i, j in ((0, 0), (0, 1), (1, 1)))
        ay, by = (math.fsum(x * y for x, y in _pairs(rows, i, 2)) for i in (0, 1))
        whole = aa * bb - ab * ab
        high, low = (ay * bb - by * ab) / whole, (aa * by - ab * ay) / whole
        squares = math.fsum((y - a * high - b * low) ** 2 for a, b, y in rows)
        return squares, constant_s, low, high


def _pairs(rows: list[tuple[float, float, float]], i: int, j: int) -> list[tuple[float, float]]:
    return [(row[i], row[j]) for row in rows]


def as_number(state: State, raw: float) -> float:
    """Return a reading less the target; one beyond the instrument's range as the end of that, NaN where none is known."""
    if not math.isinf(raw):
        return raw
    if state.reading_range is None:
        return math.nan
    low, high = state.reading_range
    is_high = (raw > 0) == state.rising
    return math.copysign(high - state.target if is_high else state.target - low, raw)


def may_look(state: State, status: Status) -> bool:
    """Whether the word is one to be looked at again, by an instrument, of a reading that is told to be fast."""
    by_chance = status in FOUND_AT_ALL and is_doubted(state)
    foretold = state.family is not None or state.gave_up_family or by_chance
    by_hand = len(state.reading_s) < 2
    # What no curve of the family explains may lag: then the level found without the family is off.
    doubted = status in DENIALS or (status in FOUND_AT_ALL and state.gave_up_family) or by_chance
    return doubted and foretold and not by_hand and not state.is_slow


def has_room(state: State) -> bool:
    """Whether the readings that are left suffice for the looks."""
    return len(state.readings) + 2 * LOOKS <= state.budget


def unlooked(denied: Verdict) -> Verdict:
    """Return how a search ends where no readings are left to look: what follows nothing may as well follow late."""
    if denied[0] is Status.NO_RESPONSE:
        return Status.UNSTABLE, f"{denied[1]}; no readings were left to look at both ends of the window"
    return denied


def answering(look: EndLook, denied: Verdict) -> Verdict:
    """Return how a search ends whose reading does not lag: no word that the looks at the ends deny."""
    status, _ = denied
    if (
        status in FOUND_AT_ALL
    ):  # found, though no curve foretold it: by chance, where the ends say the same as all the readings
        by_chance = not look.answers and look.explains_all
        return (Status.NO_RESPONSE, DOES_NOT_FOLLOW) if by_chance else denied
    if look.is_turned:
        return Status.NO_RESPONSE, look.turned
    outside = status in {Status.NEVER_REACHED, Status.ALREADY_PAST}
    if look.answers_at_last and (status is Status.NO_RESPONSE or (outside and look.crosses)):
        return Status.UNSTABLE, NOT_ALWAYS
    if outside and not look.answers and look.straddles:
        return (
            Status.NO_RESPONSE,
            "the reading lies on either side of the target at one level, and does not follow it",
        )
    return denied
