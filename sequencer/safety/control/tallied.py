"""A clock that adds up what the sides of a bench wait for: so that a line learns where its seconds go."""

from __future__ import annotations

from drivers.clock import Clock


class TalliedClock:
    """Another's clock. ``waited_s`` is all that was waited on it so far, ``rested_s`` what of that a transmitter rested for."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.waited_s = 0.0
        self.rested_s = 0.0

    def now_s(self) -> float:
        """Return the seconds since an arbitrary start; never goes back."""
        return self._clock.now_s()

    def wait_s(self, seconds: float) -> None:
        """Let ``seconds`` pass."""
        began_s = self._clock.now_s()
        try:
            self._clock.wait_s(seconds)
        finally:
            self.waited_s += self._clock.now_s() - began_s


def let_rest(clock: Clock, seconds: float) -> None:
    """Let ``seconds`` pass in which the transmitter rests as its duty asks."""
    before_s = clock.waited_s if isinstance(clock, TalliedClock) else 0.0
    clock.wait_s(seconds)
    if isinstance(clock, TalliedClock):
        clock.rested_s += clock.waited_s - before_s
