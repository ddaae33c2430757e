"""Air in a chamber and a unit that stands in it: the air follows what is set, the unit follows the air, each with a time constant.

Two first-order lags in a row, evaluated exactly; the answer of the second to an exponential is elementary. Time constants of some minutes
for a unit of half a kilogram in moving air: common practice, no source.

Not modelled: overshoot, a limited rate, the unit's own heat in the chamber (its output stage is in simulated_unit.py), humidity.
"""

from __future__ import annotations

from math import exp, isclose

ROOM_C = 23.0


class Climate:
    """The temperatures of air and unit, °C, from when the air was at ``room_c`` and so was the unit."""

    def __init__(self, *, now_s: float, body_s: float = 600.0, room_c: float = ROOM_C) -> None:
        self._since_s = now_s
        self._body_s = body_s
        self._target_c = self._air0_c = self._body0_c = room_c
        self._air_s = 100.0

    def head_for(self, target_c: float, now_s: float, *, air_s: float) -> None:
        """Let the air go to ``target_c`` from now on, with the time constant ``air_s``, s, which is not the unit's."""
        self._air0_c, self._body0_c = self.air_c(now_s), self.body_c(now_s)
        self._since_s, self._target_c, self._air_s = now_s, target_c, air_s
        if isclose(air_s, self._body_s):
            self._air_s = 1.001 * self._body_s

    def air_c(self, now_s: float) -> float:
        """Return the temperature of the air at ``now_s``."""
        return self._target_c + (self._air0_c - self._target_c) * exp(-(now_s - self._since_s) / self._air_s)

    def body_c(self, now_s: float) -> float:
        """Return the temperature of the unit at ``now_s``."""
        elapsed_s = now_s - self._since_s
        slow, quick = exp(-elapsed_s / self._body_s), exp(-elapsed_s / self._air_s)
        lead = self._air_s / (self._air_s - self._body_s)
        return (
            self._target_c
            + (self._body0_c - self._target_c) * slow
            + (self._air0_c - self._target_c) * lead * (quick - slow)
        )
