"""The simulated instruments over TCP: with a plain socket, and with pyvisa-py as an independent client."""

from __future__ import annotations

import contextlib
import random
import socket
import struct
import threading
import time

import pytest
import pyvisa

from sim.clock import ScaledClock, VirtualClock, WallClock
from sim.serve.connection import SocketConnection
from sim.serve.network import serve
from tests.support.hislip import HislipConnection
from tests.support.vxi11 import Vxi11Connection


@contextlib.contextmanager
def connected(address: str, timeout_s: float = 2.0):
    """A plain socket to a SOCKET resource."""
    _, host, port, _ = address.split("::")
    with socket.create_connection((host, int(port)), timeout=timeout_s) as peer:
        yield peer


def line(peer: socket.socket) -> bytes:
    """Read up to NL."""
    got = b""
    while not got.endswith(b"\n"):
        chunk = peer.recv(1)
        assert chunk, f"the peer closed after {got!r}"
        got += chunk
    return got


@pytest.fixture
def served(specimen_class):
    """A specimen on a clock fifty times as fast, and its address."""
    device = specimen_class(ScaledClock(50))
    with serve({"specimen": device}) as addresses:
        yield device, addresses["specimen"]


@pytest.mark.parametrize("connection", [SocketConnection, HislipConnection, Vxi11Connection])
def test_pyvisa_py_talks_to_it(specimen_class, connection) -> None:
    """pyvisa-py, an independent client, sets, queries, waits for a measurement and reads a block over each
    protocol.
    """
    device = specimen_class(ScaledClock(10))
    with serve({"specimen": device}, connection=connection) as addresses:
        manager = pyvisa.ResourceManager("@py")
        resource = manager.open_resource(
            addresses["specimen"],
            read_termination="\n",
            write_termination="\n",
            timeout=2000,
            open_timeout=2000,
        )
        try:
            assert resource.query("*IDN?") == "Invented,Specimen,0042,1.0"
            assert (
                resource.query("SOUR:FREQ 145.5 MHz;POW -73;FREQ?;POW?") == "1.455000000E+08;-7.300000000E+01"
            )
            assert resource.query("MEAS:POW?") == "-7.300000000E+01"
            content = list(range(100))
            resource.write_binary_values("TRAC ", content, datatype="B")
            assert resource.query_binary_values("TRAC?", datatype="B") == content
            assert resource.query("SYST:ERR?") == '0,"No error"'
        finally:
            resource.close()
            manager.close()


@pytest.mark.parametrize("connection", [HislipConnection, Vxi11Connection])
def test_bus_protocols_have_clear_poll_and_late_answers(specimen_class, connection) -> None:
    """Over HiSLIP and VXI-11 pyvisa-py polls the status, clears the device, and never takes a late answer for
    another.
    """
    device = specimen_class(WallClock())
    with serve({"specimen": device}, connection=connection) as addresses:
        manager = pyvisa.ResourceManager("@py")
        resource = manager.open_resource(
            addresses["specimen"],
            read_termination="\n",
            write_termination="\n",
            timeout=2000,
            open_timeout=2000,
        )
        try:
            resource.write("NONSENSE")
            assert resource.query("*OPC?") == "1"
            assert resource.read_stb() & 4
            resource.timeout = 100
            with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
                resource.query("MEAS:POW?")
            resource.timeout = 2000
            assert resource.query("OUTP?") == "0"
            assert (
                resource.query("SYST:ERR:ALL?") == '-113,"Undefined header;NONSENSE",-410,"Query INTERRUPTED"'
            )
            resource.write("HANG?")
            resource.clear()
            assert resource.query("OUTP?") == "0"
        finally:
            resource.close()
            manager.close()


def test_half_lines_and_several_in_one(served) -> None:
    """A message may come in pieces, and several in one piece; answers come in order."""
    _, address = served
    with connected(address) as peer:
        for piece in (b"FRE", b"Q?", b"\nOUTP?\n*I", b"DN?\r\n"):
            peer.sendall(piece)
            time.sleep(0.01)
        assert [line(peer) for _ in range(3)] == [
            b"1.000000000E+08\n",
            b"0\n",
            b"Invented,Specimen,0042,1.0\n",
        ]


def test_block_with_newlines_is_one_message(served) -> None:
    """NL within a definite block does not end the message."""
    device, address = served
    with connected(address) as peer:
        peer.sendall(b"TRAC #14a\nb\n;TRAC?\n")
        assert line(peer) + line(peer) + line(peer) == b"#14a\nb\n\n"
    assert device.trace == b"a\nb\n"


def test_huge_line_is_refused_and_bounded(served) -> None:
    """More than a mebibyte without NL is thrown away with -363, and the connection goes on."""
    _, address = served
    with connected(address, 10) as peer:
        peer.sendall(b"X" * ((1 << 20) + 5000) + b"\nSYST:ERR?\n")
        assert line(peer) == b'-363,"Input buffer overrun"\n'


def test_announced_block_without_end_cannot_swallow_what_follows(served) -> None:
    """A block longer than any message may be is an error of its own line only."""
    _, address = served
    with connected(address) as peer:
        peer.sendall(b"TRAC #9999999999\n*CLS;OUTP?\n")
        assert line(peer) == b"0\n"


def test_peers_that_vanish_leave_the_others_served(served) -> None:
    """Connections that reset in the middle of a message or of a measurement do no harm."""
    _, address = served
    for sent in (b"FRE", b"MEAS:POW?\n", b"HANG?\n", b"*IDN?\n" * 50):
        with connected(address) as peer:
            peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            peer.sendall(sent)
    with connected(address) as peer:
        peer.sendall(b"*CLS;FREQ?\n")
        assert line(peer) == b"1.000000000E+08\n"


def test_half_closed_peer_still_gets_its_answer(served) -> None:
    """A client that closes its sending half after the question reads the answer, then the end."""
    _, address = served
    with connected(address) as peer:
        peer.sendall(b"MEAS:POW?\n")
        peer.shutdown(socket.SHUT_WR)
        assert line(peer) == b"-1.400000000E+02\n"
        assert peer.recv(1) == b""


def test_every_connection_gets_its_own_answers(served) -> None:
    """Eight connections at once to one instrument, two hundred queries each: nobody gets another's answer."""
    _, address = served
    wrong: list[bytes] = []

    def ask(number: int) -> None:
        with connected(address, 10) as peer:
            for _ in range(200):
                peer.sendall(b"*IDN?\n" if number % 2 else b"SYST:VERS?\n")
                answer = line(peer)
                if answer != (b"Invented,Specimen,0042,1.0\n" if number % 2 else b"1999.0\n"):
                    wrong.append(answer)

    threads = [threading.Thread(target=ask, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert not any(thread.is_alive() for thread in threads)
    assert wrong == []


def test_shared_physics_is_entered_once_at_a_time(specimen_class) -> None:
    """Handlers of two instruments of one bench never run at the same moment, whatever connections ask."""
    clock = WallClock()
    inside = 0
    most = 0

    class Slow(specimen_class):
        """An instrument that takes its time in the shared physics."""

        def read(self) -> float:
            nonlocal inside, most
            inside += 1
            most = max(most, inside)
            time.sleep(0.002)
            inside -= 1
            return 1.0

    with serve({"a": Slow(clock), "b": Slow(clock)}) as addresses:

        def ask(address: str) -> None:
            with connected(address) as peer:
                for _ in range(20):
                    peer.sendall(b"READ?\n")
                    line(peer)

        threads = [
            threading.Thread(target=ask, args=(address,)) for address in addresses.values() for _ in range(2)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(10)
    assert most == 1


def test_defect_in_a_handler_is_a_system_error(specimen_class, caplog) -> None:
    """A defect of the simulation is logged and becomes -310; the connection goes on."""

    class Broken(specimen_class):
        """An instrument whose READ? is broken."""

        def read(self) -> float:
            raise ZeroDivisionError

    with serve({"broken": Broken(WallClock())}) as addresses, connected(addresses["broken"]) as peer:
        peer.sendall(b"READ?\nSYST:ERR?\n")
        assert line(peer) == b'-310,"System error"\n'
    assert "broken" in caplog.text


def test_scaled_clock_is_faster_by_its_factor(served) -> None:
    """A measurement of 250 ms on a clock of factor 50 takes at least 5 ms and far less than 250 ms of wall
    time.
    """
    device, address = served
    with connected(address) as peer:
        before_s, device_before_s = time.monotonic(), device.clock.now_s()
        peer.sendall(b"MEAS:POW?\n")
        line(peer)
        assert time.monotonic() - before_s >= 0.005
        assert device.clock.now_s() - device_before_s >= 0.25


def test_virtual_clock_is_refused(specimen_class) -> None:
    """A bench whose time stands still cannot be served, and the text says what to use."""
    with pytest.raises(ValueError, match="WallClock or ScaledClock"):
        serve({"specimen": specimen_class(VirtualClock())})


def test_taken_port_unknown_name_and_protocol_are_refused(specimen_class) -> None:
    """A port in use is an OSError and leaves nothing open; an unknown name or protocol a ValueError that
    lists the known.
    """
    device = specimen_class(WallClock())
    with serve({"a": device}) as addresses:
        port = int(addresses["a"].split("::")[2])
        with pytest.raises(OSError, match="in use"):
            serve({"b": device, "c": device}, ports={"c": port})
    with pytest.raises(ValueError, match="'x'; the bench has a"):
        serve({"a": device}, ports={"x": 0})


def test_close_ends_ports_connections_and_threads(specimen_class) -> None:
    """After the context no thread of ours is left, the peer sees the end, and the port is free again."""
    with (
        serve({"specimen": specimen_class(WallClock())}) as addresses,
        connected(addresses["specimen"]) as peer,
    ):
        peer.sendall(b"OUTP?\n")
        assert line(peer) == b"0\n"
        stay = peer.dup()
    stay.settimeout(2)
    assert stay.recv(1) == b""
    stay.close()
    with pytest.raises(ConnectionRefusedError), connected(addresses["specimen"]):
        pass
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("sim ")]


@pytest.mark.parametrize("connection", [SocketConnection, HislipConnection, Vxi11Connection])
def test_any_bytes_leave_the_server_usable(specimen_class, connection) -> None:
    """Whatever a peer sends (random bytes of fixed seeds, right headers with wrong contents), the next peer
    is served.
    """
    device = specimen_class(WallClock())
    starts = [
        b"",
        b"HS\x00\x00\x01\x00xx" + struct.pack("!Q", 7) + b"hislip0",
        b"HS\x06\x00" + struct.pack("!IQ", 0, 1 << 62),
        struct.pack("!12I", 0x80000028, 1, 0, 2, 0x0607AF, 1, 12, 0, 0, 0, 0, 99),
        struct.pack("!I", 0xFFFFFFFF),
    ]
    with serve({"specimen": device}, connection=connection) as addresses:
        port = int(
            next(part for part in addresses["specimen"].replace(",", "::").split("::") if part.isdigit())
        )
        for seed, start in enumerate(starts * 4):
            with (
                socket.create_connection(("127.0.0.1", port), timeout=2) as peer,
                contextlib.suppress(OSError),
            ):
                peer.sendall(start + random.Random(seed).randbytes(200))
                peer.shutdown(socket.SHUT_WR)
                while peer.recv(4096):
                    pass
        manager = pyvisa.ResourceManager("@py")
        resource = manager.open_resource(
            addresses["specimen"],
            read_termination="\n",
            write_termination="\n",
            timeout=2000,
            open_timeout=2000,
        )
        try:
            resource.write("*CLS")
            assert resource.query("FREQ?") == "1.000000000E+08"
        finally:
            resource.close()
            manager.close()
