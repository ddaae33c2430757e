"""One open VISA session, and how it ends; what a link needs of a library.

pyvisa itself is not imported here: a session is handed its resource.
"""

from __future__ import annotations

import contextlib
import socket
import traceback
from typing import Any, Protocol

from drivers.link.wire import SocketWire, Wire

_TABLES = ("sessions", "_last_status_in_session", "_ignore_warning_in_session")


class Library(Protocol):
    """A VISA library as a link sees it."""

    def adopt(self, link: Closing) -> None:
        """Remember a link, so that it is closed before its library."""

    def open_session(self, address: str, *, open_timeout_s: float, timeout_s: float) -> Session:
        """Open a session at a VISA resource name. Raises whatever the library raises."""


class Closing(Protocol):
    """Something that can be closed."""

    def close(self) -> None:
        """Close; may be called again."""


class Session:
    """One open VISA session: its wire, its time-out, and its end."""

    def __init__(self, resource: Any, timeout_s: float) -> None:
        self._resource = resource
        # pyvisa's default is no terminator in, with which a socket read ends by time-out only and throws away
        # what it read [measured]; out, the wire sends its own NL, for some instruments reject pyvisa's CR LF.
        resource.read_termination = "\n"
        self._timeout_s = 0.0
        self.set_timeout(timeout_s)
        inner = getattr(resource.visalib, "sessions", {}).get(resource.session)
        sock = getattr(inner, "interface", None)
        self.wire: Wire
        for each in _sockets_of(sock):
            _tune(each)
        if isinstance(sock, socket.socket):
            self.wire = SocketWire(resource.visalib, resource.session, sock)
        else:
            self.wire = Wire(resource.visalib, resource.session)
        if inner is not None and hasattr(inner, "lock_timeout"):
            inner.lock_timeout = 0  # VXI-11: the default of 10 s upsets some instruments

    def set_timeout(self, timeout_s: float) -> None:
        """Set the time-out of what follows."""
        if timeout_s != self._timeout_s:
            self._resource.timeout = timeout_s * 1000
            self._timeout_s = timeout_s

    def clear(self) -> None:
        """Clear the device (VISA ``viClear``): what it was about to answer is dropped. Never for a socket."""
        self._resource.clear()

    def close(self, *, lost: bool = False) -> None:
        """Close the session; without a farewell to the instrument if the link is ``lost``. Never raises."""
        close_resource(self._resource, lost=lost)


def close_resource(resource: Any, *, lost: bool = False) -> None:
    """Close a resource and what the library keeps of it. Never raises."""
    handle = getattr(resource, "_session", None)
    inner = getattr(resource.visalib, "sessions", {}).get(handle)
    if lost:
        # VXI-11 would ask the instrument to destroy its link, and wait 5 s for one that is gone [measured].
        for sock in _sockets_of(getattr(inner, "interface", None)):
            sock.close()
    with contextlib.suppress(Exception):
        resource.close()
    # pyvisa-py keeps every closed session for ever [measured: 50 of 50].
    for table in _TABLES:
        entries = getattr(resource.visalib, table, None)
        if isinstance(entries, dict):
            entries.pop(handle, None)


def close_sockets_of(error: BaseException) -> None:
    """Close the socket that a failed opening left open."""
    # pyvisa-py leaves its socket open when opening fails [measured: SOCKET, HiSLIP and VXI-11]. Only the
    # half-made session in the frames of the exception still knows it.
    seen: set[int] = set()
    cause: BaseException | None = error
    while cause is not None and id(cause) not in seen:
        seen.add(id(cause))
        for frame, _ in traceback.walk_tb(cause.__traceback__):
            for sock in _sockets_of(frame.f_locals.get("self")):
                sock.close()
        cause = cause.__cause__ or cause.__context__


def _sockets_of(part: object) -> list[socket.socket]:
    # A raw socket session is one, HiSLIP and VXI-11 clients hold theirs in attributes.
    parts = [part, *getattr(part, "__dict__", {}).values()]
    return [each for each in parts if isinstance(each, socket.socket)]


def _tune(sock: socket.socket) -> None:
    # pyvisa-py leaves Nagle's algorithm on: a write and then a query take 44 ms instead of 0.06 ms
    # [measured]. Its attributes for both options raise (UnknownAttribute; AttributeError on macOS), hence the
    # socket itself.
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    # Routers forget idle connections after minutes, and a peer without power says no goodbye.
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, setting in (("TCP_KEEPIDLE", 60), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, option):
            sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), setting)
