"""Injected faults, as data: what goes wrong, on which message, how often.

A device carries a `FaultScript` (``device.faults.add(Fault(...))``); sim/serve/session.py applies it, so that a fault
is the same through the simulated VISA library and over TCP.

Does not model: faults of the wire below messages (lost packets, resets in mid-message), bit errors in what
the instrument receives, an instrument that restarts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from enum import Enum

from sim.frozen import dataclass


class FaultKind(Enum):
    """What goes wrong; beside each the argument it takes."""

    TIMEOUT = "timeout"  # the message is carried out, its answer never comes; none
    DELAY = "delay"  # the answer comes later by so many seconds; a number
    LATE = "late"  # the answer comes only before the answer of a later message; none
    GARBAGE = "garbage"  # these bytes come instead of the answer; bytes, default line noise
    TRUNCATE = "truncate"  # only so many bytes of the answer come, then its terminator; an integer
    UNTERMINATED = "unterminated"  # the answer comes, its terminator (NL, END) never; none
    DISCONNECT = "disconnect"  # the link breaks when the message arrives, which is not carried out; none
    STUCK = "stuck"  # the first answer comes again and again; none
    PREVIOUS = "previous"  # the answer to the message before comes, and so on for ever: late by one; none
    WRONG = "wrong"  # this text comes instead of the answer; a string
    ERROR = (
        "error"  # the error queue gets an entry before the message is carried out; (number, text) or number
    )


_LINE_NOISE = b"\x00\xff\x13;#?~"
_ARGUMENTS: dict[FaultKind, tuple[type, ...]] = {
    FaultKind.DELAY: (int, float),
    FaultKind.GARBAGE: (bytes,),
    FaultKind.TRUNCATE: (int,),
    FaultKind.WRONG: (str,),
    FaultKind.ERROR: (int, tuple),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault.

    ``match`` is looked for in the whole program message, in any case; as it stands, or as a regular
    expression when ``regex``; empty matches every message. The first ``skip`` matches go well, then ``times``
    fail (None: all). ``argument`` is as `FaultKind` says. Raises ValueError for an argument that does not
    fit.
    """

    kind: FaultKind
    match: str = ""
    regex: bool = False
    times: int | None = 1
    skip: int = 0
    argument: float | int | str | bytes | tuple[int, str] | None = None

    def __post_init__(self) -> None:
        allowed = _ARGUMENTS.get(self.kind, ())
        missing = self.argument is None and allowed and self.kind is not FaultKind.GARBAGE
        if missing or (self.argument is not None and not isinstance(self.argument, allowed)):
            names = " or ".join(each.__name__ for each in allowed) or "no"
            raise ValueError(f"fault {self.kind.value!r}: {names} argument is due, not {self.argument!r}")
        if (
            isinstance(self.argument, int | float)
            and self.kind is not FaultKind.ERROR
            and not self.argument >= 0
        ):
            raise ValueError(f"fault {self.kind.value!r}: the argument is 0 or more, not {self.argument!r}")
        if self.regex:
            try:
                re.compile(self.match)
            except re.error as error:
                raise ValueError(
                    f"fault {self.kind.value!r}: {self.match!r} is no regular expression: {error}"
                ) from None

    def matches(self, message: str) -> bool:
        """Tell whether this fault is meant for the message."""
        if self.regex:
            return re.search(self.match, message, re.IGNORECASE) is not None
        return self.match.upper() in message.upper()


class FaultScript:
    """The faults of one instrument, with what has become of them; the first that fits a message is taken."""

    def __init__(self, faults: Iterable[Fault] = ()) -> None:
        self._faults: list[Fault] = list(faults)
        self._seen: dict[int, int] = {}
        self._stuck: dict[int, bytes] = {}
        self._held: dict[int, bytes] = {}
        self.taken: list[tuple[Fault, str]] = []

    def __bool__(self) -> bool:
        return bool(self._faults)

    def add(self, fault: Fault) -> None:
        """Add a fault behind the others."""
        self._faults.append(fault)

    def clear(self) -> None:
        """Let everything go well from now on; what was taken stays on record."""
        self._faults.clear()
        self._seen.clear()
        self._stuck.clear()
        self._held.clear()

    def take(self, message: bytes) -> Taken | None:
        """Return the fault that this message meets, and count it."""
        text = message.decode("latin-1")
        for index, fault in enumerate(self._faults):
            if not fault.matches(text):
                continue
            seen = self._seen.get(index, 0)
            self._seen[index] = seen + 1
            if seen < fault.skip or (fault.times is not None and seen >= fault.skip + fault.times):
                continue
            self.taken.append((fault, text))
            return Taken(fault, index, self)
        return None

    def stuck(self, index: int, answer: bytes) -> bytes:
        """Return the first answer that fault number ``index`` saw."""
        return self._stuck.setdefault(index, answer)

    def previous(self, index: int, answer: bytes) -> bytes:
        """Return the answer that fault number ``index`` saw before this one; the first comes twice."""
        before = self._held.get(index, answer)
        self._held[index] = answer
        return before


@dataclass(frozen=True, slots=True)
class Taken:
    """A fault that has met its message."""

    fault: Fault
    index: int
    script: FaultScript

    @property
    def delay_s(self) -> float:
        """How much later the answer comes."""
        return float(self.fault.argument) if self.fault.kind is FaultKind.DELAY else 0.0  # type: ignore[arg-type]

    def error_entry(self) -> tuple[int, str] | None:
        """Return number and text for the error queue, if that is the fault."""
        argument = self.fault.argument
        if self.fault.kind is not FaultKind.ERROR:
            return None
        return argument if isinstance(argument, tuple) else (int(argument), "")  # type: ignore[arg-type]

    def spoil(self, answer: bytes) -> bytes:
        """Return what comes instead of an answer (which ends in NL); a command without an answer stays without."""
        kind, argument = self.fault.kind, self.fault.argument
        if not answer or kind is FaultKind.TIMEOUT:
            return b""
        if kind is FaultKind.GARBAGE:
            answer = (_LINE_NOISE if argument is None else bytes(argument)) + b"\n"  # type: ignore[arg-type]
        if kind is FaultKind.TRUNCATE:
            return answer.rstrip(b"\n")[: int(argument)] + b"\n"  # type: ignore[arg-type]
        if kind is FaultKind.UNTERMINATED:
            answer = answer.removesuffix(b"\n")
        if kind is FaultKind.STUCK:
            return self.script.stuck(self.index, answer)
        if kind is FaultKind.PREVIOUS:
            return self.script.previous(self.index, answer)
        if kind is FaultKind.WRONG:
            answer = str(argument).encode("latin-1", "replace") + b"\n"
        return answer
