"""When a profiled instrument may be read, and for how long it measures: its settling time, and its own reading time."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from drivers.changes import Changes
from drivers.clock import Clock
from drivers.faults import InstrumentError, NotConfirmed
from drivers.link.link import Link
from drivers.profiled.kept_settings import KeptSettings
from drivers.profiled.profile import Profile
from drivers.roles import Reading

LONGEST_READING_S = 60.0
OUT_OF_RANGE = re.compile(r"-22[0-9] *, *[\"']")
"""SCPI-1999 volume 2, 21.8.10: parameter errors, -222 (data out of range) and -224 (illegal parameter value) among them."""
_LINE_CYCLES = (0.02, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)
OFFERED_S = tuple(
    sorted(
        {
            *(step * 10.0**decade for decade in range(-4, 2) for step in (1, 2, 5)),
            *(cycles / line_hz for cycles in _LINE_CYCLES for line_hz in (50.0, 60.0)),
        }
    )
)
"""Reading times that instruments offer: 1, 2, 5 a decade, and cycles of the power line. Common practice, no source."""


class TimedReading(KeptSettings):
    """Waits before a reading for what was changed on the bench, and takes a reading time as the instrument makes it.

    ``settle_s`` is what must have passed since any change before a reading counts, s.
    """

    def __init__(self, link: Link, profile: Profile, clock: Clock, *, settle_s: float) -> None:
        super().__init__(link, profile, clock)
        self._settle_s = settle_s
        self._asked_reading_s: float | None = None
        self._made_reading_s = 0.0
        self._taken_reading_s: dict[float, float] = {}

    def share_changes(self, changes: Changes) -> None:
        """Note its changes beside those of the bench's other instruments, and wait after any of them before it is read."""
        self._changes = changes

    @contextmanager
    def _changing_nothing(self) -> Iterator[None]:
        """Set what changes nothing of what the instruments of the bench see: how long one reads or records."""
        before_s = self._changes.at_s
        yield
        self._changes.at_s = before_s

    def _wait_settled(self) -> None:
        """Wait until its settling time is over since anything on the bench was changed: it may average over what was before."""
        if (left_s := self._changes.left_s(self._settle_s, self._clock.now_s())) > 0.0:
            self._clock.wait_s(left_s)

    def _set_reading_time(self, reading_s: float) -> float:
        """Set how long it reads, where that can be set; returns the time it made of it, s.

        Many offer steps (such as 0.2, 1, 10 and 100 cycles of the power line) and take the nearest, or refuse what is none: then the
        nearest that they do not refuse is set. What reads back is the time.
        """
        if not self._has("reading_time"):
            return reading_s
        if reading_s != self._asked_reading_s or "reading_time" not in self._kept:
            self._asked_reading_s = None
            with self._changing_nothing():
                self._made_reading_s = self._take_reading_time(reading_s)
            if not 0.0 < self._made_reading_s <= LONGEST_READING_S:
                raise NotConfirmed(
                    f"its reading time was set to {reading_s:g} s and reads back {self._made_reading_s:g} s",
                    instrument=self.name,
                    address=self.address,
                    next_move=f"A time above 0 and up to {LONGEST_READING_S:g} s is used as it reads back: check the profile's scale.",
                )
            self._asked_reading_s = reading_s
        return self._made_reading_s

    def _take_reading_time(self, reading_s: float) -> float:
        """Set the time asked for, or the nearest that the instrument takes; it is asked once which that is. Returns what reads back."""
        asked = (self._taken_reading_s.get(reading_s, reading_s), *_nearest(reading_s))
        refusal: InstrumentError | None = None
        for time_s in asked:
            try:
                made_s = self._set("reading_time", time_s, tolerance=LONGEST_READING_S)
            except InstrumentError as error:
                if not is_out_of_range(error):
                    raise
                refusal = refusal or error
            else:
                self._taken_reading_s[reading_s] = time_s
                return made_s
        assert refusal is not None
        raise refusal

    def _read_for(self, name: str, reading_s: float) -> Reading:
        """Ask for a number that is measured over about ``reading_s``; the reading says over how long it was."""
        made_s = self._set_reading_time(reading_s)
        reading = self._read(name, extra_s=made_s)
        return replace(reading, reading_s=made_s) if self._has("reading_time") else reading

    def _read(self, name: str, *, extra_s: float = 0.0) -> Reading:
        """Ask for a number; ``extra_s`` is how much longer than a plain answer the reading may take."""
        command = self._command(name)
        self._wait_settled()
        reply = self._link.query(command.query, timeout_s=self._link.timeout_s + extra_s)
        reading = self._reading(name, reply, command.query)
        self._without_number += reading.number is None
        return reading


def is_out_of_range(error: InstrumentError) -> bool:
    """Say whether the instrument understood a setting and does not offer that value of it."""
    return OUT_OF_RANGE.search(f"{error.what}\n{error.reply}") is not None


def _nearest(reading_s: float) -> list[float]:
    """Return what instruments offer, the nearest by ratio first."""
    return sorted(OFFERED_S, key=lambda offered_s: abs(math.log(offered_s / reading_s)))
