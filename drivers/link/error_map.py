"""One table from whatever the VISA layer raises to our faults.

pyvisa promises ``VisaIOError``; measured with pyvisa-py 0.8.1, raw ``ConnectionRefusedError``,
``BrokenPipeError``, ``RuntimeError``, ``struct.error`` and even a bare ``Exception`` leak through. The rows
are keyed by qualified name and looked up along the exception's own line of ancestors, so the most specific
row wins and this file need not import what it maps: pyvisa is imported by visa.py alone. A test walks
pyvisa's exceptions and every VISA status code and fails on one without a row.
"""

from __future__ import annotations

import errno

from drivers.faults import (
    ConnectFailed,
    ConnectionLost,
    InstrumentFault,
    LinkFault,
    Refused,
    TimedOut,
    UnexpectedReply,
)
from drivers.frozen import dataclass
from drivers.link.habits import habit_of

CHECK_ADDRESS = "Check that it is on and allows remote control, and check its address in the bench file."
CHECK_CABLE = "Check its power and network cable, then run again: its settings may be lost."
CHECK_COMMAND = "Check the command in its profile, or allow it more time."
CHECK_ANSWER = (
    "Check in its profile that this is the right question for this model; the exact bytes are in the trace."
)
FREE_IT = "Close the other program that holds the instrument, or wait until it is done."
CHECK_LIBRARY = (
    "Check 'visa' in the bench file, and that the VISA library it names is installed; 'py' needs no other."
)
CHECK_KIND = (
    "Check its address; else install what the VISA library lacks for this kind, or name another under 'visa'."
)
REPORT = (
    "The bytes are in the trace; this is a fault of the VISA library or of this program, please report it."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What an exception means on a bench."""

    fault: type[InstrumentFault]
    what: str
    next_move: str


def _rows(fault: type[InstrumentFault], next_move: str, **rows: str) -> dict[str, Meaning]:
    return {key: Meaning(fault=fault, what=what, next_move=next_move) for key, what in rows.items()}


# VPP-4.3 (VISA library specification), table of completion and error codes.
STATUS_ROWS: dict[str, Meaning] = {
    **_rows(TimedOut, CHECK_COMMAND, VI_ERROR_TMO="no whole answer in time"),
    **_rows(
        ConnectionLost,
        CHECK_CABLE,
        VI_ERROR_CONN_LOST="the connection is lost",
        VI_ERROR_IO="input or output failed on the connection",
        VI_ERROR_ABORT="the transfer was aborted",
        VI_ERROR_BERR="bus error during the transfer",
        VI_ERROR_INV_OBJECT="the session is gone",
        VI_ERROR_MACHINE_NAVAIL="the machine it is attached to is not reachable",
        VI_ERROR_SYSTEM_ERROR="the VISA library reports an unknown system error",
        VI_ERROR_CLOSING_FAILED="the session could not be closed",
    ),
    **_rows(
        ConnectFailed,
        CHECK_ADDRESS,
        VI_ERROR_RSRC_NFOUND="nothing answers at this address",
        VI_ERROR_INV_RSRC_NAME="the address is not a VISA resource name",
        VI_ERROR_INV_EXPR="the address is not a VISA resource expression",
        VI_ERROR_INTF_NUM_NCONFIG="the interface of this address is not configured on this computer",
        VI_ERROR_NLISTENERS="nothing listens at this bus address",
    ),
    **_rows(
        ConnectFailed,
        FREE_IT,
        VI_ERROR_RSRC_BUSY="the instrument is busy with another client",
        VI_ERROR_RSRC_LOCKED="another program has locked the instrument",
        VI_ERROR_LINE_IN_USE="its line is in use by another program",
        VI_ERROR_IN_PROGRESS="another operation on it is still in progress",
        VI_ERROR_RESP_PENDING="an earlier response is still pending",
        VI_ERROR_INTR_PENDING="an interrupt is still pending",
    ),
    **_rows(
        ConnectFailed,
        CHECK_LIBRARY,
        VI_ERROR_LIBRARY_NFOUND="a library that the VISA library needs was not found",
        VI_ERROR_NPERMISSION="this user may not use the interface",
        VI_ERROR_ALLOC="the VISA library is out of memory or handles",
        VI_ERROR_FILE_ACCESS="the VISA library could not open a file",
        VI_ERROR_FILE_IO="the VISA library could not read or write a file",
        VI_ERROR_INV_SETUP="the VISA library's setup is invalid",
        VI_ERROR_NCIC="the interface is not the controller in charge",
        VI_ERROR_NSYS_CNTLR="the interface is not the system controller",
    ),
    **_rows(
        UnexpectedReply,
        CHECK_ANSWER,
        VI_ERROR_INP_PROT_VIOL="protocol error while receiving",
        VI_ERROR_OUTP_PROT_VIOL="protocol error while sending",
        VI_ERROR_RAW_RD_PROT_VIOL="protocol error while receiving",
        VI_ERROR_RAW_WR_PROT_VIOL="protocol error while sending",
        VI_ERROR_INV_FMT="the transfer's format is invalid",
        VI_ERROR_INV_LENGTH="the transfer's length is invalid",
        VI_ERROR_ASRL_PARITY="parity error",
        VI_ERROR_ASRL_FRAMING="framing error",
        VI_ERROR_ASRL_OVERRUN="characters were lost",
        VI_ERROR_QUEUE_OVERFLOW="the VISA library's event queue ran over",
        VI_ERROR_QUEUE_ERROR="the VISA library's event queue failed",
    ),
    # What we never call, or call wrongly: locks, events, triggers, registers, windows, odd attributes.
    **_rows(
        LinkFault,
        REPORT,
        **dict.fromkeys(
            [
                "VI_ERROR_ATTR_READONLY",
                "VI_ERROR_HNDLR_NINSTALLED",
                "VI_ERROR_INV_ACCESS_KEY",
                "VI_ERROR_INV_ACC_MODE",
                "VI_ERROR_INV_CONTEXT",
                "VI_ERROR_INV_DEGREE",
                "VI_ERROR_INV_EVENT",
                "VI_ERROR_INV_HNDLR_REF",
                "VI_ERROR_INV_JOB_ID",
                "VI_ERROR_INV_LINE",
                "VI_ERROR_INV_LOCK_TYPE",
                "VI_ERROR_INV_MASK",
                "VI_ERROR_INV_MECH",
                "VI_ERROR_INV_MODE",
                "VI_ERROR_INV_OFFSET",
                "VI_ERROR_INV_PARAMETER",
                "VI_ERROR_INV_PROT",
                "VI_ERROR_INV_SIZE",
                "VI_ERROR_INV_SPACE",
                "VI_ERROR_INV_WIDTH",
                "VI_ERROR_MEM_NSHARED",
                "VI_ERROR_NENABLED",
                "VI_ERROR_NIMPL_OPER",
                "VI_ERROR_NSUP_ALIGN_OFFSET",
                "VI_ERROR_NSUP_ATTR",
                "VI_ERROR_NSUP_ATTR_STATE",
                "VI_ERROR_NSUP_FMT",
                "VI_ERROR_NSUP_INTR",
                "VI_ERROR_NSUP_LINE",
                "VI_ERROR_NSUP_MECH",
                "VI_ERROR_NSUP_MODE",
                "VI_ERROR_NSUP_OFFSET",
                "VI_ERROR_NSUP_OPER",
                "VI_ERROR_NSUP_VAR_WIDTH",
                "VI_ERROR_NSUP_WIDTH",
                "VI_ERROR_SESN_NLOCKED",
                "VI_ERROR_SRQ_NOCCURRED",
                "VI_ERROR_TRIG_NMAPPED",
                "VI_ERROR_USER_BUF",
                "VI_ERROR_WINDOW_MAPPED",
                "VI_ERROR_WINDOW_NMAPPED",
            ],
            "the VISA library refused the call",
        ),
    ),
}

EXCEPTION_ROWS: dict[str, Meaning] = {
    **_rows(TimedOut, CHECK_COMMAND, **{
        "drivers.link.wire.Silent": "no whole answer in time, on an open connection: slow, or not understood",
        "builtins.TimeoutError": "no whole answer in time",
    }),
    **_rows(ConnectionLost, CHECK_CABLE, **{
        "drivers.link.wire.Gone": "it closed the connection",
        "builtins.ConnectionResetError": "it reset the connection",
        "builtins.ConnectionAbortedError": "the connection was aborted",
        "builtins.BrokenPipeError": "the connection is broken",
        "builtins.EOFError": "the connection ended in the middle of an answer",
        "builtins.RuntimeError": "the connection failed or its protocol lost step",
        "builtins.OSError": "the network failed",
        "pyvisa.errors.InvalidSession": "the session is closed",
    }),
    **_rows(ConnectFailed, CHECK_ADDRESS, **{
        "builtins.ConnectionRefusedError": "it refused the connection",
        "socket.gaierror": "its host name is unknown",
        "socket.herror": "its host name is unknown",
        "pyvisa.rname.InvalidResourceName": "the address is not a VISA resource name",
        "pyvisa_py.sessions.OpenError": "nothing answers at this address",
    }),
    **_rows(ConnectFailed, CHECK_LIBRARY, **{
        "pyvisa.errors.LibraryError": "the VISA library could not be loaded",
        "pyvisa.errors.OSNotSupported": "the VISA library does not support this operating system",
    }),
    **_rows(ConnectFailed, CHECK_KIND, **{
        "builtins.ImportError": "the VISA library lacks a part that this address needs",
        "builtins.ValueError": "the VISA library cannot use this address",
    }),
    **_rows(UnexpectedReply, CHECK_ANSWER, **{
        "drivers.link.wire.Unasked": "bytes that nobody asked for",
        "drivers.link.wire.TooLong": "the answer is longer than allowed",
        "drivers.link.wire.Garbled": "the answer is not a line of printable ASCII",
        "drivers.link.scpi.WrongReply": "the answer does not fit the question",
        "builtins.UnicodeError": "the answer is not ASCII",
        "builtins.AssertionError": "the answer breaks the link's protocol",
        "struct.error": "the answer breaks the link's protocol",
        "pyvisa.errors.InvalidBinaryFormat": "the answer is not the expected block",
        "pyvisa.errors.VisaIOWarning": "the VISA library warned during the transfer",
        "pyvisa_py.protocols.rpc.RPCError": "the answer breaks the VXI-11 protocol",
        "pyvisa_py.protocols.vxi11.Vxi11Error": "the answer breaks the VXI-11 protocol",
    }),
    **_rows(Refused, CHECK_KIND, **{"builtins.NotImplementedError": "the VISA library cannot do this"}),
    **_rows(LinkFault, REPORT, **{
        "pyvisa.errors.VisaIOError": "the VISA library reports a status this program does not know",
        "pyvisa.errors.VisaTypeError": "the VISA library refused the call",
        "pyvisa.errors.UnknownHandler": "the VISA library refused the call",
        "pyvisa.errors.Error": "the VISA library failed",
        "pyvisa_py.sessions.UnknownAttribute": "the VISA library does not know an attribute",
        "builtins.Exception": "the VISA library failed",
    }),
}  # fmt: skip

# pyvisa-py's SOCKET and VXI-11 sessions raise Exception itself when they cannot connect, and nothing else
# does [measured].
BARE_EXCEPTION = Meaning(fault=ConnectFailed, what="no connection", next_move=CHECK_ADDRESS)
UNANSWERED = Meaning(fault=ConnectFailed, what="no answer to the attempt to connect", next_move=CHECK_ADDRESS)
_TIMEOUT_STATUS = "-1073807339"  # VPP-4.3 VI_ERROR_TMO, all that such an exception says of an unanswered SYN

_SAYS_NO_MORE = {"VI_ERROR_TMO", "timed out"}
_CONNECT_ERRNOS = {
    errno.EHOSTUNREACH,
    errno.ENETUNREACH,
    errno.EADDRNOTAVAIL,
    errno.EMFILE,
    errno.ENFILE,
    errno.EACCES,
}


def find_meaning(error: BaseException) -> Meaning:
    """Look an exception up: VISA status, then errno, then its class and its ancestors, nearest first."""
    by_status = STATUS_ROWS.get(getattr(error, "abbreviation", ""))
    if by_status:
        return by_status
    if type(error) is Exception:
        return UNANSWERED if _TIMEOUT_STATUS in str(error) else BARE_EXCEPTION
    if isinstance(error, OSError) and error.errno in _CONNECT_ERRNOS:
        return Meaning(fault=ConnectFailed, what="no connection", next_move=CHECK_ADDRESS)
    names = (f"{ancestor.__module__}.{ancestor.__qualname__}" for ancestor in type(error).__mro__)
    return next(EXCEPTION_ROWS[name] for name in names if name in EXCEPTION_ROWS)


def fault_from(
    error: Exception, *, instrument: str, address: str, command: str = "", reply: str = ""
) -> InstrumentFault:
    """Turn an exception into a fault that names all there is to name; raise it ``from`` the exception."""
    if isinstance(error, InstrumentFault):
        return error
    meaning = find_meaning(error)
    detail = getattr(error, "abbreviation", "") or " ".join(str(error).split())
    what = meaning.what
    if detail and detail not in _SAYS_NO_MORE and meaning is not UNANSWERED:
        what = f"{what} ({detail})"
    return meaning.fault(
        what,
        instrument=instrument,
        address=address,
        command=command,
        reply=reply,
        next_move=(habit_of(reply, command) if issubclass(meaning.fault, UnexpectedReply) else "")
        or meaning.next_move,
    )
