"""Time, as everything that waits sees it."""

from __future__ import annotations

import time
from functools import cache
from pathlib import Path
from typing import Protocol


class Clock(Protocol):
    """What a bench waits by: the computer's clock for real gear, a virtual one for a simulated bench."""

    def now_s(self) -> float:
        """Return the seconds since an arbitrary start; never goes back."""

    def wait_s(self, seconds: float) -> None:
        """Let ``seconds`` (0 or more) pass on this clock."""


def boot_s() -> float:
    """Return the seconds since the machine started, those that it was suspended for included where the system tells (Linux).

    It never goes back, whatever the time of day is set to; all processes of the machine read the same.
    """
    return time.clock_gettime(_BOOT) if _BOOT is not None else time.monotonic()


def asleep_s() -> float:
    """Return for how long this machine has been suspended since it was started, s; always 0 where the system does not tell."""
    return boot_s() - time.monotonic()


_BOOT: int | None = getattr(time, "CLOCK_BOOTTIME", None)


@cache
def boot_id() -> str:
    """Return what tells one start of this machine from another (random(4) of Linux); empty where the system does not say."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return ""


class RealClock:
    """The computer's clock, which goes on while the machine is suspended: the unit's key may be down all the while."""

    def now_s(self) -> float:
        """Return the seconds since an arbitrary start; never goes back."""
        return boot_s()

    def wait_s(self, seconds: float) -> None:
        """Sleep for ``seconds``."""
        time.sleep(max(0.0, seconds))
