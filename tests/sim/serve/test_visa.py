"""The simulated VISA library, through pyvisa as its users see it.

The oracle beside our own reading of VPP-4.3 is pyvisa itself (its resources, its error codes) and bare
pyvisa-sim for what both can do.
"""

from __future__ import annotations

import gc
import time
import weakref

import pytest
import pyvisa
from hypothesis import given, settings
from hypothesis import strategies as st
from pyvisa.constants import StatusCode

from sim.clock import VirtualClock, WallClock
from sim.scpi.faults import Fault, FaultKind
from sim.serve.visa import make_library

INSTR = "TCPIP::192.0.2.1::INSTR"
SOCKET = "TCPIP::192.0.2.1::5025::SOCKET"
GPIB = "GPIB0::7::INSTR"


@pytest.fixture(params=[INSTR, SOCKET, GPIB])
def bench(request, specimen_class):
    """A resource opened on a bench of one specimen, and the specimen."""
    clock = VirtualClock()
    device = specimen_class(clock)
    manager = pyvisa.ResourceManager(make_library({request.param: device}, clock))
    resource = manager.open_resource(
        request.param, read_termination="\n", write_termination="\n", timeout=1000
    )
    yield resource, device
    manager.close()


def test_query_through_pyvisa(bench) -> None:
    """Setting, compound query and identification go through, over every kind of resource."""
    resource, _ = bench
    resource.write("SOUR:FREQ 145.5 MHz;POW -73")
    assert resource.query("FREQ?;POW?") == "1.455000000E+08;-7.300000000E+01"
    assert resource.query("*IDN?") == "Invented,Specimen,0042,1.0"


def test_read_waits_virtual_time(bench) -> None:
    """A measurement of 250 ms passes exactly 250 ms of virtual time."""
    resource, device = bench
    resource.query("MEAS:POW?")
    assert device.clock.now_s() == pytest.approx(0.25)


def test_timeout_passes_exactly_its_time(bench) -> None:
    """A read that gets nothing raises VI_ERROR_TMO after the time-out, on the virtual clock."""
    resource, device = bench
    resource.write("HANG?")
    with pytest.raises(pyvisa.VisaIOError) as caught:
        resource.read()
    assert caught.value.error_code == StatusCode.error_timeout
    assert device.clock.now_s() == pytest.approx(1.0)


def test_infinite_timeout_does_not_hang(bench) -> None:
    """On a virtual clock a read without end ends as a time-out: nobody is there who could make it end
    otherwise.
    """
    resource, _ = bench
    resource.timeout = None
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        resource.read()


def test_late_answer_on_a_bus_is_interrupted(specimen_class) -> None:
    """On a bus the next query gets its own answer, and -410 is left; IEEE 488.2 6.3.2.3, recalled."""
    clock = VirtualClock()
    manager = pyvisa.ResourceManager(make_library({INSTR: specimen_class(clock)}, clock))
    resource = manager.open_resource(INSTR, read_termination="\n", write_termination="\n", timeout=100)
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        resource.query("MEAS:POW?")
    resource.timeout = 1000
    assert resource.query("OUTP?") == "0"
    assert resource.query("SYST:ERR?") == '-410,"Query INTERRUPTED"'
    manager.close()


def test_late_answer_on_a_socket_is_the_next_one(specimen_class) -> None:
    """On a raw socket the next query gets the old answer, as measured with pyvisa-py against a real one."""
    clock = VirtualClock()
    manager = pyvisa.ResourceManager(make_library({SOCKET: specimen_class(clock)}, clock))
    resource = manager.open_resource(SOCKET, read_termination="\n", write_termination="\n", timeout=100)
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        resource.query("MEAS:POW?")
    resource.timeout = 1000
    assert resource.query("OUTP?") == "-1.400000000E+02"
    assert resource.read() == "0"
    manager.close()


def test_unknown_resource_is_not_found(specimen_class) -> None:
    """A name that is not on the bench raises VI_ERROR_RSRC_NFOUND; bare pyvisa-sim lets it open."""
    clock = VirtualClock()
    manager = pyvisa.ResourceManager(make_library({INSTR: specimen_class(clock)}, clock))
    assert manager.list_resources("?*") == ("TCPIP0::192.0.2.1::inst0::INSTR",)
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_RSRC_NFOUND"):
        manager.open_resource("TCPIP::192.0.2.99::INSTR")
    manager.close()


def test_block_answers_of_every_byte(bench) -> None:
    """A block with NL, quotes and bytes above 127 arrives whole through pyvisa's own reader of blocks."""
    resource, _ = bench
    content = bytes(range(100))
    resource.write_binary_values("TRAC ", list(content), datatype="B")
    assert bytes(resource.query_binary_values("TRAC?", datatype="B", container=bytes)) == content


def test_count_and_termination_character_end_a_read(specimen_class) -> None:
    """A read of n bytes gives n bytes; a termination character within ends it (VPP-4.3, 6.1.1, recalled)."""
    clock = VirtualClock()
    manager = pyvisa.ResourceManager(make_library({INSTR: specimen_class(clock)}, clock))
    resource = manager.open_resource(INSTR, write_termination="\n")
    resource.write("*IDN?")
    assert resource.read_bytes(8) == b"Invented"
    assert resource.read(termination=",") == ""
    assert resource.read(termination=",") == "Specimen"
    assert resource.read_raw() == b"0042,1.0\n"
    manager.close()


def test_clear_serial_poll_and_trigger(specimen_class) -> None:
    """A bus has device clear, serial poll with MAV, and trigger; a socket has none of the last two."""
    clock = VirtualClock()
    device = specimen_class(clock)
    manager = pyvisa.ResourceManager(make_library({INSTR: device, SOCKET: device}, clock))
    bus = manager.open_resource(INSTR, read_termination="\n", write_termination="\n")
    bus.write("*IDN?")
    assert bus.read_stb() & 16
    bus.clear()
    assert not bus.read_stb() & 16
    bus.assert_trigger()
    assert device.triggers == 1
    assert bus.query("SYST:ERR?") == '0,"No error"'
    stream = manager.open_resource(SOCKET, read_termination="\n", write_termination="\n")
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_NSUP_OPER"):
        stream.read_stb()
    manager.close()


def test_locks_keep_others_out(specimen_class) -> None:
    """While one session holds the lock another is refused with VI_ERROR_RSRC_LOCKED, and served after it."""
    clock = VirtualClock()
    manager = pyvisa.ResourceManager(make_library({INSTR: specimen_class(clock)}, clock))
    first = manager.open_resource(INSTR, read_termination="\n", write_termination="\n")
    second = manager.open_resource(INSTR, read_termination="\n", write_termination="\n")
    with first.lock_context():
        with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_RSRC_LOCKED"):
            second.query("OUTP?")
        with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_RSRC_LOCKED"):
            second.lock_excl(timeout=500)
        assert first.query("OUTP?") == "0"
    assert second.query("OUTP?") == "0"
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_SESN_NLOCKED"):
        first.unlock()
    manager.close()


def test_closed_session_is_invalid(bench) -> None:
    """After close pyvisa refuses the resource, and the library knows the session no more."""
    resource, _ = bench
    handle, library = resource.session, resource.visalib
    resource.close()
    with pytest.raises(pyvisa.InvalidSession):
        resource.query("OUTP?")
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_INV_OBJECT"):
        library.write(handle, b"OUTP?\n")


def test_two_benches_are_separate(specimen_class) -> None:
    """The same resource name on two benches is two instruments, and closing one leaves the other."""
    clocks = [VirtualClock(), VirtualClock()]
    managers = [
        pyvisa.ResourceManager(make_library({INSTR: specimen_class(clock)}, clock)) for clock in clocks
    ]
    first, second = (
        manager.open_resource(INSTR, read_termination="\n", write_termination="\n") for manager in managers
    )
    first.write("FREQ 2E8")
    managers[0].close()
    assert second.query("FREQ?") == "1.000000000E+08"
    managers[1].close()


def test_nothing_leaks(specimen_class) -> None:
    """Of 200 benches built, used and closed none is alive afterwards."""
    alive = weakref.WeakSet()
    for _ in range(200):
        clock = VirtualClock()
        library = make_library({INSTR: specimen_class(clock)}, clock)
        alive.add(library)
        manager = pyvisa.ResourceManager(library)
        manager.open_resource(INSTR, read_termination="\n", write_termination="\n").query("*IDN?")
        manager.close()
        del library, manager
    gc.collect()
    assert len(alive) == 0


def test_wall_clock_really_waits(specimen_class) -> None:
    """On a wall clock the same answer takes its time, and a time-out too."""
    clock = WallClock()
    manager = pyvisa.ResourceManager(make_library({INSTR: specimen_class(clock)}, clock))
    resource = manager.open_resource(INSTR, read_termination="\n", write_termination="\n", timeout=100)
    before_s = time.monotonic()
    assert resource.query("FREQ 2E8;*OPC?") == "1"
    assert time.monotonic() - before_s >= 0.095
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        resource.read()
    manager.close()


def test_same_answers_as_bare_pyvisa_sim(tmp_path, specimen_class) -> None:
    """For the exact spellings that bare pyvisa-sim can be taught, both libraries answer the same through
    pyvisa.
    """
    messages = ["*IDN?", "OUTP?", "SYST:ERR?"]
    clock = VirtualClock()
    ours = pyvisa.ResourceManager(make_library({INSTR: specimen_class(clock)}, clock))
    resource = ours.open_resource(INSTR, read_termination="\n", write_termination="\n")
    answers = {message: resource.query(message) for message in messages}
    ours.close()

    dialogues = "".join(f"      - {{q: '{message}', r: '{answer}'}}\n" for message, answer in answers.items())
    path = tmp_path / "bare.yaml"
    path.write_text(
        'spec: "1.1"\ndevices:\n  specimen:\n    eom:\n'
        '      TCPIP INSTR: {q: "\\n", r: "\\n"}\n    error: ERROR\n'
        f"    dialogues:\n{dialogues}resources:\n  {INSTR}: {{device: specimen}}\n"
    )
    bare = pyvisa.ResourceManager(f"{path}@sim")
    other = bare.open_resource(INSTR, read_termination="\n", write_termination="\n")
    assert {message: other.query(message) for message in messages} == answers
    bare.close()


@given(sent=st.binary(max_size=60))
@settings(max_examples=150, deadline=None)
def test_any_bytes_leave_the_bench_usable(specimen_class, sent) -> None:
    """After any bytes at all, a device clear and *CLS, the instrument answers as if nothing had been."""
    clock = VirtualClock()
    manager = pyvisa.ResourceManager(make_library({INSTR: specimen_class(clock)}, clock))
    resource = manager.open_resource(INSTR, read_termination="\n", write_termination="\n")
    resource.write_raw(sent)
    resource.clear()
    resource.write("*CLS")
    assert resource.query("SYST:ERR?") == '0,"No error"'
    manager.close()


def test_disconnect_is_connection_lost(bench) -> None:
    """A link that breaks raises VI_ERROR_CONN_LOST from then on; opened again it works."""
    resource, device = bench
    device.faults.add(Fault(kind=FaultKind.DISCONNECT, match="FREQ?"))
    for _ in range(2):
        with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_CONN_LOST"):
            resource.query("FREQ?")
    name, manager = resource.resource_name, pyvisa.ResourceManager(resource.visalib)
    again = manager.open_resource(name, read_termination="\n", write_termination="\n")
    assert again.query("FREQ?") == "1.000000000E+08"
