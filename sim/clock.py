"""The simulated bench's clock."""

from __future__ import annotations

import time


class VirtualClock:
    """Time that passes only when somebody waits: nothing sleeps."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        """Return the virtual seconds since the bench was switched on."""
        return self._now_s

    def wait_s(self, seconds: float) -> None:
        """Let ``seconds`` (0 or more) pass at once."""
        if seconds < 0:
            raise ValueError(f"cannot wait {seconds} s: time does not go back")
        self._now_s += seconds


class WallClock:
    """The computer's monotonic clock, counted from the moment the bench was switched on."""

    def __init__(self) -> None:
        self._start_s = time.monotonic()

    def now_s(self) -> float:
        """Return the seconds since the bench was switched on."""
        return time.monotonic() - self._start_s

    def wait_s(self, seconds: float) -> None:
        """Sleep for ``seconds`` (0 or more)."""
        if seconds < 0:
            raise ValueError(f"cannot wait {seconds} s: time does not go back")
        time.sleep(seconds)


class ScaledClock:
    """The computer's clock, run ``factor`` times as fast: a simulated bench over a network, in less time.

    A client's own waits and time-outs are not scaled, so that an answer comes early rather than late.
    """

    def __init__(self, factor: float) -> None:
        if not 0 < factor <= 10_000:
            raise ValueError(
                f"a clock cannot run {factor} times as fast; more than 0 and at most 10000 are allowed"
            )
        self.factor = factor
        self._start_s = time.monotonic()

    def now_s(self) -> float:
        """Return the scaled seconds since the bench was switched on."""
        return (time.monotonic() - self._start_s) * self.factor

    def wait_s(self, seconds: float) -> None:
        """Let ``seconds`` (0 or more) of this clock pass."""
        if seconds < 0:
            raise ValueError(f"cannot wait {seconds} s: time does not go back")
        time.sleep(seconds / self.factor)
