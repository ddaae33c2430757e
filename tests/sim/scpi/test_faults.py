"""Injected faults, each through the simulated VISA library and over a TCP socket."""

from __future__ import annotations

import socket

import pytest
import pyvisa

from sim.clock import VirtualClock, WallClock
from sim.scpi.faults import Fault, FaultKind
from sim.serve.network import serve
from sim.serve.visa import make_library

BUS = "TCPIP::192.0.2.1::INSTR"
STREAM = "TCPIP::192.0.2.1::5025::SOCKET"


@pytest.fixture(params=["bus", "stream", "tcp"])
def ask(request, specimen_class):
    """A function that sends a message and returns the raw answer (None: time-out), and the specimen."""
    if request.param == "tcp":
        device = specimen_class(WallClock())
        with serve({"specimen": device}) as addresses:
            _, host, port, _ = addresses["specimen"].split("::")
            with socket.create_connection((host, int(port)), timeout=0.3) as peer:

                def over_tcp(message: str) -> bytes | None:
                    peer.sendall(message.encode() + b"\n")
                    got = b""
                    try:
                        while not got.endswith(b"\n"):
                            chunk = peer.recv(4096)
                            if not chunk:
                                raise ConnectionError
                            got += chunk
                    except TimeoutError:
                        return None
                    return got

                yield over_tcp, device
        return
    clock = VirtualClock()
    device = specimen_class(clock)
    name = BUS if request.param == "bus" else STREAM
    manager = pyvisa.ResourceManager(make_library({name: device}, clock))
    resource = manager.open_resource(name, write_termination="\n", timeout=100)
    if name == STREAM:
        resource.read_termination = "\n"

    def through_visa(message: str) -> bytes | None:
        try:
            resource.write(message)
            return resource.read_raw()
        except pyvisa.VisaIOError as error:
            if error.error_code == pyvisa.constants.StatusCode.error_connection_lost:
                raise ConnectionError from error
            return None

    yield through_visa, device
    manager.close()


def test_timeout_swallows_one_answer(ask) -> None:
    """The message is carried out and its answer never comes; the next one does."""
    send, device = ask
    device.faults.add(Fault(kind=FaultKind.TIMEOUT, match="FREQ?"))
    assert send("OUTP ON;:FREQ?") is None
    assert send("OUTP?") == b"1\n"
    assert send("FREQ?") == b"1.000000000E+08\n"


def test_delay_makes_an_answer_late(ask) -> None:
    """An answer held up longer than the time-out is missed; a shorter delay only costs time."""
    send, device = ask
    device.faults.add(Fault(kind=FaultKind.DELAY, match="FREQ?", argument=0.03))
    before_s = device.clock.now_s()
    assert send("FREQ?") == b"1.000000000E+08\n"
    assert device.clock.now_s() - before_s >= 0.03
    device.faults.add(Fault(kind=FaultKind.DELAY, match="OUTP?", argument=0.5))
    assert send("OUTP?") is None


def test_late_answer_comes_before_the_next(ask) -> None:
    """What was asked first is read when something else was asked: a transport must not fall for it."""
    send, device = ask
    device.faults.add(Fault(kind=FaultKind.LATE, match="FREQ?"))
    assert send("FREQ?") is None
    assert (send("OUTP?") or b"").startswith(b"1.000000000E+08\n")


def test_spoilt_answers(ask) -> None:
    """Garbage, a truncated answer, a wrong one and a stuck one come instead of the answer, as often as
    stated.
    """
    send, device = ask
    device.faults.add(Fault(kind=FaultKind.GARBAGE, match="FREQ?", argument=b"\xff\x00\xfe"))
    device.faults.add(Fault(kind=FaultKind.TRUNCATE, match="FREQ?", argument=5))
    device.faults.add(Fault(kind=FaultKind.WRONG, match="FREQ?", argument="9.91E+37"))
    assert [send("FREQ?") for _ in range(4)] == [
        b"\xff\x00\xfe\n",
        b"1.000\n",
        b"9.91E+37\n",
        b"1.000000000E+08\n",
    ]
    device.faults.add(Fault(kind=FaultKind.STUCK, match="FREQ?", times=2))
    assert [send(f"FREQ {n}E8;FREQ?") for n in (2, 3, 4)] == [b"2.000000000E+08\n"] * 2 + [
        b"4.000000000E+08\n"
    ]


def test_an_answer_late_by_one(ask) -> None:
    """Each message gets the answer of the one before; the first gets its own."""
    send, device = ask
    device.faults.add(Fault(kind=FaultKind.PREVIOUS, match="FREQ?", times=None))
    assert [send(f"FREQ {n}E8;FREQ?") for n in (2, 3, 4)] == [
        b"2.000000000E+08\n",
        b"2.000000000E+08\n",
        b"3.000000000E+08\n",
    ]


def test_unterminated_answer_is_a_timeout(ask) -> None:
    """An answer whose terminator never comes is no answer."""
    send, device = ask
    device.faults.add(Fault(kind=FaultKind.UNTERMINATED, match="FREQ?"))
    assert send("FREQ?") is None


def test_disconnect_breaks_the_link(ask) -> None:
    """The link is gone; the message was not carried out."""
    send, device = ask
    device.faults.add(Fault(kind=FaultKind.DISCONNECT, match="OUTP ON"))
    with pytest.raises(ConnectionError):
        send("OUTP ON;OUTP?")
    assert not device.output_on


def test_error_entry_appears(ask) -> None:
    """An entry appears in the error queue though the message was right."""
    send, device = ask
    device.faults.add(
        Fault(kind=FaultKind.ERROR, match="FREQ 2E8", argument=(-240, "Hardware error;PLL unlocked"))
    )
    assert send("FREQ 2E8;FREQ?;:SYST:ERR?") == b'2.000000000E+08;-240,"Hardware error;PLL unlocked"\n'


def test_skip_and_times_choose_the_victims(ask) -> None:
    """The first ``skip`` matches go well, the next ``times`` fail, the rest go well; a regular expression may
    match.
    """
    send, device = ask
    device.faults.add(
        Fault(kind=FaultKind.WRONG, match=r"^outp\?$", regex=True, skip=1, times=2, argument="x")
    )
    assert [send("OUTP?") for _ in range(4)] == [b"0\n", b"x\n", b"x\n", b"0\n"]
    assert len(device.faults.taken) == 2


@pytest.mark.parametrize(
    "fields",
    [
        {"kind": FaultKind.DELAY},
        {"kind": FaultKind.DELAY, "argument": -1.0},
        {"kind": FaultKind.TRUNCATE, "argument": "5"},
        {"kind": FaultKind.TIMEOUT, "argument": 3},
        {"kind": FaultKind.STUCK, "match": "(", "regex": True},
    ],
)
def test_wrong_fault_is_refused(fields) -> None:
    """A fault whose argument or expression does not fit is refused with its kind in the text."""
    with pytest.raises(ValueError, match=fields["kind"].value):
        Fault(**fields)
