"""The record of what went over the wire: one frozen value for each message, handed to whoever keeps it."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from typing import Protocol

from drivers.frozen import dataclass


class Direction(Enum):
    """Which way the bytes went, or what became of the link."""

    OPENED = "opened"
    SENT = "sent"
    RECEIVED = "received"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One message on one link, as it was on the wire.

    ``time_s`` is on the bench's clock. ``content`` is what was sent or what came back, terminators included,
    also where it is not a whole answer. ``fault`` is empty, or the text of the fault that this message ended
    in; ``facts`` is that fault as data (`drivers.faults.facts_from`), None where there was none. A link that could
    not be opened is one that was ``OPENED`` with a fault.
    """

    time_s: float
    instrument: str
    direction: Direction
    content: bytes = b""
    fault: str = ""
    facts: Mapping[str, str] | None = None


class Trace(Protocol):
    """Whoever keeps exchanges: called in the order of the wire, inside the exchange: not to use the link."""

    def __call__(self, exchange: Exchange, /) -> None:
        """Keep one exchange."""
