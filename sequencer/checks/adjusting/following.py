"""Follows the level at which something switches, a squelch or a segment, while a preset moves it: the generator steps after it.

What switches shows nothing between on and off. So the level goes down in steps until it is off and up again until it is on, and so on;
the figure is the last level, midway between two steps, at which it went on. It lags by one such round, and a round by the
hysteresis; what is still off above it, or still on below where it went off, moves it at once.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.roles import RangeState, Reading
from sequencer.safety.receive import ReceiveSide

COARSE_DB, FINE_DB = 4.0, 0.5
FAR_AFTER = (
    14  # steps one way without a change, more than a hysteresis takes: it was moved far, and the steps grow
)
MOST_LOOKS = 80  # of one figure of a setting that was written: 40 dB in fine steps
NOTHING = Reading(number=None, state=RangeState.NO_MEASUREMENT)


class SwitchFollower:
    """Reads where something goes on. ``is_on`` looks once, None for no reading; ``wait_s`` is what it takes to follow a level."""

    def __init__(
        self,
        side: ReceiveSide,
        is_on: Callable[[], bool | None],
        *,
        start_dbm: float,
        bounds_dbm: tuple[float, float],
        rise_s: float,
        fall_s: float,
    ) -> None:
        self._side = side
        self._is_on = is_on
        self._bounds_dbm = bounds_dbm
        self._rise_s, self._fall_s = rise_s, fall_s
        self._level_dbm = start_dbm
        self._step_db = FINE_DB
        self._was_on: bool | None = None
        self._alike = 0
        self._went_on_dbm: float | None = None
        self._went_off_dbm: float | None = None
        self._is_fine = False

    def look(self) -> Reading:
        """Go one step on and look; return where it went on last, no measurement before it did or where it does not switch any more."""
        seen = self._is_on()
        if seen is None:
            return NOTHING
        if self._was_on is False and seen:
            self._went_on_dbm = self._level_dbm - self._step_db / 2.0
            self._is_fine = self._step_db == FINE_DB
        if self._was_on and not seen:
            self._went_off_dbm = self._level_dbm + self._step_db / 2.0
        self._follow(seen)
        self._alike = self._alike + 1 if seen == self._was_on else 0
        if self._alike == 0 and self._was_on is not None:
            self._step_db = max(FINE_DB, self._step_db / 2.0)
        elif self._alike >= FAR_AFTER:
            self._step_db = min(COARSE_DB, 2.0 * self._step_db)
        self._was_on = seen
        if not self._go(seen):
            self._went_on_dbm = self._went_off_dbm = None
            return Reading(number=None, state=RangeState.UNDER_RANGE if seen else RangeState.OVER_RANGE)
        return NOTHING if self._went_on_dbm is None else Reading(number=self._went_on_dbm)

    def find(self) -> Reading:
        """Look until it has gone on once more, in fine steps: for a setting that was written and stands."""
        self._went_on_dbm = self._went_off_dbm = None
        for _ in range(MOST_LOOKS):
            reading = self.look()
            if reading.number is not None and self._is_fine:
                return reading
            if reading.state in (RangeState.OVER_RANGE, RangeState.UNDER_RANGE):
                return reading
        return NOTHING

    def _follow(self, seen: bool) -> None:
        """Move the figure with what is seen already: it goes on no lower than this, or no higher."""
        on_dbm, off_dbm = self._went_on_dbm, self._went_off_dbm
        if on_dbm is None:
            return
        if not seen and self._level_dbm > on_dbm:
            self._went_on_dbm = self._level_dbm + self._step_db / 2.0
        elif seen and off_dbm is not None and self._level_dbm < off_dbm:
            lower_db = off_dbm - (self._level_dbm - self._step_db / 2.0)
            self._went_on_dbm, self._went_off_dbm = on_dbm - lower_db, off_dbm - lower_db

    def _go(self, seen: bool) -> bool:
        """Step down from what is on, up from what is off; return whether there was room."""
        low_dbm, high_dbm = self._bounds_dbm
        asked_dbm = self._level_dbm + (-self._step_db if seen else self._step_db)
        if not low_dbm <= asked_dbm <= high_dbm:
            return False
        self._level_dbm = self._side.set_level_dbm(asked_dbm)
        self._side.wait_s(self._fall_s if seen else self._rise_s)
        return True
