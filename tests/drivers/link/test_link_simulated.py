"""The same link over the simulated bench's VISA library, and over its HiSLIP and VXI-11 servers on loopback.

Unlike the raw socket, these can be cleared: after a time-out the session stays and the instrument forgets its
answer.
"""

from __future__ import annotations

import gc
import socket
from collections.abc import Callable, Iterator

import pytest

from drivers.clock import RealClock
from drivers.faults import (
    ConnectFailed,
    ConnectionLost,
    InstrumentError,
    InstrumentFault,
    Refused,
    TimedOut,
    UnexpectedReply,
)
from drivers.link import scpi
from drivers.link.answers import MAX_REPLY_BYTES
from drivers.link.link import Link
from drivers.link.visa import open_library
from drivers.trace import Direction, Exchange
from sim.clock import VirtualClock, WallClock
from sim.scpi.device import Data, Number, ScpiDevice, command, setting
from sim.scpi.faults import Fault, FaultKind
from sim.serve.network import serve
from sim.serve.visa import make_library
from tests.support.hislip import HislipConnection
from tests.support.vxi11 import Vxi11Connection

SOCKET = "TCPIP0::192.0.2.11::5025::SOCKET"
INSTR = "TCPIP0::192.0.2.11::inst0::INSTR"
CONTENT = bytes(range(256))


class Meter(ScpiDevice):
    """An invented instrument with a setting, a reading that tells how often it was asked, and a block."""

    identity = ("Invented", "Meter", "0003", "1.0")
    frequency_hz = setting(":FREQuency", Number("Hz", minimum=1e3, maximum=1e9, default=1e6))
    curve = setting(":CURVe", Data(default=CONTENT, longest=100_000))

    def __init__(self, clock: object) -> None:
        super().__init__(clock)
        self.readings = 0

    @command(":READ?")
    def read(self) -> int:
        """Count the readings, so that each answer belongs to one question."""
        self.readings += 1
        return self.readings


Bench = tuple[Meter, Link]


@pytest.fixture(params=[SOCKET, INSTR])
def simulated(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """Open a link over the simulated library, as a stream and as a bus, on a virtual clock."""
    clock = VirtualClock()
    meter = Meter(clock)
    with open_library(make_library({request.param: meter}, clock)) as library:
        link = Link(library, name="meter", address=request.param, clock=clock)
        link.open()
        yield meter, link


@pytest.fixture(params=[HislipConnection, Vxi11Connection])
def networked(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """Open a link with pyvisa-py to the simulated instrument's HiSLIP or VXI-11 server."""
    meter = Meter(WallClock())
    with serve({"meter": meter}, connection=request.param) as addresses, open_library("py") as library:
        link = Link(library, name="meter", address=addresses["meter"], clock=RealClock())
        link.open()
        yield meter, link
    gc.collect()


def check_ordinary_use(link: Link) -> None:
    """Settings, checks, errors and blocks, as on any link."""
    assert scpi.parse_identity(link.open()).model == "Meter"
    assert scpi.parse_number(link.set_and_check(":FREQ 1E+8", ":FREQ?")) == 1e8
    link.set_and_wait(":FREQ 2E+8", timeout_s=5.0)
    link.set_and_check_errors(":FREQ 3E+8")
    with pytest.raises(InstrumentError, match="-222"):
        link.set_and_check_errors(":FREQ 9E+9")
    assert link.drain_errors() == []
    assert link.query_block(":CURV?") == CONTENT
    assert link.query_parsed(":READ?", scpi.parse_integer) == 1


def test_ordinary_use_over_the_simulated_library(simulated: Bench) -> None:
    """Everything a driver says works, on a stream and on a bus."""
    check_ordinary_use(simulated[1])


def test_ordinary_use_over_hislip_and_vxi11(networked: Bench) -> None:
    """Everything a driver says works, over both protocols with END."""
    check_ordinary_use(networked[1])


FAULTS: list[tuple[FaultKind, object, type[InstrumentFault]]] = [
    (FaultKind.TIMEOUT, None, TimedOut),
    (FaultKind.LATE, None, TimedOut),
    (FaultKind.DELAY, 5.0, TimedOut),
    (FaultKind.GARBAGE, b"\x00\xff", UnexpectedReply),
    (FaultKind.WRONG, "x" * (MAX_REPLY_BYTES + 1), UnexpectedReply),
    (FaultKind.WRONG, "1 HZ", UnexpectedReply),
    (FaultKind.DISCONNECT, None, ConnectionLost),
]


@pytest.mark.parametrize(("fault", "argument", "kind"), FAULTS, ids=lambda item: str(item)[:20])
def test_every_injected_fault_is_a_fault_and_the_link_recovers(
    simulated: Bench, fault: FaultKind, argument: object, kind: type[InstrumentFault]
) -> None:
    """Each injected fault becomes ours, and an answer after recovery belongs to the question asked."""
    meter, link = simulated
    meter.faults.add(Fault(kind=fault, match="READ?", argument=argument))
    with pytest.raises(kind) as caught:
        link.query_parsed(":READ?", scpi.parse_integer, timeout_s=2.0)
    assert caught.value.next_move
    assert caught.value.command == ":READ?"
    if isinstance(argument, str) and len(argument) > MAX_REPLY_BYTES:
        assert "longer than allowed" in caught.value.what
    try:
        reading = link.query_parsed(":READ?", scpi.parse_integer)
    except ConnectFailed:
        # An answer so late that it meets the proof itself is no identity: then the next use tries again.
        assert fault is FaultKind.LATE
        reading = link.query_parsed(":READ?", scpi.parse_integer)
    assert reading == meter.readings


def test_an_unterminated_answer_times_out_on_a_stream_only() -> None:
    """Without END or NL a stream's answer has no end."""
    clock = VirtualClock()
    meter = Meter(clock)
    meter.faults.add(Fault(kind=FaultKind.UNTERMINATED, match="READ?"))
    with open_library(make_library({SOCKET: meter}, clock)) as library:
        link = Link(library, name="meter", address=SOCKET, clock=clock)
        link.open()
        with pytest.raises(TimedOut):
            link.query(":READ?")
        assert link.query(":READ?") == "2"


def test_a_simulated_time_out_passes_on_the_benchs_clock() -> None:
    """The trace shows the two seconds of the time-out on the virtual clock."""
    clock = VirtualClock()
    meter = Meter(clock)
    meter.faults.add(Fault(kind=FaultKind.DELAY, match="READ?", argument=60.0))
    kept: list[Exchange] = []
    with open_library(make_library({INSTR: meter}, clock)) as library:
        link = Link(library, name="meter", address=INSTR, clock=clock, timeout_s=2.0, trace=kept.append)
        link.open()
        with pytest.raises(TimedOut):
            link.query(":READ?")
    sent, received = kept[-3:-1]
    assert (sent.direction, received.direction) == (Direction.SENT, Direction.RECEIVED)
    assert received.time_s - sent.time_s == pytest.approx(2.0)
    assert "no whole answer" in received.fault


def test_a_time_out_of_one_call_does_not_stay(simulated: Bench) -> None:
    """A long time-out for one slow question, then the link's own again: pyvisa's per-call settings do stay
    [measured].
    """
    meter, link = simulated
    meter.faults.add(Fault(kind=FaultKind.DELAY, match="READ?", argument=30.0, times=2))
    assert link.query(":READ?", timeout_s=60.0) == "1"
    with pytest.raises(TimedOut):
        link.query(":READ?")


def test_an_unknown_address_on_the_simulated_bench_is_connect_failed(simulated: Bench) -> None:
    """A slip in an address does not open an instrument that is not there."""
    meter, _ = simulated
    with open_library(make_library({SOCKET: meter}, meter.clock)) as library:
        link = Link(library, name="meter", address="TCPIP0::192.0.2.99::5025::SOCKET", clock=meter.clock)
        with pytest.raises(ConnectFailed, match="nothing answers at this address"):
            link.open()
        with pytest.raises(Refused, match="closed"):
            link.query(":READ?")


@pytest.mark.parametrize("kind", [FaultKind.TIMEOUT, FaultKind.GARBAGE])
def test_a_bus_is_cleared_and_keeps_its_session(networked: Bench, kind: FaultKind) -> None:
    """After a time-out or garbage over HiSLIP and VXI-11 the session stays, by device clear, and answers
    match questions.
    """
    meter, link = networked
    meter.faults.add(Fault(kind=kind, match="READ?"))
    with pytest.raises((TimedOut, UnexpectedReply)):
        link.query(":READ?", timeout_s=0.2)
    assert link.query(":READ?") == str(meter.readings)
    assert link.generation == 1


def test_a_late_answer_over_hislip_and_vxi11_answers_nothing(networked: Bench) -> None:
    """An answer that comes after its time-out is not the answer to the next question."""
    meter, link = networked
    meter.faults.add(Fault(kind=FaultKind.DELAY, match="READ?", argument=0.25))
    with pytest.raises(TimedOut):
        link.query(":READ?", timeout_s=0.1)
    link.set_and_check_errors(":FREQ 5E+6")
    assert link.query(":READ?") == "2"


def test_vxi11_waits_for_no_lock(networked: Bench) -> None:
    """pyvisa-py's default lock time-out of 10 s upsets some instruments (its PR#496): it is 0; HiSLIP has none."""
    _, link = networked
    waits = {getattr(session, "lock_timeout", 0) for session in link._library.visa.sessions.values()}
    assert waits == {0}


def test_sockets_of_hislip_and_vxi11_are_kept_alive(networked: Bench) -> None:
    """A peer without power is noticed in minutes on these too: keep-alive is on for each of their sockets."""
    _, link = networked
    sockets = [
        part
        for session in link._library.visa.sessions.values()
        for part in getattr(
            getattr(session, "interface", None), "__dict__", {}
        ).values()  # the manager's own session has none
        if isinstance(part, socket.socket)
    ]
    assert sockets
    assert all(sock.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) for sock in sockets)


def test_a_lost_hislip_or_vxi11_link_is_connected_anew(networked: Bench) -> None:
    """A broken connection is a fault, whatever the library raises for it, and the next use opens a new
    one.
    """
    meter, link = networked
    meter.faults.add(Fault(kind=FaultKind.DISCONNECT, match="READ?"))
    with pytest.raises((ConnectionLost, TimedOut)) as caught:
        link.query(":READ?", timeout_s=0.2)
    assert isinstance(caught.value.__cause__, Exception)
    assert link.query(":READ?") == "1"
    assert link.generation == 2


def test_silence_after_a_wrong_command_is_explained(simulated: Bench) -> None:
    """The simulated instrument drops the rest of a message after a command error, as the standard allows."""
    _, link = simulated
    ask: Callable[[], object] = lambda: link.set_and_check(":FRQ 1", ":FRQ?")  # noqa: E731
    with pytest.raises(InstrumentError, match="-113"):
        ask()
