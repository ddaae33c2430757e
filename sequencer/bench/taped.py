"""What a stored trace is made of, and how it answers: its exchanges, where today's code departs from it, and what was never asked."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from enum import Enum

from drivers import faults
from drivers.faults import InstrumentFault
from drivers.trace import Direction, Exchange
from sequencer.frozen import dataclass

_HARMLESS = re.compile(rb"\*IDN\?|\*CLS;\*IDN\?|\*OPC\?|:?SYST(em)?:ERR(or)?(:NEXT)?\?", re.I)
"""Bare questions whose answer is no reading of the unit."""


class Way(Enum):
    """How the tape answers."""

    EXACT = "exact"
    RESUMED = "resumed"
    LOST = "lost"


class NeverAsked(InstrumentFault):
    """The trace has no answer: this was not asked then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taped:
    """One exchange of a stored run, and the number of the check that it was part of."""

    exchange: Exchange
    check_index: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """Where today's code first did something else: ``place`` in the trace, from 1, and the check, instrument and message on each side.

    ``then`` is empty where the trace, or what it holds of the check, had ended; ``now`` is empty where today's code had.
    """

    place: int
    check_index: int
    instrument: str
    then: str
    now: str


def fault_of(exchange: Exchange) -> InstrumentFault:
    """Return the fault that an exchange ended in, as it was raised then; a plain one where only its words were kept."""
    facts = exchange.facts
    if facts is None:
        return InstrumentFault(
            f"it ended in a fault then: {exchange.fault}",
            instrument=exchange.instrument,
            address="the stored trace",
        )
    kind = getattr(faults, facts.get("fault", ""), None)
    if not (isinstance(kind, type) and issubclass(kind, InstrumentFault)):
        kind = InstrumentFault
    told = {name: facts.get(name, "") for name in ("instrument", "address", "command", "reply", "next_move")}
    return kind(facts.get("what", ""), **told)


def shown(content: bytes) -> str:
    """Return a message as a person reads it."""
    return content.decode("ascii", "backslashreplace").strip()


def is_setting(content: bytes) -> bool:
    """Say whether a message sets something and asks at most for that, or who is there: any other question may be a reading."""
    if content.endswith(b": "):  # to a person
        return False
    parts = content.strip().split(b";")
    set_here = [part for part in parts if b"?" not in part]
    return all(
        b"?" not in part
        or _HARMLESS.fullmatch(part)
        or any(one.startswith(part.partition(b"?")[0] + b" ") for one in set_here)
        for part in parts
    )


def shortest_name(names: Collection[str]) -> str:
    """Return the name of an instrument, of those that its link has."""
    return min(names, key=len, default="")


def answer_after(entries: Sequence[Taped], at: int) -> bytes | None:
    """Return the answer to the message at ``at``; None where none came."""
    sent = entries[at].exchange
    after = entries[at + 1].exchange if at + 1 < len(entries) else None
    if after is None or after.instrument != sent.instrument or after.direction is not Direction.RECEIVED:
        return None
    return after.content
