"""What is remembered of a unit's key beyond the end of this process: that it was pressed, and the rest that the unit is owed.

It goes by the radio's address. It is on the disk before the key is pressed, so that whoever opens the bench after a process that was
killed, or a machine that lost its power, knows that the unit may have been keyed for as long as nobody looked.
"""

from __future__ import annotations

import math
import time
from contextlib import suppress
from dataclasses import replace
from typing import TypeGuard

from drivers.clock import boot_s
from drivers.faults import Refused
from drivers.roles import Radio
from sequencer.frozen import dataclass
from sequencer.safety.remembered.mark import Mark, Standing
from sequencer.safety.remembered.state_folder import user_name

LONGEST_COUNTED_S = 600.0
"""After ten minutes an output stage is as hot as it gets, so that a longer key-down earns no longer rest: common practice, no source."""

SUPPLY_READ_OFF = "the supply was switched off and read off"


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftKeyed:
    """A unit that an earlier process keyed and did not release: since when (seconds since 1970), and which it was.

    ``watchdog`` says what the watchdog did about it and ``why``, and ``is_released`` whether that was read back, at ``until_s``;
    ``by_supply`` if only by the supply, so that PTT itself was never read released; ``by_run``: the run itself switched that off.
    ``is_legible`` False: what was remembered cannot be read. ``whose`` names another user's file that says so.
    """

    since_s: float
    until_s: float
    serial: str
    watchdog: str = ""
    why: str = ""
    is_released: bool = False
    released_ago_s: float = 0.0
    by_supply: bool = False
    by_run: bool = False
    is_legible: bool = True
    whose: str = ""

    @property
    def longest_s(self) -> float:
        """The longest that it may have been keyed, s; what is not known, or a clock that was set back, counts as the longest."""
        if not self.is_legible:
            return LONGEST_COUNTED_S
        down_s = self.until_s - self.since_s
        return down_s if down_s >= 0.0 else LONGEST_COUNTED_S

    def __str__(self) -> str:
        told = self._told()
        return f"{told} So says {self.whose}: see that it is no forgery." if self.whose else told

    def _told(self) -> str:
        began = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(self.since_s))
        unit = f"unit {self.serial}" if self.serial else "the unit"
        if not self.is_legible:
            return (
                f"What was remembered of PTT of {unit} cannot be read, so that it is taken as pressed by an earlier run, nobody knows for "
                "how long, until this bench was opened just now. Its output stage, the pad and the load may be hot. It rests before it "
                "transmits again; if its power falls off, let it cool and look at it."
                + ("" if self.whose else " See what happened to the disk.")
            )
        if self.is_released and self.by_run:
            return (
                f"PTT of {unit}, pressed by an earlier run at {began}, could not be read released; its supply was switched off, and "
                f"read off {self.longest_s:.1f} s later. See why before this bench is left alone again."
            )
        if self.is_released and self.by_supply:
            return (
                f"PTT of {unit}, pressed by an earlier run at {began}, could not be read released within {self.longest_s:.1f} s; "
                f"the key-down watchdog tried as well: {self.watchdog}. See why before this bench is left alone again."
            )
        if self.is_released:
            return (
                f"The key-down watchdog took PTT of {unit} from an earlier run, {self.longest_s:.1f} s after it was pressed at {began}, "
                f"because {self.why}: {self.watchdog}. See why before this bench is left alone again."
            )
        tried = f" The key-down watchdog tried to release it: {self.watchdog}." if self.watchdog else ""
        return (
            f"An earlier run ended while PTT of {unit} was pressed: it may have been transmitting for {_for(self.longest_s)}, since "
            f"{began}, until this bench was opened just now. Its output stage, the pad and the load may be hot. It rests before it "
            f"transmits again; if its power falls off, let it cool and look at it.{tried}"
        )


class KeyMemory:
    """The memory of one unit's key. ``mark`` None (a simulated bench, or a key in a person's hand): nothing is remembered."""

    def __init__(self, mark: Mark | None = None, *, serial: str = "", duty: float = 1.0) -> None:
        self._mark = mark
        self._serial = serial
        self._rest_share = 1.0 / duty - 1.0
        self._rest_until_s = 0.0  # on `boot_s`: whoever sets the time of day changes no rest
        self._recalled_s = 0.0
        self._is_noted = False
        self._pressed_s: tuple[float, float] | None = None  # the time of day, and that which nobody sets
        self.left: LeftKeyed | None = None

    @property
    def serial(self) -> str:
        """The unit that is on the bench."""
        return self._serial

    def change_unit(self, serial: str) -> None:
        """Take it that the unit ``serial`` lies on the bench from now on; PTT is read open. The rest was the unit's before it."""
        self.left = None
        if serial != self._serial:
            self._serial, self._rest_until_s = serial, 0.0

    def recall(self) -> None:
        """Find out how an earlier process left the key; once nobody else drives the bench. Raises OSError."""
        if self._mark is None:
            return
        now_s, self._recalled_s = time.time(), boot_s()
        for _, record in self._mark.records():
            # The rest is the unit's: another one on the same bench is fresh.
            if record.facts.get("serial") == self._serial:
                self._owe(_rest_left_s(record, now_s))
        if (found := self._mark.find()) is not None:
            self.left = replace(_left(found, now_s), whose=_whose(found))
            if not self.left.is_legible:
                self.left = replace(self.left, serial=self._serial)  # it may have been this one

    def note_open(self) -> None:
        """Take it that the key was just confirmed open: what an earlier process left pressed ended now, at the latest."""
        if self.left is None or self._mark is None or self._is_noted:
            return
        self._is_noted = True
        since_s = boot_s() - self._recalled_s
        left, rested_s = self.left, 0.0
        if left.is_released:
            rested_s = left.released_ago_s + since_s
        else:
            left = replace(left, until_s=left.until_s + since_s)
        self._owe(min(left.longest_s, LONGEST_COUNTED_S) * self._rest_share - rested_s)
        self._write_open(left.serial)

    @property
    def rest_left_s(self) -> float:
        """Return the rest that is still owed from before this process, s."""
        return max(0.0, self._rest_until_s - boot_s())

    def note_pressed(self, radio: Radio) -> None:
        """Remember, before it is done, that the key is pressed. Raises Refused if that cannot be remembered."""
        if self._mark is None:
            return
        self._pressed_s = time.time(), boot_s()
        try:
            self._mark.write(stands=True, serial=self._serial)
        except OSError as error:
            raise Refused(
                f"cannot record that PTT is pressed: {error.strerror or error}; it was not pressed",
                instrument=radio.name,
                address=radio.address,
                next_move=f"See who owns {self._mark.path}, and whether its disk has room.",
            ) from error

    def note_off_air(self) -> None:
        """Remember that the unit's supply reads off while its key was never read open: it has transmitted until now, and no longer."""
        if self._mark is None or self._pressed_s is None:
            return
        pressed_s, since_s = self._pressed_s
        with suppress(OSError):
            if (found := self._mark.find()) is not None and found.facts.get("confirmed") is True:
                return  # the watchdog was first, and has written down what it did
            self._mark.write(
                stands=True,
                serial=self._serial,
                pressed=pressed_s,
                held_s=round(boot_s() - since_s, 6),
                said=SUPPLY_READ_OFF,
                by="run",
                confirmed=True,
                released=False,
            )
        self._pressed_s = None

    def note_released(self, rest_s: float) -> None:
        """Remember that the key was confirmed open, and the rest owed from now on. What cannot be written stays as it was: pressed."""
        self._pressed_s = None
        if self._mark is not None:
            self._rest_until_s = boot_s() + rest_s
            self._write_open(self._serial)

    def _write_open(self, serial: str) -> None:
        if self._mark is not None:
            with suppress(OSError):
                self._mark.write(stands=False, durable=False, serial=serial, rest=round(self.rest_left_s, 3))

    def _owe(self, rest_s: float) -> None:
        most_s = LONGEST_COUNTED_S * self._rest_share  # whatever a file says
        if rest_s > 0.0:
            self._rest_until_s = max(self._rest_until_s, boot_s() + min(rest_s, most_s))


def _rest_left_s(record: Standing, now_s: float) -> float:
    """Return what is left of the rest that a record speaks of, s; one of before stated until when, by the time of day."""
    rest_s, until_s = record.facts.get("rest"), record.facts.get("rest_until")
    if isinstance(rest_s, int | float):
        return rest_s - record.age_s
    return until_s - now_s if isinstance(until_s, int | float) else 0.0


def _left(found: Standing, now_s: float) -> LeftKeyed:
    """Return what a mark says of a unit that was left keyed, and what its watchdog did about it."""
    facts = found.facts
    serial, said = str(facts.get("serial", "")), str(facts.get("said", ""))
    pressed_s, held_s = facts.get("pressed"), facts.get("held_s")
    if not (
        said and _is_time(pressed_s, now_s) and isinstance(held_s, int | float) and math.isfinite(held_s)
    ):
        # of a clock that was set back since, nothing is known but what it said
        since_s = now_s - found.age_s if found.age_s >= 0.0 else found.since_s
        return LeftKeyed(since_s=since_s, until_s=now_s, serial=serial, is_legible=found.is_legible)
    is_released = facts.get("confirmed") is True and held_s >= 0.0
    return LeftKeyed(
        since_s=float(pressed_s),
        until_s=pressed_s + held_s if is_released else now_s,
        serial=serial,
        watchdog=said,
        why=str(facts.get("why", "")),
        is_released=is_released,
        released_ago_s=max(0.0, found.age_s),
        by_supply=facts.get("released") is False,
        by_run=facts.get("by") == "run",
    )


def _is_time(moment_s: object, now_s: float) -> TypeGuard[float]:
    """Say whether it can be the time of day of something that was, s since 1970: a day ahead at most, for clocks are set."""
    return isinstance(moment_s, int | float) and 0.0 <= moment_s <= now_s + 86400.0


def _whose(found: Standing) -> str:
    """Return the file of another user's with its owner; empty of our own."""
    if found.is_ours:
        return ""
    return f"{found.path}, a file of {user_name(found.uid)}"


def _for(seconds: float) -> str:
    if seconds < 120.0:
        return f"up to {seconds:.0f} s"
    return f"up to {seconds / 60.0:.0f} min" if seconds < 7200.0 else f"up to {seconds / 3600.0:.0f} h"
