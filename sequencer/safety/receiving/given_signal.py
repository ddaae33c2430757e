"""What the generator gives the unit at the moment, as the receive side asked for it."""

from __future__ import annotations

import math

from sequencer.frozen import dataclass

CLEAR_FROM_DBM = -95.0  # well above any threshold: workshop's own


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """What the generator gives: its level at the antenna connector, and the tone that a receiver makes of it, if any."""

    level_dbm: float = -math.inf
    tone_hz: float | None = None
    is_on: bool = True

    @property
    def is_clear(self) -> bool:
        """Say whether its tone must be heard by any receiver that works."""
        return self.is_on and self.tone_hz is not None and self.level_dbm >= CLEAR_FROM_DBM
