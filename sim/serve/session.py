"""One controller's link to one instrument: framing, order of answers, and injected faults.

A *message link* is a bus with END (GPIB, HiSLIP, VXI-11): IEEE 488.2 message exchange, a new message drops an
unread answer (-410). A *stream link* is a raw socket: NL frames, messages are carried out one after the
other, and every answer comes in order, however late: a late answer is what the next reader finds.

Does not model: END without NL on input other than at the end of a write, flow control, the error -430.
"""

from __future__ import annotations

import math
import re
from collections import deque
from typing import NamedTuple

from sim.scpi.device import Exchange, ScpiDevice
from sim.scpi.faults import FaultKind, Taken

MAX_MESSAGE = 1 << 20
_MARK = re.compile(rb"[\"'\n]|(?<=[\x00-\x09\x0b-\x20,])#[1-9]")


class Framer:
    """Cuts a stream of bytes into program messages: at NL outside definite blocks, and at END."""

    def __init__(self, longest: int = MAX_MESSAGE) -> None:
        self._longest = longest
        self._buffer = bytearray()
        self._skipping = False

    def feed(self, chunk: bytes, *, end: bool = False) -> list[bytes | None]:
        """Return the messages that are now whole; None stands for one that was too long and is dropped."""
        messages: list[bytes | None] = []
        if self._skipping:
            at = chunk.find(b"\n")
            if at < 0 and not end:
                return messages
            self._skipping = False
            chunk = chunk[at + 1 :] if at >= 0 else b""
        buffer = self._buffer
        buffer += chunk
        may_end = b"\n" in chunk  # a message can become whole only by a NL that came just now
        while True:
            if may_end and 0 <= (at := self._end()) <= self._longest:
                messages.append(bytes(buffer[:at]))
            elif len(buffer) > self._longest:
                # From here on the NL alone counts, also in a block, however the network has cut the stream.
                messages.append(None)
                at = buffer.find(b"\n", self._longest + 1)
                may_end = True
                if at < 0:
                    self._skipping = True
                    buffer.clear()
                    break
            else:
                break
            del buffer[: at + 1]
        if end:
            if buffer:
                messages.append(bytes(buffer))
            self.clear()
        return messages

    def clear(self) -> None:
        """Forget what came."""
        self._buffer.clear()
        self._skipping = False

    def _end(self) -> int:
        buffer = self._buffer
        if b"#" not in buffer:
            return buffer.find(b"\n")
        at = 0
        while mark := _MARK.search(buffer, at):
            found = mark.group()
            if found == b"\n":
                return mark.start()
            at = mark.end()
            if found in (b'"', b"'"):
                close = buffer.find(found, at)
                line = buffer.find(b"\n", at)
                # a NL ends a message even within a string: otherwise a lost quote would swallow all that
                # follows
                if line >= 0 and (close < 0 or line < close):
                    return line
                if close < 0:
                    return -1
                at = close + 1
                continue
            digits = found[1] - 48
            length = bytes(buffer[at : at + digits])
            if len(length) == digits and length.isdigit() and int(length) <= self._longest:
                at += digits + int(length)
                if at > len(buffer):
                    return -1
            # else: no block after all; the parser will say so
        return -1


class Piece(NamedTuple):
    """Bytes that wait to be read; ``end`` where END (on a bus) comes with the last of them."""

    content: bytes
    end: bool


class Link:
    """One controller's side of the exchange; not thread-safe, the bench's lock guards it."""

    def __init__(self, device: ScpiDevice, *, stream: bool) -> None:
        self.device = device
        self.stream = stream
        self.lost = False
        self.outbox: deque[Piece] = deque()
        self._framer = Framer()
        self._inbox: deque[bytes] = deque()
        self._current: Exchange | None = None
        self._fault: Taken | None = None
        self._hold_until_s = -math.inf
        self._late: list[Piece] = []
        self._silenced = False

    def write(self, sent: bytes, *, end: bool = False) -> None:
        """Take bytes from the controller; on a message link ``end`` tells that END came with the last of them."""
        for message in self._framer.feed(sent, end=end):
            if message is None:
                self.device.report(-363)
            elif self.stream:
                self._inbox.append(message)
            else:
                self._drop_unread()
                self._start(message)
        self.poll()

    def poll(self) -> None:
        """Let everything happen that is due by now."""
        while not self.lost:
            if self._current is None:
                if not self._inbox:
                    return
                self._start(self._inbox.popleft())
                continue
            if not self._current.done:
                self.device.advance()
                if not self._current.done:
                    return
            if self._fault is not None and self._hold_until_s == -math.inf:
                self._hold_until_s = self.device.clock.now_s() + self._fault.delay_s
            if self._hold_until_s > self.device.clock.now_s():
                return
            self._finish(self._current)

    def ready_at_s(self) -> float:
        """Return when polling again makes sense; infinity where nothing is on its way."""
        if self._current is None:
            return math.inf
        return self._hold_until_s if self._current.done else self.device.ready_at_s(self._current)

    @property
    def busy(self) -> bool:
        """Whether a message is being carried out or waits."""
        return self._current is not None or bool(self._inbox)

    @property
    def waiting(self) -> int:
        """How many messages wait for the present one."""
        return len(self._inbox)

    def read_unasked(self) -> None:
        """Note that the controller reads though nothing was asked: -420 on a bus, unnoticed on a stream."""
        if not self.stream and not self._silenced:
            self.device.report(-420)

    def status_byte(self) -> int:
        """Do a serial poll."""
        self.poll()
        self.device.advance()
        return self.device.status_byte(message_available=bool(self.outbox))

    def clear(self) -> None:
        """Do a device clear; on a stream, which has none, only throw away what has come."""
        self.poll()
        self.outbox.clear()
        if not self.stream:
            self._abandon()
            self.device.clear()

    def close(self) -> None:
        """Give up the link: what was asked over it and is not carried out yet is forgotten."""
        self._abandon()
        self.outbox.clear()
        self.lost = True

    def _abandon(self) -> None:
        if self._current is not None:
            self.device.cancel(self._current)
        self._current = None
        self._fault = None
        self._inbox.clear()
        self._framer.clear()

    def _drop_unread(self) -> None:
        self.poll()
        if self._current is not None and self._current.asks:
            self.device.interrupt(self._current)
            self._current = None
        elif self.outbox:
            self.outbox.clear()
            self.device.report(-410)

    def _start(self, message: bytes) -> None:
        self._silenced = False
        faults = self.device.faults
        self._fault = faults.take(message) if faults else None
        self._hold_until_s = -math.inf
        if self._fault is not None:
            if self._fault.fault.kind is FaultKind.DISCONNECT:
                self.lost = True
                return
            entry = self._fault.error_entry()
            if entry:
                number, text = entry
                self.device.report(number, text=text or None)
        self._current = self.device.submit(message)

    def _finish(self, exchange: Exchange) -> None:
        answer, fault = exchange.response(), self._fault
        self._current = self._fault = None
        if not answer:
            return
        kind = fault.fault.kind if fault else None
        if fault:
            answer = fault.spoil(answer)
        self._silenced = kind in (FaultKind.TIMEOUT, FaultKind.LATE, FaultKind.UNTERMINATED)
        if kind is FaultKind.LATE:
            self._late.append(Piece(answer, end=True))
        elif answer:
            self.outbox.extend(self._late)
            self._late.clear()
            self.outbox.append(Piece(answer, end=kind is not FaultKind.UNTERMINATED))
