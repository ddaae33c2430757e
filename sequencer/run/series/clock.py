"""The clock that a series waits by: the wall's, or on a bench in virtual time one that jumps, so that a night is tried in seconds."""

from __future__ import annotations

import math
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

from drivers.clock import boot_s


class SeriesClock(Protocol):
    """Says what time it is for a series, and waits."""

    virtual: bool
    longest_wait_s: float
    """How long it may wait before somebody looks whether to stop, s."""

    def now(self) -> datetime:
        """Return the time with its zone."""

    def elapsed_s(self) -> float:
        """Return the seconds since it was made, those asleep included; setting the machine's clock does not change it."""

    def asleep_s(self) -> float:
        """Return how many of them the machine was suspended for."""

    def wait_s(self, seconds: float) -> None:
        """Wait for so many seconds."""

    def in_run(self, bench_s: float) -> None:
        """Take that the run under way has come so far on the bench's clock, s."""

    def run_over(self, bench_s: float) -> None:
        """Take that a run has ended, which took so long on the bench's clock, s."""


class WallClock:
    """The machine's clock."""

    virtual = False
    longest_wait_s = 1.0

    def __init__(self) -> None:
        self._began_s, self._awake_s = boot_s(), time.monotonic()

    def now(self) -> datetime:
        """Return the time with the zone that this machine is set to."""
        return datetime.now().astimezone()

    def elapsed_s(self) -> float:
        """Return the seconds since it was made, those asleep included: starts keep their times of day."""
        return boot_s() - self._began_s

    def asleep_s(self) -> float:
        """Return how many of them the machine was suspended for; 0 where the system does not tell."""
        return max(0.0, self.elapsed_s() - (time.monotonic() - self._awake_s))

    def wait_s(self, seconds: float) -> None:
        """Sleep for so many seconds."""
        time.sleep(seconds)

    def in_run(self, bench_s: float) -> None:
        """Nothing to take: it goes by itself."""

    def run_over(self, bench_s: float) -> None:
        """Nothing to take: it goes by itself."""


class JumpingClock:
    """Begins at a moment, and goes on by what runs took on a bench in virtual time and by what is waited for; nothing sleeps."""

    virtual = True
    longest_wait_s = math.inf

    def __init__(self, began: datetime) -> None:
        self._began = began.astimezone(UTC)
        self._passed_s = 0.0
        self._in_run_s = 0.0

    def now(self) -> datetime:
        """Return the moment with the zone that this machine is set to."""
        return (self._began + timedelta(seconds=self.elapsed_s())).astimezone()

    def elapsed_s(self) -> float:
        """Return the seconds since it was made."""
        return self._passed_s + self._in_run_s

    def asleep_s(self) -> float:
        """Return nought: nothing sleeps in virtual time."""
        return 0.0

    def wait_s(self, seconds: float) -> None:
        """Go on by so many seconds at once."""
        self._passed_s += seconds

    def in_run(self, bench_s: float) -> None:
        """Stand so far in the run under way."""
        self._in_run_s = bench_s

    def run_over(self, bench_s: float) -> None:
        """Go on by the whole run."""
        self._passed_s += bench_s
        self._in_run_s = 0.0
