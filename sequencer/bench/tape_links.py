"""What stands where links, lines and people stood: all of it asks one `Tape`. Drivers do not know the difference."""

from __future__ import annotations

import signal
from collections.abc import Collection, Mapping
from typing import Any

from typing_extensions import override

from drivers.faults import ConnectionLost, InstrumentFault, TimedOut
from drivers.link import wire as wires
from drivers.link.session import Closing
from drivers.link.wire import Wire
from drivers.text.line import Input, Output
from drivers.trace import Direction, Exchange
from sequencer.bench.tape import Tape
from sequencer.bench.taped import fault_of
from sequencer.inputs.bench import BenchFile

_PARSED = "drivers.link.scpi.WrongReply"
"""What an answer that came whole was refused for: whoever reads it now decides anew."""


class TapedWire(Wire):
    """The bytes of one link, from the tape."""

    def __init__(self, tape: Tape, names: Collection[str]) -> None:
        self._tape = tape
        self._names = names
        self._one: Exchange | None = None
        self._read_to = 0
        self.sent = False
        self.received = bytearray()

    @override
    def send(self, message: bytes, timeout_s: float) -> None:
        self.sent, self.received = False, bytearray()
        self._one, self._read_to = None, 0
        self.took_nothing = True
        try:
            failed = self._tape.send(self._names, message)
        except KeyboardInterrupt:  # the run is stopped here: then in this exchange, or before it
            self.took_nothing = self._tape.is_in_step(self._names)
            raise
        self.took_nothing = False
        if failed is not None:
            self.received += failed.content
            raise _raised(failed)
        self.sent, self.sent_s = True, self._tape.taken_s

    @override
    def read_line(self, max_bytes: int, timeout_s: float) -> bytes:
        one = self._answer()
        self.received += one.content[self._read_to :]
        self._read_to = len(one.content)
        if one.fault and not _was_parsed(one):
            raise _raised(one)
        return bytes(self.received)

    @override
    def read_count(self, count: int, timeout_s: float) -> bytes:
        one = self._answer()
        part = one.content[self._read_to : self._read_to + count]
        self.received += part
        self._read_to += len(part)
        if len(part) < count:
            if one.fault and not _was_parsed(one):
                raise _raised(one)
            raise wires.Garbled(f"the answer ended {count - len(part)} bytes early")
        return part

    def _answer(self) -> Exchange:
        if self._one is None:
            self._one = self._tape.answer(self._names)
            self.answered_s = self._tape.taken_s
        return self._one


class TapedSession:
    """One open link."""

    def __init__(self, tape: Tape, names: Collection[str]) -> None:
        self._tape = tape
        self._names = names
        self.wire: Wire = TapedWire(tape, names)

    def set_timeout(self, timeout_s: float) -> None:
        """Nothing: what ran out of time then does so at once."""

    def clear(self) -> None:
        """Clear it if it could be cleared then: the next message shows that."""
        if self._tape.is_next(self._names, Direction.CLOSED, Direction.OPENED):
            raise NotImplementedError("it could not be cleared then")

    def close(self, *, lost: bool = False) -> None:
        """Close it."""
        self._tape.closed(self._names)


class TapedLibrary:
    """A VISA library whose instruments are on the tape; ``names`` says who is at an address."""

    def __init__(self, tape: Tape, names: Mapping[str, Collection[str]]) -> None:
        self._tape = tape
        self._names = names

    def __enter__(self) -> TapedLibrary:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing to close."""

    def adopt(self, link: Closing) -> None:
        """Nothing: whoever opened a link closes it."""

    def open_session(self, address: str, *, open_timeout_s: float, timeout_s: float) -> Any:
        """Open a link. Raises what it raised then."""
        names = self._names.get(address, ())
        self._tape.opened(names)
        return TapedSession(self._tape, names)


class TapedLine:
    """The line of a radio that is controlled by text."""

    def __init__(self, tape: Tape, name: str) -> None:
        self._tape = tape
        self._names = (name,)
        self._outputs: dict[str, bool] = {}
        self._sent = False

    def open(self) -> None:
        """Open it. Raises what it raised then."""
        self._tape.opened(self._names)

    def close(self) -> None:
        """Close it."""
        self._tape.closed(self._names)

    def is_gone(self) -> bool:
        """Say whether it was opened again then."""
        return self._tape.is_next(self._names, Direction.CLOSED, Direction.OPENED)

    def write(self, content: bytes) -> None:
        """Send. Raises what it raised then."""
        self._sent = False
        failed = self._tape.send(self._names, content)
        if failed is not None:
            raise fault_of(failed)
        self._sent = True

    def read_some(self, within_s: float) -> bytes:
        """Return what came; nothing where nothing did, for which nobody waits. Raises what it raised then."""
        late = self._tape.is_next(self._names, Direction.RECEIVED)
        if not self._sent and not late:
            return b""
        was_sent, self._sent = self._sent, False
        if within_s <= 0.0 and not (late and was_sent is False):
            self._sent = was_sent
            return b""
        one = self._tape.answer(self._names)
        if one.facts is not None:
            raise fault_of(one)
        return one.content

    def set_output(self, output: Output, raised: bool) -> None:
        """Raise or drop an output line."""
        self._outputs[output] = raised
        self._tape.send(self._names, f"{output.upper()} {'raised' if raised else 'dropped'}".encode())

    def read_output(self, output: Output) -> bool:
        """Return what an output line was last set to."""
        return self._outputs.get(output, False)

    def read_input(self, input_: Input) -> bool:
        """Return an input line as it was."""
        return self._tape.answer(self._names).content == f"{input_.upper()} raised".encode()


class TapedPerson:
    """Whoever sat at the bench: each question must be the one that was asked then."""

    def __init__(self, tape: Tape) -> None:
        self._tape = tape

    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        """Return what was typed then. Raises `NeverAsked` for another question, and what silence raised."""
        asker = self._tape.next_name
        failed = self._tape.send((asker,), text.encode("utf-8", "replace"))
        one = failed or self._tape.answer((asker,))
        if one.fault == "interrupted":
            signal.raise_signal(signal.SIGINT)
        if one.fault:
            kind = type(fault_of(one))
            if kind is TimedOut:
                raise TimeoutError("nobody answered in time")
            if kind is ConnectionLost:
                return None
            raise fault_of(one)
        return one.content.decode("utf-8", "replace")

    def stop(self, why: str) -> None:
        """Do what was done then: the run is stopped as by Ctrl-C."""
        signal.raise_signal(signal.SIGINT)


def names_at(bench: BenchFile) -> dict[str, frozenset[str]]:
    """Return by address the names under which a bench's links stand in a trace; beside a person stands a simulated twin."""
    found: dict[str, set[str]] = {}
    for name, entry in bench.instruments.items():
        found.setdefault(entry.address, set()).update((name, twin_name(name)))
    return {address: frozenset(names) for address, names in found.items()}


def twin_name(name: str) -> str:
    """Return what the simulated instrument beside a person is called in the trace."""
    return f"{name} (simulated)"


def _was_parsed(one: Exchange) -> bool:
    cause = (one.facts or {}).get("cause", "")
    return cause == _PARSED or (cause.startswith("builtins.Unicode") and one.content.endswith(b"\n"))


def _raised(one: Exchange) -> Exception:
    """Return what the link raised: its own exception where the link goes by it, else the fault."""
    cause = (one.facts or {}).get("cause", "")
    if cause == "drivers.link.wire.GoneIdle":
        return wires.GoneIdle("before anything was sent")
    fault: InstrumentFault = fault_of(one)
    return fault
