"""The table from exceptions to faults, walked over everything that pyvisa 1.16 and pyvisa-py 0.8.1 can
raise.
"""

from __future__ import annotations

import builtins
import errno
import inspect
import socket
import struct

import pytest
import pyvisa
import pyvisa.errors
import pyvisa.rname
import pyvisa_py.protocols.rpc
import pyvisa_py.protocols.vxi11
import pyvisa_py.sessions
from pyvisa.constants import StatusCode

from drivers import faults
from drivers.link import error_map, scpi, wire

MODULES = [
    pyvisa.errors,
    pyvisa.rname,
    pyvisa_py.protocols.rpc,
    pyvisa_py.protocols.vxi11,
    pyvisa_py.sessions,
    wire,
    scpi,
]
LIBRARY_EXCEPTIONS = sorted(
    {
        kind
        for module in MODULES
        for kind in vars(module).values()
        if inspect.isclass(kind) and issubclass(kind, Exception) and kind.__module__ == module.__name__
    },
    key=lambda kind: kind.__qualname__,
)
# Only a base class nobody raises may fall through to "the VISA library failed".
BASES = {pyvisa.errors.Error, wire.WireError}


def _bare(kind: type[Exception]) -> Exception:
    return kind.__new__(kind)


@pytest.mark.parametrize(
    "status", [status for status in StatusCode if status < 0], ids=lambda status: status.name
)
def test_every_visa_status_has_its_row(status: StatusCode) -> None:
    """No VISA error code is left to the fallback, and each names what it means."""
    error = pyvisa.errors.VisaIOError(status)
    assert error.abbreviation in error_map.STATUS_ROWS
    fault = error_map.fault_from(error, instrument="meter", address="A::1", command="READ?", reply="1.")
    assert isinstance(fault, faults.LinkFault | faults.UnexpectedReply)
    assert all(part in str(fault) for part in ("meter", "A::1", "READ?", "1.", fault.next_move))
    assert fault.next_move


def test_no_row_is_for_a_status_that_does_not_exist() -> None:
    """A misspelt row would hide that the real one is missing."""
    known = {pyvisa.errors.VisaIOError(status).abbreviation for status in StatusCode if status < 0}
    assert set(error_map.STATUS_ROWS) == known


@pytest.mark.parametrize(
    "kind", LIBRARY_EXCEPTIONS, ids=lambda kind: f"{kind.__module__}.{kind.__qualname__}"
)
def test_every_library_exception_has_a_row_of_its_own_or_its_parents(kind: type[Exception]) -> None:
    """An exception class that a new release adds fails here until somebody says what it means on a bench."""
    meaning = error_map.find_meaning(_bare(kind))
    fallback = error_map.EXCEPTION_ROWS["builtins.Exception"]
    assert meaning is not fallback or kind in BASES
    if kind not in BASES:
        assert meaning.what != error_map.EXCEPTION_ROWS["pyvisa.errors.Error"].what


def test_the_walk_sees_the_exceptions_it_is_for() -> None:
    """The walk is not empty by accident."""
    assert {"VisaIOError", "InvalidSession", "LibraryError", "OpenError", "RPCError", "Silent"} <= {
        kind.__qualname__ for kind in LIBRARY_EXCEPTIONS
    }


def test_every_row_is_for_a_class_that_exists() -> None:
    """A row whose class was renamed would never be found."""
    modules = {module.__name__: module for module in [*MODULES, builtins, socket, struct]}
    for name in error_map.EXCEPTION_ROWS:
        module, _, kind = name.rpartition(".")
        found = getattr(modules[module], kind)
        assert f"{found.__module__}.{found.__qualname__}" == name


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (pyvisa.errors.VisaIOError(StatusCode.error_timeout), faults.TimedOut),
        (pyvisa.errors.VisaIOError(StatusCode.error_connection_lost), faults.ConnectionLost),
        (pyvisa.errors.VisaIOError(StatusCode.error_resource_not_found), faults.ConnectFailed),
        (pyvisa.errors.VisaIOError(-1), faults.LinkFault),
        (pyvisa.errors.InvalidSession(), faults.ConnectionLost),
        (pyvisa.errors.LibraryError("no such file"), faults.ConnectFailed),
        (Exception("could not connect: -1073807339"), faults.ConnectFailed),
        (Exception("error creating link: 9"), faults.ConnectFailed),
        (ConnectionRefusedError(errno.ECONNREFUSED, "refused"), faults.ConnectFailed),
        (ConnectionResetError(errno.ECONNRESET, "reset"), faults.ConnectionLost),
        (BrokenPipeError(errno.EPIPE, "broken"), faults.ConnectionLost),
        (OSError(errno.EHOSTUNREACH, "no route"), faults.ConnectFailed),
        (OSError(errno.EMFILE, "too many files"), faults.ConnectFailed),
        (OSError("other"), faults.ConnectionLost),
        (socket.gaierror(-2, "unknown"), faults.ConnectFailed),
        (TimeoutError(), faults.TimedOut),
        (RuntimeError("Connection was dropped by server."), faults.ConnectionLost),
        (NotImplementedError(), faults.Refused),
        (EOFError(), faults.ConnectionLost),
        (AssertionError(), faults.UnexpectedReply),
        (struct.error("short"), faults.UnexpectedReply),
        (UnicodeDecodeError("ascii", b"\xff", 0, 1, "no"), faults.UnexpectedReply),
        (scpi.WrongReply("a number", "x"), faults.UnexpectedReply),
        (wire.Gone(), faults.ConnectionLost),
        (KeyError("surprise"), faults.LinkFault),
    ],
    ids=repr,
)
def test_the_most_specific_row_wins(error: Exception, kind: type[faults.InstrumentFault]) -> None:
    """Each event measured with pyvisa-py 0.8.1 becomes the fault that tells what to do, not its
    ancestor's.
    """
    fault = error_map.fault_from(error, instrument="meter", address="A::1")
    assert type(fault) is kind
    assert fault.next_move


def test_a_fault_passes_through_unchanged() -> None:
    """A fault that we raised inside an exchange is not wrapped again."""
    fault = faults.Refused("no", instrument="meter", address="A::1")
    assert error_map.fault_from(fault, instrument="other", address="B") is fault
