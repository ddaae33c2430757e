"""Find where a smooth reading crosses its target, in few readings and with an honest 95 % interval.

Coarse readings bracket the crossing (curve_bracket.py); a bent line is fitted through all readings (curve_fit.py), and
further readings go where they narrow the interval most, for as long as is needed (curve_refine.py), until its half-width
is the accuracy asked for. Stop rule: t(0.975, dof) sd <= accuracy_db, with two believed readings near the crossing
and readings far from it that prove a response.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequencer.search import curve_verdict as verdict
from sequencer.search.curve_again import Again
from sequencer.search.curve_anew import Cut, Slow, anew
from sequencer.search.curve_belief import Belief, Expected, Known
from sequencer.search.curve_bracket import arrived, next_coarse
from sequencer.search.curve_family import Family
from sequencer.search.curve_look import has_room, may_look, unlooked
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.curve_refine import next_near
from sequencer.search.curve_state import State
from sequencer.search.curve_weigh import first_sample, next_weighed
from sequencer.search.protocol import (
    FOUND_AT_ALL,
    Ask,
    Crossing,
    NoReading,
    SearchInputError,
    Settling,
    Status,
    as_read,
    require_finite,
    require_window,
)

READING_S = (0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0)
"""Reading times to choose from unless told otherwise, s."""
START_SHARE = 0.6
START_ABOVE_DB = 8.0  # above where it is expected: a reading of noise alone says nothing but "further up"


class CurveSearch:
    """A search for the level at which a smooth reading crosses ``target``.

    ``window_db`` (low, high) bounds every level asked. ``rising`` says whether the reading rises with level.
    ``accuracy_db`` (greater than 0) is the half-width of the 95 % interval at which it stops. ``prior`` is what is
    believed of the curve: a family of curves that are weighed, or one slope; None learns its scale from the readings.
    ``expected`` is where the crossing usually is, ``known`` what other searches found on the same curve; both count only
    where a family is weighed. ``stands`` is where the reading is at rest before the first ask, ``play_db`` how much play it is known to
    have; None looks for it. ``settling`` is how the reading comes to rest.
    ``reading_s`` lists the reading times to choose from; one number for a person. ``step`` is the reading's
    resolution in its unit: 0 for none, None to detect it. ``reading_range`` (low, high) is what the instrument can
    read: a reading at an end counts as out of range. ``start_db`` is where to begin, by default where it is expected,
    or 60 % up the window. ``budget`` (3 or more) bounds the number of readings; 15 suits a person. ``by_hand``: a person
    sets the levels, beside whom waiting costs nothing. ``level_unit`` and ``reading_unit`` stand in what it says of its levels and
    readings: dBm and V, where it looks for a voltage.

    Raises SearchInputError for a window of no width, an accuracy of 0 or less, a target outside ``reading_range``,
    a NaN or no reading time.
    """

    def __init__(
        self,
        *,
        target: float,
        window_db: tuple[float, float],
        rising: bool = True,
        accuracy_db: float = 0.5,
        prior: CurvePrior | Family | None = None,
        expected: Expected | None = None,
        known: Sequence[Known] = (),
        stands: Known | None = None,
        play_db: float | None = None,
        settling: Settling | None = None,
        reading_s: Sequence[float] | float = READING_S,
        step: float | None = None,
        reading_range: tuple[float, float] | None = None,
        start_db: float | None = None,
        budget: int = 60,
        by_hand: bool = False,
        level_unit: str = "dB",
        reading_unit: str = "",
    ) -> None:
        target = require_finite("target", target)
        low, high = require_window(window_db)
        self._state = state = State(
            target=target,
            window_db=(low, high),
            rising=bool(rising),
            accuracy_db=require_finite("accuracy_db", accuracy_db, above=0.0),
            given=prior.summary() if isinstance(prior, Family) else prior,
            family=prior if isinstance(prior, Family) else None,
            expected=expected,
            known=tuple(known),
            stands=None
            if stands is None
            else (stands.level_db, (stands.reading - target) * (1.0 if rising else -1.0)),
            known_play_db=None if play_db is None else require_finite("play_db", play_db, least=0.0),
            settling=settling or Settling(),
            reading_s=_reading_times(reading_s),
            known_step=None if step is None else require_finite("step", step, least=0.0),
            reading_range=_range_around(target, reading_range),
            budget=int(require_finite("budget", budget, least=3)),
            by_hand=by_hand,
            level_unit=level_unit,
            reading_unit=reading_unit,
        )
        start = low + START_SHARE * (high - low)
        if start_db is not None:
            start = require_finite("start_db", start_db)
        elif expected is not None:
            start = expected.level_db + (START_ABOVE_DB if state.family and state.family.ratio else 0.0)
        self._end: tuple[Status, tuple[str, ...]] | None = None
        self._start_db = start
        self._again: Again | None = None
        self._has_looked = False
        self._why_anew: Slow | Cut | None = None
        self._ask: Ask | None = first_sample(state, start) or state.ask_far(start)

    @property
    def ask(self) -> Ask | None:
        """The reading wanted now, or None when the search has ended."""
        return self._ask

    def tell(
        self,
        reading: float | NoReading,
        /,
        *,
        reading_s: float | None = None,
        level_db: float | None = None,
    ) -> None:
        """Take the reading that answers the present ask, as it was carried out: a finite number, or a NoReading.

        Raises SearchInputError, and keeps asking, for NaN, infinity or what is no number; also when the search has
        ended.
        """
        if self._ask is None:
            raise SearchInputError("The search has ended; it takes no further reading. Read 'result'.")
        made = as_read(self._ask, reading_s)
        if self._again is not None:
            self._again.take(made, reading, made_db=level_db)
            following = self._again.ask or self._looked(self._again)
        else:
            self._state.take(made, reading, made_db=level_db)
            following = self._looked_at(self._following())
        if isinstance(following, Ask):
            self._ask = following
            return
        status, text = following
        self._ask, self._end = None, (status, (text,) if text else ())

    def _looked_at(self, following: Ask | verdict.Verdict) -> Ask | verdict.Verdict:
        """Return the first look at the ends where the search would end with a word that has to be looked at again."""
        if isinstance(following, Ask):
            return following
        if self._why_anew is not None:
            return self._why_anew.ended(following)
        if self._has_looked or not may_look(self._state, following[0]):
            return following
        if not has_room(self._state):
            return unlooked(following)
        self._again, self._has_looked = Again(self._state, following), True
        return self._again.ask or following

    def _looked(self, again: Again) -> Ask | verdict.Verdict:
        """Search anew for what was seen; else return how the search ends after all."""
        self._again, outcome = None, again.outcome
        if isinstance(outcome, tuple):
            return outcome
        state = anew(self._state, outcome)
        if state is None:
            return outcome.ended(again.denied)
        self._state, self._why_anew = state, outcome
        return state.ask_far(self._start_db)

    def _following(self) -> Ask | verdict.Verdict:
        """Return the next ask, or how the search ends."""
        state = self._state
        if (end := verdict.stuck(state)) is not None:
            return end
        if state.family is not None:
            following = next_weighed(state)
        else:
            near = state.fit is not None or arrived(state)
            following = next_near(state) if near else next_coarse(state)
        if isinstance(following, Ask):
            return verdict.spent(state) if len(state.notes) >= state.budget else following
        if following[0] in FOUND_AT_ALL:
            following = verdict.doubted(state) or following
        if following[0] is Status.NO_RESPONSE and state.mostly_answers:
            return Status.UNSTABLE, "some readings follow the level, but too few agree to speak of a crossing"
        return following

    @property
    def result(self) -> Crossing:
        """What is known of the crossing; final once ``ask`` is None."""
        status, warnings = self._end or (Status.BUDGET_SPENT, ("the search has not ended",))
        state, fit = self._state, self._state.fit
        level_db, half_width_db = fit.stated if fit else (None, math.inf)
        if status in FOUND_AT_ALL and verdict.is_flat(state):
            half_width_db, warnings = verdict.widened(state, half_width_db), (*warnings, verdict.IS_FLAT)
        return Crossing(
            status=status,
            level_db=level_db,
            half_width_db=half_width_db,
            slope=(fit.slope if state.rising else -fit.slope) if fit else None,
            slope_sd=fit.slope_sd if fit else None,
            slopes_beside=self._slopes_beside(),
            sd_db=fit.noise_db if fit else math.nan,
            settle_s=state.slowest_s,
            play_db=state.play_db,
            step=state.step(),
            readings=len(state.readings),
            history=tuple(state.readings),
            warnings=warnings,
        )

    def _slopes_beside(self) -> tuple[float, float] | None:
        """Return the slopes below and above the crossing where a family was weighed, falling ones negative."""
        state = self._state
        if not isinstance(state.fit, Belief):
            return None
        below, above = state.fit.slopes_beside
        return (below, above) if state.rising else (-below, -above)


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
