"""VISA, and the only file that imports it: one library, one resource manager, sessions that end.

`Library` and `Link` are what the rest of the program uses: `open_library` gives the one, the other is
drivers.link.link's. pyvisa is imported when a library is opened, not before: it costs 82 to 147 ms [measured].
Nothing is ever discovered by broadcast: addresses come from the bench file.
"""

from __future__ import annotations

import contextlib
import logging
import math
import socket
import threading
import traceback
from typing import TYPE_CHECKING, Any
from weakref import WeakSet

from drivers.faults import ConnectFailed
from drivers.link.error_map import CHECK_LIBRARY
from drivers.link.exchange import Exchanger
from drivers.link.link import Link
from drivers.link.wire import MAX_COUNT_READ, SocketWire, Wire

if TYPE_CHECKING:
    from pyvisa.highlevel import ResourceManager, VisaLibraryBase

__all__ = ["Library", "Link", "Session", "open_library"]

RESOURCE_NOT_FOUND = -1073807343  # VPP-4.3 VI_ERROR_RSRC_NFOUND
_TABLES = ("sessions", "_last_status_in_session", "_ignore_warning_in_session")

_users_lock = threading.Lock()
_users: dict[
    int, int
] = {}  # how many libraries share a resource manager: closing it closes everybody's sessions


class Library:
    """A VISA library with its one resource manager, shared by all who open the same library."""

    def __init__(self, manager: ResourceManager, name: str) -> None:
        self.name = name
        self.visa: VisaLibraryBase = manager.visalib
        self._manager = manager
        self._links: WeakSet[Exchanger] = WeakSet()
        self._closed = False
        # A full buffer is a status the wire reads itself; pyvisa would make it a warning.
        self.visa.issue_warning_on.discard(MAX_COUNT_READ)
        with _users_lock:
            _users[id(self.visa)] = _users.get(id(self.visa), 0) + 1

    def __enter__(self) -> Library:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def adopt(self, link: Exchanger) -> None:
        """Remember a link, so that it is closed before its library."""
        self._links.add(link)

    def open_session(self, address: str, *, open_timeout_s: float, timeout_s: float) -> Session:
        """Open a session at a VISA resource name. Raises whatever the library raises."""
        # Without a time-out of its own, opening a socket to a silent host takes 10 s [measured].
        try:
            resource: Any = self._manager.open_resource(
                address, open_timeout=math.ceil(open_timeout_s * 1000)
            )
        except Exception as error:
            _close_sockets_of(error)
            raise
        try:
            if resource.session == 0:
                # pyvisa-sim "opens" an address it does not know, as session 0 [measured].
                self.visa.handle_return_value(None, RESOURCE_NOT_FOUND)
            return Session(resource, timeout_s)
        except BaseException:
            _close(resource)
            raise

    def close(self) -> None:
        """Close this library's links, and the resource manager after its last user. May be called again."""
        if self._closed:
            return
        self._closed = True
        for link in list(self._links):
            link.close()
        with _users_lock:
            _users[id(self.visa)] -= 1
            if _users[id(self.visa)]:
                return
            del _users[id(self.visa)]
        with contextlib.suppress(Exception):
            self._manager.close()


def open_library(visa: str | VisaLibraryBase = "py") -> Library:
    """Open a VISA library: ``"py"`` (pyvisa-py), the path of an installed one, or a library object.

    A text with an ``@`` is pyvisa's own notation and is passed on. Raises ConnectFailed for what cannot be
    loaded.
    """
    import pyvisa

    logger = logging.getLogger("pyvisa")
    if logger.level == logging.NOTSET:
        # pyvisa-py logs a traceback for a failed open; the fault says it better. A level set by a person
        # stays.
        logger.setLevel(logging.CRITICAL)
    name = visa if isinstance(visa, str) else type(visa).__name__
    try:
        if isinstance(visa, str) and visa.strip() in ("", "sim"):
            raise ValueError("allowed: 'py', the path of a VISA library, or a library object")  # noqa: TRY301
        return Library(pyvisa.ResourceManager("@py" if visa == "py" else visa), name)
    except Exception as error:
        raise ConnectFailed(
            f"the VISA library cannot be loaded ({error})",
            instrument="VISA",
            address=name,
            next_move=CHECK_LIBRARY,
        ) from error


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
        _close(self._resource, lost=lost)


def _close(resource: Any, *, lost: bool = False) -> None:
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


def _close_sockets_of(error: BaseException) -> None:
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
