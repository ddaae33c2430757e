"""A small VXI-11 core channel server over ONC-RPC (VXI-11 revision 1.0 and RFC 5531, from memory; proved
against pyvisa-py).

The port is stated in the resource name, so that no portmapper (port 111, root) is needed.

Does not model: the portmapper, the abort and interrupt channels (device_abort, service requests),
device_docmd, locks that keep others out (every request is granted).
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable

from sim.serve.connection import Connection
from sim.serve.session import Link, Piece

_PROGRAM, _VERSION = 0x0607AF, 1
_LONGEST = 1 << 20
_LAST_FRAGMENT = 0x8000_0000
_NO_ERROR, _INVALID_LINK, _UNSUPPORTED, _TIMED_OUT, _IO_ERROR = 0, 4, 8, 15, 17
_END_FLAG, _TERMCHAR_FLAG = 8, 128
_REASON_COUNT, _REASON_CHAR, _REASON_END = 1, 2, 4
_GRANULE_S = 0.05


class _Arguments:
    """XDR arguments (RFC 4506); running out of them is an EOFError, which ends the connection."""

    def __init__(self, body: bytes) -> None:
        self._body = body
        self._at = 0

    def integer(self) -> int:
        if self._at + 4 > len(self._body):
            raise EOFError
        self._at += 4
        return int.from_bytes(self._body[self._at - 4 : self._at], "big")

    def opaque(self) -> bytes:
        length = self.integer()
        if length > len(self._body) - self._at:
            raise EOFError
        start = self._at
        self._at += (length + 3) & ~3
        return self._body[start : start + length]


def _integers(*numbers: int) -> bytes:
    return struct.pack(f"!{len(numbers)}I", *numbers)


def _opaque(content: bytes) -> bytes:
    return _integers(len(content)) + content + b"\0" * (-len(content) % 4)


class Vxi11Connection(Connection):
    """One RPC connection, with any number of links."""

    ADDRESS = "TCPIP0::{host},{port}::inst0::INSTR"

    def talk(self) -> None:
        """Answer calls until the peer goes."""
        self.links: dict[int, Link] = {}
        procedures: dict[int, Callable[[_Arguments], bytes]] = {
            0: lambda _: b"",
            10: self._create_link,
            11: self._device_write,
            12: self._device_read,
            13: self._read_status,
            14: self._trigger,
            15: self._clear,
            16: self._granted,
            17: self._granted,
            18: self._granted,
            19: self._granted,
            20: self._granted,
            22: lambda _: _integers(_UNSUPPORTED) + _opaque(b""),
            23: self._destroy_link,
            25: lambda _: _integers(_UNSUPPORTED),
            26: lambda _: _integers(_UNSUPPORTED),
        }
        while True:
            call = _Arguments(self._receive_record())
            call_id, kind, rpc_version, program, version, procedure = (call.integer() for _ in range(6))
            if kind != 0 or rpc_version != 2:
                raise EOFError
            for _ in range(2):  # credentials and verifier
                call.integer()
                call.opaque()
            accepted, answer = 0, b""
            if program != _PROGRAM:
                accepted = 1
            elif version != _VERSION:
                accepted, answer = 2, _integers(_VERSION, _VERSION)
            elif procedure not in procedures:
                accepted = 3
            else:
                answer = procedures[procedure](call)
            record = _integers(call_id, 1, 0, 0, 0, accepted) + answer
            self.request.sendall(_integers(_LAST_FRAGMENT | len(record)) + record)

    def finish_talk(self) -> None:
        """Give up the links that the peer left."""
        for link in getattr(self, "links", {}).values():
            self.gate.do(link.close)

    def _receive_record(self) -> bytes:
        record, last = b"", False
        while not last:
            mark = int.from_bytes(self.receive(4), "big")
            last = bool(mark & _LAST_FRAGMENT)
            length = mark & ~_LAST_FRAGMENT
            if len(record) + length > 2 * _LONGEST:
                raise EOFError
            record += self.receive(length)
        return record

    def _create_link(self, call: _Arguments) -> bytes:
        number = max(self.links, default=0) + 1
        self.links[number] = Link(self.gate.device, stream=False)
        return _integers(_NO_ERROR, number, 0, _LONGEST)

    def _destroy_link(self, call: _Arguments) -> bytes:
        link = self.links.pop(call.integer(), None)
        if link is None:
            return _integers(_INVALID_LINK)
        self.gate.do(link.close)
        return _integers(_NO_ERROR)

    def _device_write(self, call: _Arguments) -> bytes:
        link = self.links.get(call.integer())
        _, _, flags = call.integer(), call.integer(), call.integer()
        sent = call.opaque()
        if link is None:
            return _integers(_INVALID_LINK, 0)
        self.gate.do(link.write, sent, end=bool(flags & _END_FLAG))
        if link.lost:
            raise EOFError
        return _integers(_NO_ERROR, len(sent))

    def _device_read(self, call: _Arguments) -> bytes:
        link = self.links.get(call.integer())
        count, timeout_ms, _, flags, char = (call.integer() for _ in range(5))
        if link is None:
            return _integers(_INVALID_LINK, 0) + _opaque(b"")
        stop = char & 0xFF if flags & _TERMCHAR_FLAG else -1
        deadline_s = time.monotonic() + timeout_ms / 1000
        while True:
            with self.gate.lock:
                self.gate.do(link.poll)
                if link.outbox:
                    taken = _take(link, count, stop)
                    if taken is not None:
                        content, reason = taken
                        return _integers(_NO_ERROR, reason) + _opaque(content)
                nap_s = min(_GRANULE_S, self.gate.nap_s(link))
                left_s = deadline_s - time.monotonic()
                if left_s <= 0:
                    if not link.busy:
                        self.gate.do(link.read_unasked)
                    return _integers(_TIMED_OUT, 0) + _opaque(b"")
            time.sleep(min(nap_s, left_s))

    def _read_status(self, call: _Arguments) -> bytes:
        link = self.links.get(call.integer())
        if link is None:
            return _integers(_INVALID_LINK, 0)
        return _integers(_NO_ERROR, self.gate.do(link.status_byte) or 0)

    def _trigger(self, call: _Arguments) -> bytes:
        return self._act(call, lambda link: link.write(b"*TRG\n"))

    def _clear(self, call: _Arguments) -> bytes:
        return self._act(call, lambda link: link.clear())

    def _granted(self, call: _Arguments) -> bytes:
        return self._act(call, lambda link: None)

    def _act(self, call: _Arguments, action: Callable[[Link], None]) -> bytes:
        link = self.links.get(call.integer())
        if link is None:
            return _integers(_INVALID_LINK)
        self.gate.do(action, link)
        return _integers(_NO_ERROR)


def _take(link: Link, count: int, stop: int) -> tuple[bytes, int] | None:
    """Take up to ``count`` bytes, END, or the termination character; None where END is still to come."""
    whole, end = link.outbox.popleft()
    at = whole.find(stop) if stop >= 0 else -1
    if 0 <= at < count:
        length, reason = at + 1, _REASON_CHAR
    else:
        length, reason = min(count, len(whole)), _REASON_COUNT if count <= len(whole) else 0
    if length < len(whole):
        link.outbox.appendleft(Piece(whole[length:], end))
    elif end:
        reason |= _REASON_END
    if not reason:
        link.outbox.appendleft(Piece(whole, end))
        return None
    return whole[:length], reason
