"""Time, as everything that waits sees it."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """What a bench waits by: the computer's clock for real gear, a virtual one for a simulated bench."""

    def now_s(self) -> float:
        """Return the seconds since an arbitrary start; never goes back."""

    def wait_s(self, seconds: float) -> None:
        """Let ``seconds`` (0 or more) pass on this clock."""


class RealClock:
    """The computer's monotonic clock."""

    def now_s(self) -> float:
        """Return the seconds since an arbitrary start; never goes back."""
        return time.monotonic()

    def wait_s(self, seconds: float) -> None:
        """Sleep for ``seconds``."""
        time.sleep(max(0.0, seconds))
