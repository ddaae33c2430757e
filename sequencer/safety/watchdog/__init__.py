"""The key-down watchdog: a process of its own that takes a unit off the air when the program that keyed it cannot.

Before PTT is pressed the program tells it by when PTT is released again (`max_key_time`), and afterwards that it was: two messages a
key-down. What comes too late, and the end of the program, make the watchdog act, by connections of its own:

1. PTT is released by the radio's own connection, and read back: the carrier is gone within milliseconds, and the unit is as the next
   run expects it.
2. Then the unit's supply is switched off, also where PTT reads released: a program that stood still with "press PTT" half on its way
   sends the rest when it goes on, and finds a transmitter without supply.
3. Where neither was confirmed (a radio that takes one client, and no supply), the program is ended, which lets go of its connections;
   then both are tried again. A program that is at releasing PTT by itself is not ended.

No exchange is cut in two. A network instrument frames the messages of each of its connections by themselves (IEEE 488.2, 6.1; from
memory), and a serial line is written to only when the program has been silent for longer than any exchange may last.

Rejected: heartbeats from a thread beat on while a driver hangs. Heartbeats from the loop that makes progress need a limit for how long
a check may think between two readings; a limit that is too short ends a sound run. The bench file says how long the unit may transmit,
so that this is the limit. A process between program and radio, that owns the connection, would add itself to every exchange.

Imports drivers, and of safety the mark alone.
"""

from __future__ import annotations

from typing import Protocol

WATCHDOG = "key-down watchdog"
"""What a lock file says of the watchdog as its holder."""
LATE = "PTT had not been read released in time"
"""All that the watchdog knows when it acts while the program lives: it hangs, or is at an instrument that does not answer."""


class KeyWatch(Protocol):
    """What a key asks of its watchdog."""

    def await_ready(self) -> None:
        """Wait until it is there. Raises OSError, in words, where it is not: then PTT must not be pressed."""

    def arm(self, within_s: float) -> None:
        """Say that PTT is about to be pressed, and is released again within ``within_s``. Raises OSError as `await_ready`."""

    def note_releasing(self) -> None:
        """Say that PTT is being released: the program is alive."""

    def disarm(self) -> None:
        """Say that PTT reads released. May be called at any time."""

    def problem(self) -> str:
        """Return why PTT must not be pressed any more, or stay so: it has acted, or is gone. Empty where all is well."""


class Unwatched:
    """No watchdog: a simulated bench in the program's own memory, or a key in a person's hand."""

    def await_ready(self) -> None:
        """Nothing to wait for."""

    def arm(self, within_s: float) -> None:
        """Nobody is told."""

    def note_releasing(self) -> None:
        """Nobody is told."""

    def disarm(self) -> None:
        """Nobody is told."""

    def problem(self) -> str:
        """Nothing can be wrong with it."""
        return ""
