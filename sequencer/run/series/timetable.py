"""When the runs of a series begin: how many, how far apart, until when. Arithmetic alone; it knows no clock."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from sequencer.frozen import dataclass

LATE_S = 1.0
"""A start that is late by no more is made at once; a run's own closing takes as much."""
LEAST_EVERY_S, MOST_EVERY_S = 1.0, 7 * 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """The next start: its ``number`` on the grid of starts, how long to wait for it (s), and how many before it are left out."""

    number: int
    wait_s: float
    left_out: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Timetable:
    """At most ``repeat`` runs, ``every_s`` seconds from start to start, none that would end after ``until``; None: no such bound.

    Starts stand on a grid that the first run begins. One that falls into a run under way is left out and not made up for: the others
    stay at their times, and a unit that was measured for long is not keyed again at once.
    """

    repeat: int | None = None
    every_s: float | None = None
    until: datetime | None = None

    def next_start(self, *, run: int, last: int, passed_s: float) -> Start | None:
        """Return the start after number ``last`` (-1 before the first), ``passed_s`` seconds after the first; None after the last run.

        ``run`` is the number of the run that it is for, counted from 1.
        """
        if self.repeat is not None and run > self.repeat:
            return None
        number = last + 1
        if self.every_s is None or last < 0:
            return Start(number=number, wait_s=0.0, left_out=0)
        number = max(number, math.ceil((passed_s - LATE_S) / self.every_s))
        wait_s = max(0.0, number * self.every_s - passed_s)
        return Start(number=number, wait_s=wait_s, left_out=number - last - 1)

    def has_room(self, begins: datetime, needed_s: float) -> bool:
        """Say whether a run that begins then and takes ``needed_s`` seconds ends by ``until``."""
        return self.until is None or begins + timedelta(seconds=needed_s) <= self.until
