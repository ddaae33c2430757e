"""Begin a search anew for what the looks before its end have shown, and say in the end what that was."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

from sequencer.frozen import dataclass
from sequencer.search.curve_state import State
from sequencer.search.curve_verdict import Verdict
from sequencer.search.protocol import FOUND_AT_ALL, Ask, NoReading, Settling, Status

LEAST_LEFT = 10
"""Readings: with fewer a search does not begin anew."""


class Look(Protocol):
    """Readings taken before a search ends with a word that has to be looked at again; ``ask`` is None once all is seen."""

    @property
    def ask(self) -> Ask | None:
        """Return the reading wanted now."""

    def take(self, ask: Ask, reading: float | NoReading, *, made_db: float | None = None) -> None:
        """Note what was read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slow:
    """A reading that follows the level later than anybody told: ``told`` says so, ``low`` and ``high`` where it rests, less the target.

    ``least_s`` is what is to be waited after each change of level, and ``constant_s`` the time constant; None for as told.
    """

    told: str
    low: float
    high: float
    least_s: float
    constant_s: float | None = None

    def settling(self, told: Settling) -> Settling:
        """Return how the reading comes to rest."""
        settling = replace(told, least_s=max(told.least_s, self.least_s))
        if self.constant_s is None:
            return settling
        doubt = max(told.doubt, 0.25)
        return replace(settling, rise_s=self.constant_s, fall_s=self.constant_s, doubt=doubt)

    def ended(self, ended: Verdict) -> Verdict:
        """Return how the search ends: with this told, and without a word that it alone may have brought about."""
        status, text = ended
        is_outside = (status is Status.NEVER_REACHED and self.high < 0) or (
            status is Status.ALREADY_PAST and self.low > 0
        )
        if status in FOUND_AT_ALL or is_outside or status is Status.BUDGET_SPENT:
            return status, f"{text}; {self.told}" if text else self.told
        return Status.UNSTABLE, self.told


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """A reading that passes its target between the ends of the window though not at them: ``told`` says where."""

    told: str
    window_db: tuple[float, float]

    def ended(self, ended: Verdict) -> Verdict:
        """Return how the search ends between the bounds."""
        status, text = ended
        if status in FOUND_AT_ALL:
            status = Status.NOT_MONOTONIC if status is Status.FOUND else status
            return status, f"{text}; {self.told}" if text else self.told
        if status is Status.BUDGET_SPENT:
            return status, f"{text}; {self.told}"
        return Status.UNSTABLE, self.told


def anew(state: State, why: Slow | Cut) -> State | None:
    """Return the same question for what was seen; None where the readings that are left would not suffice."""
    budget = state.budget - len(state.readings)
    family = state.family or state.set_aside
    if budget < LEAST_LEFT or family is None:
        return None
    made = State(
        target=state.target,
        window_db=why.window_db if isinstance(why, Cut) else state.window_db,
        rising=state.rising,
        accuracy_db=state.accuracy_db,
        given=family.summary(),
        family=family,
        expected=state.expected,
        known=state.known,
        known_play_db=state.known_play_db,
        settling=why.settling(state.settling) if isinstance(why, Slow) else state.settling,
        reading_s=state.reading_s,
        known_step=state.known_step,
        reading_range=state.reading_range,
        budget=budget,
        level_unit=state.level_unit,
        reading_unit=state.reading_unit,
    )
    made.readings.extend(state.readings)
    return made
