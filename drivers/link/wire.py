"""One open VISA session, seen as bytes: send a line, take a line or a counted number of bytes.

`Wire` works on any VISA library through its two calls, write and read. `SocketWire` is for a raw TCP socket
whose handle can be reached (pyvisa-py). It writes through the library and receives by itself, because
pyvisa-py 0.8.1 [measured]

* spins at 83 % CPU after the peer's FIN until the time-out, and then reports a time-out: here it is `Gone`,
  at once;
* throws away at a time-out what it has received: here it stays in ``received``, for the fault's text and the
  trace;
* hands bytes that nobody asked for to the next question: here they are `Unasked`, before that question is
  sent;
* waits without end for room to write: here no longer than the time-out.

What no raw socket can tell: a line that the instrument sends unasked while a question is under way looks like its
answer. The true answer is then `Unasked` at the next question. HiSLIP and VXI-11 number their messages and do not err.

Receiving by way of ``MSG_PEEK`` and the library's read did the same and cost 1.14 times pyvisa's own query;
this, 0.85.
"""

from __future__ import annotations

import select
import socket
import time
from typing import Any, Protocol

MAX_COUNT_READ = 0x3FFF0006  # VPP-4.3 VI_SUCCESS_MAX_CNT: the buffer is full, there is more to come
CHUNK_BYTES = 20480
LINE_BYTES = 4096
BLOCK_BYTES = 65536


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


class GoneIdle(Gone):
    """The peer had closed the connection before anything of this message was sent."""


class Unasked(WireError):
    """Bytes are there that no question asked for."""


class TooLong(WireError):
    """The answer exceeds the bound."""


class Garbled(WireError):
    """The answer is no line of text."""


class Wire:
    """A VISA session whose library frames the answers: by END, or by the terminator where there is no END."""

    sent_s: float | None = None
    """When the last message was sent, by the word of whoever sent it; None where the clock says it."""
    answered_s: float | None = None
    """When its answer was there, in the same way."""
    took_nothing: bool = False
    """Whether the last message was refused before anything of it was sent, so that the link is as it was: where no instrument answers."""

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
    """A raw TCP socket, written through the VISA library and received from directly."""

    def __init__(self, visa: VisaCalls, session: Any, sock: socket.socket) -> None:
        super().__init__(visa, session)
        self._sock = sock
        # poll costs 0.44 us, select 1.04 us [measured]; select has a limit of 1024 handles. Windows has select only.
        self._poll: _Poll | _Select = _Poll(sock) if hasattr(select, "poll") else _Select(sock)

    def send(self, message: bytes, timeout_s: float) -> None:
        """Send one terminated message, if nothing unasked-for is waiting and there is room for it."""
        self.sent = False
        self.received = bytearray()
        readable, writable = self._poll.wait_to_send(timeout_s)
        if readable:
            try:
                self.received += self._sock.recv(LINE_BYTES, socket.MSG_PEEK)
            except (ConnectionResetError, ConnectionAbortedError) as error:  # as gone as in good order
                raise GoneIdle("before anything was sent") from error
            if not self.received:
                raise GoneIdle("before anything was sent")
            raise Unasked("they were waiting before the question was sent; it was not sent")
        if not writable:
            raise Silent("it takes no more bytes")
        super().send(message, timeout_s)

    def read_line(self, max_bytes: int, timeout_s: float) -> bytes:
        """Take one answer within ``timeout_s`` in all, however slowly its bytes trickle in."""
        deadline_s = time.monotonic() + timeout_s
        while True:
            content = self._receive(LINE_BYTES, deadline_s)
            end = content.find(b"\n") + 1
            if end:
                if end < len(content):
                    raise Unasked(f"after the answer's end: {content[end:][:80]!r}")
                return bytes(self.received)
            if len(self.received) > max_bytes:
                raise TooLong(f"more than {max_bytes} bytes")

    def read_count(self, count: int, timeout_s: float) -> bytes:
        """Take exactly ``count`` bytes within ``timeout_s`` in all."""
        deadline_s = time.monotonic() + timeout_s
        start = len(self.received)
        while (missing := start + count - len(self.received)) > 0:
            self._receive(min(missing, BLOCK_BYTES), deadline_s)
        return bytes(self.received[start:])

    def _receive(self, count: int, deadline_s: float) -> bytes:
        if not self._poll.wait_to_receive(max(0.0, deadline_s - time.monotonic())):
            raise Silent
        content = self._sock.recv(count)
        if not content:
            raise Gone
        self.received += content
        return content


class _Poll:
    def __init__(self, sock: socket.socket) -> None:
        self._sending = select.poll()
        self._sending.register(sock, select.POLLIN | select.POLLOUT)
        self._receiving = select.poll()
        self._receiving.register(sock, select.POLLIN)

    def wait_to_send(self, timeout_s: float) -> tuple[bool, bool]:
        events = self._sending.poll(timeout_s * 1000)
        mask = events[0][1] if events else 0
        return mask & ~select.POLLOUT != 0, mask & select.POLLOUT != 0

    def wait_to_receive(self, timeout_s: float) -> bool:
        return bool(self._receiving.poll(timeout_s * 1000))


class _Select:
    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock

    def wait_to_send(self, timeout_s: float) -> tuple[bool, bool]:
        readable, writable, _ = select.select([self._sock], [self._sock], [], timeout_s)
        return bool(readable), bool(writable)

    def wait_to_receive(self, timeout_s: float) -> bool:
        return bool(select.select([self._sock], [], [], timeout_s)[0])
