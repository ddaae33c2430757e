"""Sees that this program, or the whole computer, stood still for a while: what was read across that counts for nothing.

A suspended computer is seen by its clocks: one counts the time asleep, one does not (clock_gettime(2) of Linux: CLOCK_BOOTTIME and
CLOCK_MONOTONIC). A process that was stopped hears SIGCONT when it goes on. A frozen container or a paused machine tells nothing: what
shows is a wait that took far longer than it should.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from typing_extensions import override

from drivers.clock import Clock, asleep_s
from drivers.faults import InstrumentFault, NotConfirmed, Refused, SettingLost

ASLEEP_S = 1.0
"""Both clocks are read one after the other: less than this may be a busy machine."""
LATE_S = 5.0
"""A wait that is late by more was no wait: common practice, no source."""


class StoodStill(SettingLost):
    """This program stood still while a check was made: it is made again, once."""


class Standstill:
    """How often this program has stood still, and why it did so last. ``asleep_s`` is how long the computer has slept so far."""

    def __init__(self, asleep_s: Callable[[], float] = asleep_s) -> None:
        self._asleep_s = asleep_s
        self._slept_s = asleep_s()
        self._count = 0
        self._why = ""

    def note_stopped(self) -> None:
        """Take note that the process was stopped and goes on. Safe in a signal handler."""
        self._note("this program was stopped, and went on")

    def note_late(self, late_s: float) -> None:
        """Take note of a wait that took ``late_s`` longer than it should, if that is too long for a busy machine."""
        if late_s > LATE_S:
            self._note(f"this program stood still for {late_s:.0f} s")

    def count(self) -> int:
        """Return how often it has stood still until now; to be handed to `since`."""
        slept_s = self._asleep_s()
        if (by_s := slept_s - self._slept_s) > ASLEEP_S:
            self._note(f"this computer was suspended for {by_s:.0f} s")
        self._slept_s = slept_s
        return self._count

    def since(self, count: int) -> str:
        """Return why it has stood still since `count` returned that; empty where it has not."""
        return self._why if self.count() != count else ""

    def refuse_since(self, count: int) -> None:
        """Raise StoodStill where it has stood still since `count` returned that."""
        if why := self.since(count):
            raise stood_still(why)

    @contextmanager
    def discarding(self) -> Iterator[None]:
        """Raise StoodStill for whatever is done across a standstill; a fault that it may have caused passes as that.

        What says that the bench is not as it was told, or that nothing may be keyed, passes as it is.
        """
        count = self.count()
        try:
            yield
        except InstrumentFault as fault:
            keeps = isinstance(fault, NotConfirmed | Refused) and not isinstance(fault, SettingLost)
            if keeps or isinstance(fault, StoodStill) or not (why := self.since(count)):
                raise
            raise stood_still(why) from fault
        self.refuse_since(count)

    def _note(self, why: str) -> None:
        self._why = why
        self._count += 1


class WatchedClock:
    """A clock whose waits tell when they took far too long."""

    def __init__(self, clock: Clock, standstill: Standstill) -> None:
        self._clock = clock
        self._standstill = standstill

    @override
    def __repr__(self) -> str:
        return f"WatchedClock({self._clock!r})"

    def now_s(self) -> float:
        """Return the seconds since an arbitrary start; never goes back."""
        return self._clock.now_s()

    def wait_s(self, seconds: float) -> None:
        """Let ``seconds`` pass, and take note if it was far more."""
        began_s = self._clock.now_s()
        self._clock.wait_s(seconds)
        self._standstill.note_late(self._clock.now_s() - began_s - max(0.0, seconds))


def stood_still(why: str) -> StoodStill:
    """Return the fault of a check across which this program stood still."""
    return StoodStill(
        f"{why}, while this was measured, so that it counts for nothing",
        instrument="this program",
        address="stood still",
        next_move="Keep the computer from going to sleep while it measures, then run it again.",
    )
