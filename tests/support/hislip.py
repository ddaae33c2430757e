"""A small HiSLIP 1.0 server in synchronized mode (IVI-6.1, from memory; proved against pyvisa-py).

Two connections make a session: one carries messages, the other status polls, device clear and locks.

Does not model: overlapped mode, service requests, remote and local, encryption and authentication (HiSLIP
2.0), locks that keep others out (every request is granted).
"""

from __future__ import annotations

import itertools
import select
import struct
from typing import Any

from sim.scpi.status import MESSAGE_AVAILABLE
from sim.serve.connection import Connection
from sim.serve.session import Link

_HEADER = struct.Struct("!2sBBIQ")
_VERSION = 0x0100  # 1.0
_LONGEST = 1 << 20
_SYNCHRONIZED = 0
(
    _INITIALIZE,
    _INITIALIZE_RESPONSE,
    _FATAL_ERROR,
    _ERROR,
    _ASYNC_LOCK,
    _ASYNC_LOCK_RESPONSE,
    _DATA,
    _DATA_END,
    _CLEAR_COMPLETE,
    _CLEAR_ACKNOWLEDGE,
    _REMOTE_LOCAL,
    _REMOTE_LOCAL_RESPONSE,
    _TRIGGER,
    _INTERRUPTED,
    _ASYNC_INTERRUPTED,
    _MAXIMUM_SIZE,
    _MAXIMUM_SIZE_RESPONSE,
    _ASYNC_INITIALIZE,
    _ASYNC_INITIALIZE_RESPONSE,
    _ASYNC_CLEAR,
    _SERVICE_REQUEST,
    _STATUS,
    _STATUS_RESPONSE,
    _ASYNC_CLEAR_ACKNOWLEDGE,
    _LOCK_INFO,
    _LOCK_INFO_RESPONSE,
) = range(26)


class HislipConnection(Connection):
    """One of the two connections of a session."""

    ADDRESS = "TCPIP0::{host}::hislip0,{port}::INSTR"

    link: Link | None = None
    session = 0
    clearing = False  # a device clear began on the other connection: what comes before its end is thrown away
    unread = False  # an answer was sent, and the client has not said yet that it read it to its end

    def talk(self) -> None:
        """Find out which of the two this is, and serve it."""
        kind, _, parameter, _ = self._receive_message()
        if kind == _INITIALIZE:
            self._synchronous()
        elif kind == _ASYNC_INITIALIZE and parameter in self.server.shared:
            self._asynchronous(self.server.shared[parameter])
        else:
            self._send(_FATAL_ERROR, 2, 0, b"no such session")

    def finish_talk(self) -> None:
        """End the session with its message connection."""
        if self.link is not None:
            self.server.shared.pop(self.session, None)
            self.gate.do(self.link.close)

    def _receive_message(self) -> tuple[int, int, int, bytes]:
        prologue, kind, control, parameter, length = _HEADER.unpack(self.receive(_HEADER.size))
        if prologue != b"HS" or length > _LONGEST:
            self._send(_FATAL_ERROR, 1, 0, b"poorly formed message")
            raise EOFError
        return kind, control, parameter, self.receive(length)

    def _send(self, kind: int, control: int, parameter: int, payload: bytes = b"") -> None:
        self.request.sendall(_HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)

    # --- messages ----------------------------------------------------------------------------------------

    def _synchronous(self) -> None:
        link = self.link = Link(self.gate.device, stream=False)
        with self.gate.lock:
            numbers: Any = self.server.shared.setdefault("numbers", itertools.count(1))
            self.session = next(numbers) & 0xFFFF
            self.server.shared[self.session] = self
        self._send(_INITIALIZE_RESPONSE, _SYNCHRONIZED, _VERSION << 16 | self.session)
        asked = 0
        while True:
            pieces, nap_s = self.gate.take(link)
            for piece in pieces:
                self.unread = (
                    True  # before it is sent: the client may say that it read it before this goes on
                )
                self._send(_DATA_END, 0, asked, piece)
            if link.lost:
                return
            if nap_s != float("inf") and not select.select([self.request], [], [], nap_s)[0]:
                continue
            kind, control, parameter, payload = self._receive_message()
            if kind == _CLEAR_COMPLETE:
                self.gate.do(link.clear)
                self.unread = self.clearing = False
                self._send(_CLEAR_ACKNOWLEDGE, _SYNCHRONIZED, 0)
            elif self.clearing:
                continue
            elif kind in (_DATA, _DATA_END, _TRIGGER):
                # bit 0: the client has read the last answer to its end. It is sent as soon as it is there, so
                # that the
                # link itself cannot see that it was not read.
                if self.unread and not control & 1:
                    self.gate.do(self.gate.device.report, -410)
                asked, self.unread = parameter, False
                message = b"*TRG\n" if kind == _TRIGGER else payload
                self.gate.do(link.write, message, end=kind != _DATA)
            else:
                self._send(_ERROR, 1, 0, b"unrecognized message type")

    # --- everything beside -------------------------------------------------------------------------------

    def _asynchronous(self, other: HislipConnection) -> None:
        link = other.link
        if link is None:
            raise EOFError
        self._send(_ASYNC_INITIALIZE_RESPONSE, 0, 0)
        while True:
            kind, control, _, _ = self._receive_message()
            if kind == _MAXIMUM_SIZE:
                self._send(_MAXIMUM_SIZE_RESPONSE, 0, 0, struct.pack("!Q", _LONGEST))
            elif kind == _STATUS:
                if control & 1:
                    other.unread = False
                status: int = self.gate.do(link.status_byte) or 0
                self._send(_STATUS_RESPONSE, status | MESSAGE_AVAILABLE * other.unread, 0)
            elif kind == _ASYNC_CLEAR:
                other.clearing = True
                self.gate.do(link.clear)
                self._send(_ASYNC_CLEAR_ACKNOWLEDGE, _SYNCHRONIZED, 0)
            elif kind == _ASYNC_LOCK:
                self._send(_ASYNC_LOCK_RESPONSE, 1, 0)
            elif kind == _LOCK_INFO:
                self._send(_LOCK_INFO_RESPONSE, 0, 0)
            elif kind == _REMOTE_LOCAL:
                self._send(_REMOTE_LOCAL_RESPONSE, 0, 0)
            else:
                self._send(_ERROR, 1, 0, b"unrecognized message type")
