"""One open VISA session, seen as bytes: send a line, take a line or a counted number of bytes.

`Wire` works on any VISA library through its two calls, write and read. `SocketWire` is for a raw TCP socket
whose handle can be reached (pyvisa-py): it looks before it reads (``MSG_PEEK``), for what pyvisa-py cannot
tell apart [measured with 0.8.1]:

* after the peer's FIN a read spins at 83 % CPU until the time-out, then reports a time-out: here it is
  `Gone`, at once;
* at a time-out the bytes already received are thrown away: here they stay in ``received``, for the fault's
  text;
* a write has no time-out at all: here room in the send buffer is awaited first;
* bytes that nobody asked for would answer the next question: here they are `Unasked`, before that question is
  sent.
"""

from __future__ import annotations

import select
import socket
import time
from typing import Any, Protocol

MAX_COUNT_READ = 0x3FFF0006  # VPP-4.3 VI_SUCCESS_MAX_CNT: the buffer is full, there is more to come
CHUNK_BYTES = 20480
PEEK_BYTES = (
    4096  # pyvisa-py receives at most this much at once; asking for no more, it never reads ahead of us
)


class VisaCalls(Protocol):
    """The part of a VISA library that a wire uses."""

    def write(self, session: Any, data: bytes, /) -> tuple[int, int]:
        """Write, and return the number of bytes taken and a status."""

    def read(self, session: Any, count: int, /) -> tuple[bytes, int]:
        """Read at most ``count`` bytes, and return them and a status."""

    def handle_return_value(self, session: Any, status: int, /) -> int:
        """Raise for a negative status."""


class WireError(Exception):
    """Something only the wire can see; error_map gives it its fault."""


class Silent(WireError):
    """No whole answer in time, while the connection is still open."""


class Gone(WireError):
    """The peer closed the connection."""


class Unasked(WireError):
    """Bytes are there that no question asked for."""


class TooLong(WireError):
    """The answer exceeds the bound."""


class Garbled(WireError):
    """The answer is no line of text."""


class Wire:
    """A VISA session whose library frames the answers: by END, or by the terminator where there is no END."""

    def __init__(self, visa: VisaCalls, session: Any) -> None:
        self._visa = visa
        self._session = session
        self.sent = False
        self.received = bytearray()

    def send(self, message: bytes, timeout_s: float) -> None:
        """Send one terminated message."""
        self.sent = False
        self.received = bytearray()
        count, status = self._visa.write(self._session, message)
        # pyvisa-sim returns its errors where others raise them [measured].
        if status < 0:
            self._visa.handle_return_value(self._session, status)
        if count != len(message):
            raise Silent(f"took {count} of {len(message)} bytes")
        self.sent = True

    def read_line(self, max_bytes: int, timeout_s: float) -> bytes:
        """Take one answer, terminator included; at most ``max_bytes``."""
        status = MAX_COUNT_READ
        while status == MAX_COUNT_READ:
            content, status = self._read(CHUNK_BYTES)
            self.received += content
            if len(self.received) > max_bytes:
                raise TooLong(f"more than {max_bytes} bytes")
        return bytes(self.received)

    def read_count(self, count: int, timeout_s: float) -> bytes:
        """Take exactly ``count`` bytes: a terminator among them ends nothing."""
        start = len(self.received)
        while (missing := start + count - len(self.received)) > 0:
            content, _ = self._read(min(missing, CHUNK_BYTES))
            if not content:
                # HiSLIP answers a read beyond the message's end with nothing, at once [measured].
                raise Garbled(f"the answer ended {missing} bytes early")
            self.received += content
        return bytes(self.received[start:])

    def _read(self, count: int) -> tuple[bytes, int]:
        content, status = self._visa.read(self._session, count)
        if status < 0:
            self._visa.handle_return_value(self._session, status)
        return content, status


class SocketWire(Wire):
    """A raw TCP socket, watched directly; the bytes still pass through the VISA library."""

    def __init__(self, visa: VisaCalls, session: Any, sock: socket.socket) -> None:
        super().__init__(visa, session)
        self._sock = sock

    def send(self, message: bytes, timeout_s: float) -> None:
        """Send one terminated message, if nothing unasked-for is waiting and there is room for it."""
        self.sent = False
        self.received = bytearray()
        readable, writable, _ = select.select([self._sock], [self._sock], [], timeout_s)
        if readable:
            self.received += self._look()
            raise Unasked("they were waiting before the question was sent; it was not sent")
        if not writable:
            raise Silent("it takes no more bytes")
        super().send(message, timeout_s)

    def read_line(self, max_bytes: int, timeout_s: float) -> bytes:
        """Take one answer within ``timeout_s`` in all, however slowly its bytes trickle in."""
        deadline_s = time.monotonic() + timeout_s
        while True:
            ahead = self._wait(deadline_s)
            end = ahead.find(b"\n") + 1
            self._take(end or len(ahead))
            if end:
                if end < len(ahead):
                    raise Unasked(f"after the answer's end: {ahead[end:][:80]!r}")
                return bytes(self.received)
            if len(self.received) > max_bytes:
                raise TooLong(f"more than {max_bytes} bytes")

    def read_count(self, count: int, timeout_s: float) -> bytes:
        """Take exactly ``count`` bytes within ``timeout_s`` in all."""
        deadline_s = time.monotonic() + timeout_s
        start = len(self.received)
        while (missing := start + count - len(self.received)) > 0:
            self._take(min(missing, len(self._wait(deadline_s))))
        return bytes(self.received[start:])

    def _wait(self, deadline_s: float) -> bytes:
        readable, _, _ = select.select([self._sock], [], [], max(0.0, deadline_s - time.monotonic()))
        if not readable:
            raise Silent
        return self._look()

    def _look(self) -> bytes:
        ahead = self._sock.recv(PEEK_BYTES, socket.MSG_PEEK)
        if not ahead:
            raise Gone
        return ahead

    def _take(self, count: int) -> None:
        # A terminator ends a VISA read early, also inside a block.
        target = len(self.received) + count
        while len(self.received) < target:
            content, _ = self._read(target - len(self.received))
            self.received += content
