"""VISA, and the only file that imports it: one library, one resource manager.

`open_library` opens a `Library`, which a `drivers.link.link.Link` is made on. pyvisa is imported when a library is
opened, not before: it costs 82 to 147 ms [measured]. Nothing is ever discovered by broadcast: addresses come from
the bench file.
"""

from __future__ import annotations

import contextlib
import logging
import math
import threading
from typing import TYPE_CHECKING, Any
from weakref import WeakSet

from drivers.faults import ConnectFailed
from drivers.link.error_map import CHECK_LIBRARY
from drivers.link.session import Closing, Session, close_resource, close_sockets_of
from drivers.link.wire import MAX_COUNT_READ

if TYPE_CHECKING:
    from pyvisa.highlevel import ResourceManager, VisaLibraryBase

RESOURCE_NOT_FOUND = -1073807343  # VPP-4.3 VI_ERROR_RSRC_NFOUND

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
        self._links: WeakSet[Closing] = WeakSet()
        self._closed = False
        # A full buffer is a status the wire reads itself; pyvisa would make it a warning.
        self.visa.issue_warning_on.discard(MAX_COUNT_READ)
        with _users_lock:
            _users[id(self.visa)] = _users.get(id(self.visa), 0) + 1

    def __enter__(self) -> Library:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def adopt(self, link: Closing) -> None:
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
            close_sockets_of(error)
            raise
        try:
            if resource.session == 0:
                # pyvisa-sim "opens" an address it does not know, as session 0 [measured].
                self.visa.handle_return_value(None, RESOURCE_NOT_FOUND)
            return Session(resource, timeout_s)
        except BaseException:
            close_resource(resource)
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
            f"the VISA library cannot be loaded ({' '.join(str(error).split()).rstrip(':')})",
            instrument="VISA",
            address=name,
            next_move=CHECK_LIBRARY,
        ) from error
