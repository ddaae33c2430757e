"""When anything on a bench was last changed, so that an instrument that averages can wait before it is read."""

from __future__ import annotations

import math


class Changes:
    """Shared by the instruments of one bench: whoever sets something notes it, whoever is read looks."""

    __slots__ = ("at_s",)

    def __init__(self) -> None:
        self.at_s = -math.inf
        """The last change, on the bench's clock, s; minus infinity before the first."""

    def note(self, now_s: float) -> None:
        """Say that something was changed at ``now_s``."""
        self.at_s = max(self.at_s, now_s)

    def left_s(self, settle_s: float, now_s: float) -> float:
        """Return how much of ``settle_s`` after the last change is still to pass at ``now_s``, s; never negative."""
        return max(0.0, self.at_s + settle_s - now_s)
