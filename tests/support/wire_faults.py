"""Faults at one operation of the VISA library of a simulated bench: the n-th opening, writing or reading, whatever it is of.

An operation is one call of the library: a session is opened, a message is handed to an instrument, an answer is taken. Each is counted,
over all instruments, from 1. A `Fault` says what goes wrong at one of them, once, or there and at each later operation of the same kind
with the same instrument.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Any

from pyvisa import errors
from pyvisa.constants import ResourceAttribute, StatusCode

from sim.bench import SimulatedBench
from sim.serve.session import Piece
from tests.support.power_cycle import let_disobey, power_cycle

NOISE = b"\x00\xff\x13;#?~\n"
NOT_A_NUMBER, OVER_RANGE = b"9.91E37", b"9.9E37"  # SCPI-1999 volume 1, 7.2.1 (from memory)
ERROR, WARNING = (-222, "Data out of range"), (112, "Zeroing is old")
_NUMBER = re.compile(rb"[+-]?(\d+\.?\d*|\.\d+)(E[+-]?\d+)?", re.IGNORECASE)


class Call(Enum):
    """The calls of a VISA library that are counted."""

    OPEN = "open"
    WRITE = "write"
    READ = "read"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One way to go wrong, and at which calls it can."""

    name: str
    calls: frozenset[Call]


def _kind(name: str, *calls: Call) -> Kind:
    return Kind(name=name, calls=frozenset(calls))


KINDS = {
    one.name: one
    for one in (
        _kind("time-out", Call.OPEN, Call.WRITE, Call.READ),  # of a writing: nothing was taken
        _kind("late", Call.READ),  # the answer comes before the next one
        _kind("garbage", Call.READ),
        _kind("truncated", Call.READ),  # the first half, and the terminator
        _kind("empty", Call.READ),  # the terminator alone
        _kind("duplicate", Call.READ),  # the answer twice
        _kind("anothers-reply", Call.READ),  # the last that another instrument gave
        _kind(
            "refused", Call.OPEN, Call.WRITE
        ),  # the connection is gone, and is refused when it is opened again
        _kind("lost", Call.READ),  # the message was carried out, then the connection broke
        _kind("closed-idle", Call.WRITE),  # nothing of the message was taken
        _kind("error-entry", Call.WRITE),  # in the error queue, before the message is carried out
        _kind("warning-entry", Call.WRITE),
        _kind("not-a-number", Call.READ),
        _kind("over-range", Call.READ),
        _kind("power-blip", Call.WRITE),  # the instrument comes up as after *RST; its connection lasts
        _kind("restart", Call.WRITE),  # the same, and the connection is gone
        _kind("disobeyed", Call.WRITE),  # it says what it was set to, and does what it did
        _kind("frozen", Call.READ),  # its last answer to the same message
    )
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """``kind`` (a key of `KINDS`) at operation ``number``; ``stays``: there and at all later ones with that instrument."""

    kind: str
    number: int
    stays: bool

    def __str__(self) -> str:
        return f"{self.kind} at operation {self.number}, {'for good' if self.stays else 'once'}"


def is_setting(message: bytes) -> bool:
    """Say whether a message sets something, beside what it asks."""
    return any(b"?" not in one and one.strip() not in (b"", b"*CLS") for one in message.split(b";"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """What is about to happen: which call, with which instrument, and the message that was sent to it last."""

    number: int
    call: Call
    address: str
    message: str


class FaultyLibrary:
    """Counts the operations of a simulated bench's VISA library, and lets one of them go wrong.

    ``before`` is asked at each operation which fault it shall have; None for none.
    """

    def __init__(self, simulation: SimulatedBench, before: Callable[[Operation], Fault | None]) -> None:
        self.count = 0
        self.simulation = simulation
        self._before = before
        self._fault: Fault | None = None
        self._at = ""
        self._call = Call.OPEN
        self._refused = False
        self._messages: dict[str, bytes] = {}
        self._last: dict[str, bytes] = {}
        self._answers: dict[tuple[str, bytes], bytes] = {}
        self._obey: dict[str, Callable[[], None]] = {}
        library = simulation.library()
        self._library: Any = library
        self._open, self._write, self._read = library.open, library.write, library.read
        library.open, library.write, library.read = self.open, self.write, self.read  # type: ignore[method-assign]
        simulation.library = lambda: library  # type: ignore[method-assign]

    # -- the three calls ------------------------------------------------------------------------------------------------

    def open(self, session: Any, name: str, *more: Any) -> Any:
        """Open a session."""
        kind = self._next(Call.OPEN, name)
        if self._refused and name == self._at and self._fault is not None:
            self._refused = self._fault.stays
            kind = "refused"
        if kind == "refused":
            self._fail(session, StatusCode.error_resource_not_found)
        if kind == "time-out":
            self.simulation.clock.wait_s(int(more[1]) / 1000 if len(more) > 1 else 2.0)
            self._fail(session, StatusCode.error_timeout)
        return self._open(session, name, *more)

    def write(self, session: Any, message: bytes) -> Any:
        """Hand a message to an instrument."""
        opened = self._library.sessions.get(session)
        if opened is None or opened is self._library or opened.device.lost:
            return self._write(session, message)
        address, link = opened.attrs[ResourceAttribute.resource_name], opened.device
        self._messages[address] = message
        kind = self._next(Call.WRITE, address)
        sets = is_setting(message)
        if sets and kind != "disobeyed" and (obey := self._obey.pop(address, None)) is not None:
            obey()
        if kind == "time-out":
            self._wait(opened)
            self._fail(session, StatusCode.error_timeout)
        if kind in ("refused", "closed-idle", "restart"):
            self._refused = kind == "refused"
            if kind == "restart":
                power_cycle(link.device)
            link.lost = True
            self._fail(session, StatusCode.error_connection_lost)
        if kind in ("error-entry", "warning-entry"):
            number, text = ERROR if kind == "error-entry" else WARNING
            link.device.report(number, text=text)
        if kind == "power-blip":
            power_cycle(link.device)
        if kind == "disobeyed" and sets:
            result, self._obey[address] = let_disobey(link.device, lambda: self._write(session, message))
            return result
        return self._write(session, message)

    def read(self, session: Any, count: int) -> Any:
        """Take an answer."""
        content, status = self._read(session, count)
        opened = self._library.sessions[session]
        address, link = opened.attrs[ResourceAttribute.resource_name], opened.device
        asked = (address, self._messages.get(address, b""))
        whole = content.endswith(b"\n")
        kind = self._next(Call.READ, address)
        if kind in ("time-out", "late"):
            if kind == "late":
                link.outbox.appendleft(Piece(content, True))
            self._wait(opened)
            self._fail(session, StatusCode.error_timeout)
        if kind == "lost":
            link.lost = True
            self._fail(session, StatusCode.error_connection_lost)
        if kind == "duplicate":
            link.outbox.appendleft(Piece(content, True))
        spoilt = self._spoilt(kind, content, asked) if whole else content
        if whole:
            self._last[address] = content
            self._answers.setdefault(asked, content)
            if spoilt == content:
                self._answers[asked] = content
        return spoilt, status

    # -- inside ---------------------------------------------------------------------------------------------------------

    def _spoilt(self, kind: str, content: bytes, asked: tuple[str, bytes]) -> bytes:
        text = content.rstrip(b"\n")
        match kind:
            case "garbage":
                return NOISE
            case "truncated":
                return text[: len(text) // 2] + b"\n"
            case "empty":
                return b"\n"
            case "anothers-reply":
                others = [reply for address, reply in self._last.items() if address != asked[0]]
                return others[-1] if others else content
            case "frozen":
                return self._answers.get(asked, content)
            case "not-a-number" | "over-range":
                first, *more = text.split(b";")
                if _NUMBER.fullmatch(first) is None:
                    return content
                return b";".join([NOT_A_NUMBER if kind == "not-a-number" else OVER_RANGE, *more]) + b"\n"
        return content

    def _next(self, call: Call, address: str) -> str:
        """Count an operation; return the kind of what goes wrong at it, empty where nothing does."""
        self.count += 1
        if self._fault is None:
            sent = self._messages.get(address, b"").decode("latin-1").strip() if call is not Call.OPEN else ""
            operation = Operation(number=self.count, call=call, address=address, message=sent)
            self._fault = self._before(operation)
            if self._fault is None:
                return ""
            self._at, self._call = address, call
            return self._fault.kind
        return self._fault.kind if self._fault.stays and (address, call) == (self._at, self._call) else ""

    def _wait(self, opened: Any) -> None:
        self.simulation.clock.wait_s(opened.attrs.get(ResourceAttribute.timeout_value, 2000) / 1000)

    def _fail(self, session: Any, status: StatusCode) -> None:
        self._library._last_status = status
        raise errors.VisaIOError(status)
