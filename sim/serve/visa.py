"""pyvisa-sim's VISA library with live instruments behind it instead of a file of canned dialogues.

``make_library(devices, clock)`` gives what ``pyvisa.ResourceManager`` takes. On a virtual clock a read that
must wait lets that time pass at once, and a time-out costs no wall time; on any other clock it really waits.
Resources that end in SOCKET behave as streams: END does not exist, answers come in order, no serial poll, no
device clear.

Does not model: service requests and events, asynchronous reads, register access, GPIB bus lines, USB control
transfers, the ``interface`` attributes of real sockets (keep-alive, buffers).
"""

from __future__ import annotations

import itertools
import math
import threading
from collections.abc import Mapping
from typing import Any, NoReturn

from pyvisa import constants, errors, rname
from pyvisa.constants import AccessModes, Lock, ResourceAttribute, StatusCode
from pyvisa.util import LibraryPath
from pyvisa_sim.highlevel import SimVisaLibrary
from pyvisa_sim.sessions.session import Session

from sim.clock import VirtualClock
from sim.scpi.device import ScpiDevice
from sim.serve.session import Link, Piece

_numbers = itertools.count(1)
_INFINITE_MS = 0xFFFFFFFF
_LONGEST_NAP_S = 0.02  # on a real clock: how soon an answer is seen that another thread made possible
_TIMEOUT, _TERMCHAR = ResourceAttribute.timeout_value, ResourceAttribute.termchar
_TERMCHAR_ON, _SUPPRESS_END = ResourceAttribute.termchar_enabled, ResourceAttribute.suppress_end_enabled


class _Locks:
    """VISA locks of one resource (VPP-4.3, 3.6): one exclusive owner, or sharers of one key."""

    def __init__(self) -> None:
        self.exclusive: int | None = None
        self.exclusive_depth = 0
        self.key = ""
        self.sharers: dict[int, int] = {}

    def free_for(self, session: int) -> bool:
        """Tell whether this session may use the resource."""
        if self.exclusive is not None:
            return self.exclusive == session
        return not self.sharers or session in self.sharers

    def release(self, session: int) -> None:
        """Drop everything a session holds."""
        if self.exclusive == session:
            self.exclusive = None
            self.exclusive_depth = 0
        self.sharers.pop(session, None)


class SimulatedLibrary(SimVisaLibrary):  # type: ignore[misc]
    """A VISA library whose resources are live simulated instruments; made by `make_library`."""

    devices: dict[str, ScpiDevice]
    clock: Any

    def _init(self) -> None:
        self.sessions: dict[Any, Any] = {}
        self.devices = {}
        self._locks: dict[str, _Locks] = {}
        self._key_numbers = itertools.count(1)

    def attach(self, devices: Mapping[str, ScpiDevice], clock: Any, lock: Any) -> None:
        """Put the instruments in; called once, by `make_library`."""
        self.devices = {str(rname.parse_resource_name(name)): device for name, device in devices.items()}
        self.clock = clock
        self._lock = lock
        self._virtual = isinstance(clock, VirtualClock)

    def _succeed(self, session: Any) -> StatusCode:
        self._last_status = self._last_status_in_session[session] = StatusCode.success
        return StatusCode.success

    def _fail(self, session: Any, status: StatusCode) -> NoReturn:
        self._last_status = status
        if session is not None:
            self._last_status_in_session[session] = status
        raise errors.VisaIOError(status)

    # --- sessions ----------------------------------------------------------------------------------------

    def open(
        self,
        session: Any,
        resource_name: str,
        access_mode: AccessModes = AccessModes.no_lock,
        open_timeout: Any = constants.VI_TMO_IMMEDIATE,
    ) -> tuple[Any, StatusCode]:
        """Open a resource of this bench; any other name is VI_ERROR_RSRC_NFOUND."""
        try:
            parsed = rname.parse_resource_name(resource_name)
        except rname.InvalidResourceName:
            self._fail(session, StatusCode.error_invalid_resource_name)
        name = str(parsed)
        if name not in self.devices:
            self._fail(session, StatusCode.error_resource_not_found)
        opened = Session.get_session_class(parsed.interface_type_const, parsed.resource_class)(
            session, name, parsed
        )
        opened.device = Link(self.devices[name], stream=parsed.resource_class == "SOCKET")
        handle = self._register(opened)
        if access_mode == AccessModes.exclusive_lock:
            try:
                self.lock(handle, Lock.exclusive, int(open_timeout))
            except errors.VisaIOError:
                self.close(handle)
                raise
        return handle, self._succeed(session)

    def close(self, session: Any) -> StatusCode:
        """Close a session; what it asked and did not read is forgotten."""
        opened = self.sessions.pop(session, None)
        if opened is None:
            self._fail(None, StatusCode.error_invalid_object)
        if opened is not self:
            with self._lock:
                opened.device.close()
                self._locks_of(opened).release(session)
        self._last_status_in_session.pop(session, None)
        return StatusCode.success

    def list_resources(self, session: Any, query: str = "?*::INSTR") -> tuple[str, ...]:
        """List the resources of this bench that match a VISA expression; none is an empty tuple."""
        return tuple(rname.filter(list(self.devices), query))

    def _session(self, session: Any) -> Any:
        opened = self.sessions.get(session)
        if opened is None or opened is self:
            self._fail(session, StatusCode.error_invalid_object)
        locks = self._locks.get(opened.attrs[ResourceAttribute.resource_name]) if self._locks else None
        if locks is not None and not locks.free_for(session):
            self._fail(session, StatusCode.error_resource_locked)
        return opened

    # --- reading and writing -----------------------------------------------------------------------------

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:
        """Hand bytes to the instrument; a link that an injected fault broke is VI_ERROR_CONN_LOST."""
        link: Link = self._session(session).device
        with self._lock:
            if link.lost:
                self._fail(session, StatusCode.error_connection_lost)
            link.write(bytes(data), end=not link.stream)
        return len(data), self._succeed(session)

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:
        """Take what the instrument answers, waiting on the bench's clock up to the session's time-out."""
        opened = self._session(session)
        attributes, link = opened.attrs, opened.device
        timeout_ms = attributes.get(_TIMEOUT, 2000)
        stop = attributes.get(_TERMCHAR, 10) if attributes.get(_TERMCHAR_ON, False) else None
        ends = not link.stream and not attributes.get(_SUPPRESS_END, False)
        deadline_s = None
        while True:
            with self._lock:
                link.poll()
                if link.outbox:
                    taken = _take(link, count, stop, ends=ends)
                    if taken is not None:
                        self._last_status = self._last_status_in_session[session] = taken[1]
                        return taken
                if link.lost:
                    self._fail(session, StatusCode.error_connection_lost)
                now_s, ready_at_s = self.clock.now_s(), link.ready_at_s()
                if deadline_s is None:
                    deadline_s = math.inf if timeout_ms >= _INFINITE_MS else now_s + timeout_ms / 1000
                if now_s >= deadline_s or (self._virtual and min(ready_at_s, deadline_s) == math.inf):
                    self._give_up(session, link)
                if self._virtual:
                    self.clock.wait_s(max(0.0, min(ready_at_s, deadline_s) - now_s))
                    continue
            self.clock.wait_s(max(0.0, min(ready_at_s, deadline_s, now_s + _LONGEST_NAP_S) - now_s))

    def _give_up(self, session: Any, link: Link) -> None:
        if link.ready_at_s() == math.inf and not link.outbox:
            link.read_unasked()
        link.outbox.clear()  # pyvisa throws away what came before a time-out
        self._fail(session, StatusCode.error_timeout)

    def clear(self, session: Any) -> StatusCode:
        """Send a device clear; on a SOCKET only throw away what has come, as pyvisa-py does."""
        link: Link = self._session(session).device
        with self._lock:
            if link.lost:
                self._fail(session, StatusCode.error_connection_lost)
            link.clear()
        return self._succeed(session)

    def flush(self, session: Any, mask: Any) -> StatusCode:
        """Throw away what has come, where the mask speaks of the read buffer."""
        link: Link = self._session(session).device
        reading = (
            constants.BufferOperation.discard_read_buffer | constants.BufferOperation.discard_receive_buffer
        )
        with self._lock:
            if mask & reading:
                link.outbox.clear()
        return self._succeed(session)

    def read_stb(self, session: Any) -> tuple[int, StatusCode]:
        """Do a serial poll; a SOCKET has none (VI_ERROR_NSUP_OPER, as pyvisa-py says)."""
        link: Link = self._session(session).device
        if link.stream:
            self._fail(session, StatusCode.error_nonsupported_operation)
        with self._lock:
            status = link.status_byte()
        return status, self._succeed(session)

    def assert_trigger(self, session: Any, protocol: constants.TriggerProtocol) -> StatusCode:
        """Send a bus trigger, which an instrument takes as it takes *TRG; a SOCKET has none."""
        link: Link = self._session(session).device
        if link.stream:
            self._fail(session, StatusCode.error_nonsupported_operation)
        with self._lock:
            link.write(b"*TRG\n")
        return self._succeed(session)

    # --- locks -------------------------------------------------------------------------------------------

    def _locks_of(self, opened: Any) -> _Locks:
        return self._locks.setdefault(opened.attrs[ResourceAttribute.resource_name], _Locks())

    def lock(
        self, session: Any, lock_type: Lock, timeout: int, requested_key: str | None = None
    ) -> tuple[str, StatusCode]:
        """Lock the resource; what another session holds is VI_ERROR_RSRC_LOCKED after ``timeout`` ms."""
        opened = self.sessions.get(session)
        if opened is None or opened is self:
            self._fail(session, StatusCode.error_invalid_object)
        deadline_s = self.clock.now_s() + timeout / 1000
        while True:
            with self._lock:
                key = self._try_lock(self._locks_of(opened), session, lock_type, requested_key)
            if key is not None:
                return key, self._succeed(session)
            left_s = deadline_s - self.clock.now_s()
            if left_s <= 0:
                self._fail(session, StatusCode.error_resource_locked)
            self.clock.wait_s(left_s if self._virtual else min(left_s, _LONGEST_NAP_S))

    def _try_lock(
        self, locks: _Locks, session: int, lock_type: Lock, requested_key: str | None
    ) -> str | None:
        others = [sharer for sharer in locks.sharers if sharer != session]
        if locks.exclusive not in (None, session):
            return None
        if lock_type == Lock.exclusive:
            if others and session not in locks.sharers:
                return None
            locks.exclusive = session
            locks.exclusive_depth += 1
            return ""
        if others and requested_key != locks.key:
            return None
        if not locks.sharers:
            locks.key = requested_key or f"sim-{next(self._key_numbers)}"
        locks.sharers[session] = locks.sharers.get(session, 0) + 1
        return locks.key

    def unlock(self, session: Any) -> StatusCode:
        """Give one lock back; none held is VI_ERROR_SESN_NLOCKED."""
        opened = self.sessions.get(session)
        if opened is None or opened is self:
            self._fail(session, StatusCode.error_invalid_object)
        locks = self._locks_of(opened)
        with self._lock:
            if locks.exclusive == session:
                locks.exclusive_depth -= 1
                locks.exclusive = session if locks.exclusive_depth else None
            elif locks.sharers.get(session):
                locks.sharers[session] -= 1
                if not locks.sharers[session]:
                    del locks.sharers[session]
            else:
                self._fail(session, StatusCode.error_session_not_locked)
        return self._succeed(session)


def _take(link: Link, count: int, stop: int | None, *, ends: bool) -> tuple[bytes, StatusCode] | None:
    """Take what one read gives (VPP-4.3, 6.1): up to END, the termination character, or ``count``; None: not enough yet."""
    outbox = link.outbox
    whole, end = outbox[0]
    if link.stream or not (end and ends):
        while len(outbox) > 1:  # no END between them: they run together
            first, second = outbox.popleft(), outbox.popleft()
            outbox.appendleft(Piece(first.content + second.content, second.end))
        whole, end = outbox[0]
    at = whole.find(stop) if stop is not None else -1
    if 0 <= at < count:
        length, status = at + 1, StatusCode.success_termination_character_read
    elif len(whole) > count:
        length, status = count, StatusCode.success_max_count_read
    elif ends and end:
        length, status = len(whole), StatusCode.success
    elif len(whole) == count:
        length, status = count, StatusCode.success_max_count_read
    else:
        return None
    outbox.popleft()
    if length < len(whole):
        outbox.appendleft(Piece(whole[length:], end))
    elif ends and end:
        status = StatusCode.success if at < 0 else status
    return whole[:length], status


def make_library(devices: Mapping[str, ScpiDevice], clock: Any, *, lock: Any = None) -> SimulatedLibrary:
    """Make a VISA library of one bench: resource name to instrument, all on ``clock``.

    ``lock`` is the bench's lock where other ways lead to the same instruments (sim/serve/network.py); an own one
    otherwise. Each call gives a library of its own. Raises pyvisa's InvalidResourceName for a name that is
    none.
    """
    library = SimulatedLibrary(LibraryPath(f"simulated-bench-{next(_numbers)}", "simulated"))
    library.attach(devices, clock, lock if lock is not None else threading.RLock())
    return library
