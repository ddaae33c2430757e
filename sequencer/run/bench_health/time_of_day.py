"""Whether somebody, or a time server, sets the time of day while a run is measured: its results carry the time that was shown."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime

from drivers.clock import boot_s
from sequencer.units.format import time_text

RAN_ON = "the time of day ran on"
SET_S = 5.0
"""By so much it was set between two looks, and not only led: a time server leads by 0.5 ms in a second at most (adjtimex of Linux)."""


class TimeOfDay:
    """Holds the time of day against the clock that counts from the start of the machine and that nobody sets."""

    def __init__(
        self, shown_s: Callable[[], float] = time.time, passed_s: Callable[[], float] = boot_s
    ) -> None:
        """Look for the first time; ``shown_s`` is the time of day, s since 1970."""
        self._shown_s, self._passed_s = shown_s, passed_s
        self._began_s, self._late_s = self._looked()

    def set_meanwhile(self) -> str:
        """Return a sentence where it was set since the last look; empty where it ran on."""
        before_s, doubt_s = self._began_s, self._late_s
        self._began_s, self._late_s = self._looked()
        by_s = self._began_s - before_s
        if abs(by_s) <= SET_S + doubt_s + self._late_s:
            return ""
        now = datetime.fromtimestamp(self._shown_s()).astimezone()
        return (
            f"the computer's clock was set {'forward' if by_s > 0.0 else 'back'} by {time_text(abs(by_s))} while this run was measured, "
            f"a short while before {now:%Y-%m-%d %H:%M:%S %z}: times of this run from before and after do not go on from each other. How "
            "long PTT was pressed, and every rest, went by another clock; see which of the two times is right"
        )

    def _looked(self) -> tuple[float, float]:
        """Return how far the time of day is from the clock that nobody sets, and how much later than the one the other was read, s."""
        first_s = self._passed_s()
        shown_s = self._shown_s()
        late_s = self._passed_s() - first_s
        return shown_s - first_s - late_s / 2.0, late_s
