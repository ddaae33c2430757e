"""The key-down watchdog with real processes and sockets: a program hangs, is stopped or killed, and the unit is taken off the air.

The instruments are two switches behind sockets; the program is the smallest that keys one of them. Processes and signals: POSIX (IEEE
Std 1003.1) and pidfd_open(2) of Linux.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import pty
import select
import signal
import socket
import socketserver
import subprocess
import sys
import threading
import tty
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path

import pytest

from drivers.clock import RealClock
from drivers.link.link import Link
from drivers.link.visa import open_library
from sequencer.safety.remembered.key_memory import KeyMemory
from sequencer.safety.remembered.mark import Mark
from sequencer.safety.remembered.state_folder import StateFolder
from sequencer.safety.watchdog import LATE, process
from sequencer.safety.watchdog.client import Watchdog
from sequencer.safety.watchdog.ways import NoWay, Way, is_off, prove, switch_off
from sim.clock import WallClock
from sim.scpi.declare import setting
from sim.scpi.device import ScpiDevice
from sim.scpi.parameters import Boolean
from sim.serve.network import serve
from tests.support.hislip import HislipConnection
from tests.support.loopback import wait_until
from tests.support.vxi11 import Vxi11Connection

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not hasattr(os, "pidfd_open"), reason="processes and signals of POSIX; Linux for pidfd"
    ),
]

TOP = Path(__file__).parents[3]
PROGRAM = """
import json, os, signal, socket, sys, time
from pathlib import Path
from sequencer.safety.remembered.mark import Mark
from sequencer.safety.remembered.state_folder import StateFolder
from sequencer.safety.watchdog.client import Watchdog
from sequencer.safety.watchdog.ways import Way

facts = json.loads(sys.argv[1])
mark = Mark(StateFolder(path=Path(facts["folder"])), "radio.key")
watchdog = Watchdog([Way(**one) for one in facts["ways"]], serial="M40-0007", mark=mark)
watchdog.start()
radio = socket.create_connection(("127.0.0.1", facts["port"]))
watchdog.prove()
watchdog.proofs()
watchdog.await_ready()
if facts["unit"]:
    watchdog.change_unit(facts["unit"])
watchdog.arm(facts["within_s"])
radio.sendall(b"KEY 1\\n")
print("keyed", flush=True)
"""
HANGS = "import ctypes; ctypes.PyDLL(None).sleep(600)  # holds the interpreter's lock: no thread, no signal handler runs"
WAITS = "sys.stdin.read(1); print(watchdog.problem(), flush=True); watchdog.close()"
HEARS = "while not watchdog.problem(): time.sleep(0.02)\nprint(watchdog.problem(), flush=True)\n" + WAITS
FORKS = "if os.fork() == 0: signal.pause()\n" + WAITS


class Switch:
    """An instrument with one switch; ``one_client``: a second waits until the first has gone, as with many; ``stuck``: it stays on."""

    def __init__(self, *, on: bool = False, one_client: bool = False, stuck: bool = False) -> None:
        self.on = on
        self.heard: list[str] = []
        outer, turn = self, threading.Lock()

        class Handler(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                with turn if one_client else contextlib.nullcontext(), contextlib.suppress(OSError):
                    for line in self.rfile:
                        text = line.decode().strip()
                        outer.heard.append(text)
                        if text.endswith("?"):
                            self.wfile.write(f"{int(outer.on)}\n".encode())
                        elif not (stuck and outer.on):
                            outer.on = text.endswith("1")

        class Server(socketserver.ThreadingTCPServer):
            daemon_threads, block_on_close, allow_reuse_address = True, False, True

        self._server = Server(("127.0.0.1", 0), Handler)
        self.port: int = self._server.server_address[1]
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def way(self, role: str, *, shared: bool = True) -> Way:
        """Return how the watchdog reaches it."""
        return Way(
            role=role,  # type: ignore[arg-type]
            name=role,
            address=f"TCPIP0::127.0.0.1::{self.port}::SOCKET",
            line="socket",
            shared=shared,
            wait_s=0.5,
            off="KEY 0",
            ask="KEY?",
        )

    def close(self) -> None:
        """End it."""
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def switches() -> Iterator[Callable[..., Switch]]:
    """Make switches, and end them."""
    made: list[Switch] = []

    def make(**how: bool) -> Switch:
        made.append(Switch(**how))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def keyed(tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start a program that keys ``radio`` and then does what it is told; whatever is left of it is killed."""
    started: list[subprocess.Popen[str]] = []

    def start(
        radio: Switch, *ways: Way, then: str = WAITS, within_s: float = 60.0, unit: str = ""
    ) -> subprocess.Popen[str]:
        facts = {"port": radio.port, "folder": str(tmp_path), "within_s": within_s, "unit": unit}
        facts["ways"] = [{name: getattr(way, name) for name in Way.__dataclass_fields__} for way in ways]
        process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM + then, json.dumps(facts)],
            cwd=TOP,
            text=True,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            process_group=0,
        )
        started.append(process)
        assert process.stdout is not None
        assert process.stdout.readline() == "keyed\n"
        wait_until(lambda: radio.on)
        return process

    yield start
    for one in started:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(one.pid, signal.SIGKILL)
        one.communicate()


def _left(folder: Path) -> KeyMemory:
    memory = KeyMemory(Mark(StateFolder(path=folder), "radio.key"), serial="M40-0007", duty=0.5)
    memory.recall()
    return memory


def _left_by_watchdog(folder: Path) -> KeyMemory:
    """Return the memory once the watchdog has left its word: a mark that is half written counts too."""
    wait_until(lambda: (left := _left(folder).left) is not None and bool(left.watchdog))
    return _left(folder)


@pytest.mark.parametrize("then", [WAITS, FORKS], ids=["alone", "a forked child holds its lines"])
def test_a_program_that_is_killed_while_keyed_has_its_unit_released_and_the_next_is_told(
    switches, keyed, tmp_path, then
):
    """`kill -9`: long before its time PTT is released and the supply off, and who opens the bench next reads how, and rests the unit."""
    radio, supply = switches(), switches(on=True)
    program = keyed(radio, radio.way("radio"), supply.way("supply"), then=then)
    program.kill()
    wait_until(lambda: not radio.on and not supply.on)
    memory = _left_by_watchdog(tmp_path)
    assert memory.left is not None
    assert "The key-down watchdog took PTT of unit M40-0007 from an earlier run" in str(memory.left)
    assert (
        "the program ended with PTT pressed: PTT released by radio, read back; supply off by supply, read back."
        in str(memory.left)
    )
    assert memory.left.is_released
    assert memory.left.longest_s < 60.0, "as long as it was keyed, and not until it was found"
    memory.note_open()
    assert memory.rest_left_s < 60.0


def test_of_several_units_one_after_another_it_names_the_one_that_was_keyed(switches, keyed, tmp_path):
    """A bench that stays open from unit to unit keeps its watchdog, which is told of each; a serial may hold blanks."""
    radio = switches()
    program = keyed(radio, radio.way("radio"), unit="M40 0008 b")
    program.kill()
    wait_until(lambda: not radio.on)
    assert "took PTT of unit M40 0008 b from an earlier run" in str(_left_by_watchdog(tmp_path).left)


@pytest.mark.parametrize("how", ["hangs in C", "is stopped"])
def test_a_program_that_stands_still_while_keyed_has_its_unit_released_in_time(switches, keyed, how):
    """A driver that never returns, or a stopped process: PTT is released after its time, and the supply is off."""
    radio, supply = switches(), switches(on=True)
    then = HANGS if how == "hangs in C" else WAITS
    program = keyed(radio, radio.way("radio"), supply.way("supply"), then=then, within_s=0.2)
    if how == "is stopped":
        program.send_signal(signal.SIGSTOP)
    wait_until(lambda: not radio.on and not supply.on)
    assert program.poll() is None, "it was not ended: there was another way"
    if how == "is stopped":
        wait_until(lambda: radio.heard.count("KEY 0") > 1)  # what it was about to send may come yet
        program.send_signal(signal.SIGCONT)
        said, _ = program.communicate("x", timeout=10)
        assert "the key-down watchdog acted" in said
        assert (
            "because PTT had not been read released in time; PTT was taken from it: PTT released by radio"
            in said
        )


def test_a_radio_that_takes_one_client_is_reached_by_ending_the_program_that_hangs(switches, keyed, tmp_path):
    """Without a supply nothing else is left: the second connection is not answered, so that the program is ended and PTT released."""
    radio = switches(one_client=True)
    program = keyed(radio, radio.way("radio"), then=HANGS, within_s=0.2)
    wait_until(lambda: not radio.on)
    assert program.wait(10) == -signal.SIGKILL
    assert "was ended, to get at the instruments" in str(_left_by_watchdog(tmp_path).left)


def test_beside_a_radio_that_takes_one_client_the_supply_does(switches, keyed):
    """The program is left alone where the supply was confirmed off."""
    radio, supply = switches(one_client=True), switches(on=True)
    program = keyed(radio, radio.way("radio"), supply.way("supply"), then=HANGS, within_s=0.2)
    wait_until(lambda: not supply.on)
    wait_until(lambda: supply.heard[-1:] == ["KEY?"])
    assert radio.on, "its line stays pressed, and it has no supply"
    assert program.poll() is None


def test_a_program_that_is_at_releasing_is_not_ended(switches, keyed):
    """It may be busy with a radio that does not obey, and has words to say at its end."""
    radio = switches(stuck=True)
    program = keyed(radio, radio.way("radio"), then="watchdog.note_releasing()\n" + HEARS, within_s=0.2)
    assert program.stdout is not None
    said = program.stdout.readline()
    assert (
        "PTT could not be released by it either: PTT released by radio not confirmed: it was sent and still reads on"
        in said
    )
    assert program.poll() is None


def test_a_radio_that_froze_is_told_as_such_where_the_supply_was_switched_off(switches, keyed, tmp_path):
    """The program runs on and is at it by itself: it did not stand still, and PTT was not taken from it."""
    radio, supply = switches(stuck=True), switches(on=True)
    then = "watchdog.note_releasing()\n" + HEARS
    program = keyed(radio, radio.way("radio"), supply.way("supply"), then=then, within_s=0.2)
    assert program.stdout is not None
    said = program.stdout.readline()
    assert (
        "because PTT had not been read released in time; PTT could not be read released by it either:" in said
    )
    told = str(_left_by_watchdog(tmp_path).left)
    assert "PTT of unit M40-0007, pressed by an earlier run at" in told
    assert (
        " s; the key-down watchdog tried as well: PTT released by radio not confirmed: it was sent and still reads on; "
        "supply off by supply, read back." in told
    )


def test_the_program_hears_that_its_watchdog_was_killed(switches):
    """Without it nothing would release PTT: so nothing is keyed any more."""
    radio = switches()
    watchdog = Watchdog([radio.way("radio")])
    watchdog.start()
    watchdog.await_ready()
    assert watchdog._process is not None
    watchdog._process.kill()
    wait_until(lambda: watchdog.problem() != "")
    assert watchdog.problem() == "the process of the key-down watchdog has ended"
    with pytest.raises(OSError, match="has ended"):
        watchdog.arm(1.0)
    watchdog.close()


def test_it_ends_with_the_program_and_touches_nothing_where_ptt_was_released(switches):
    """A key-down that ended as it should leaves no process behind and sends no message."""
    radio = switches()
    watchdog = Watchdog([radio.way("radio")])
    watchdog.start()
    for _ in range(3):
        watchdog.await_ready()
        watchdog.arm(60.0)
        watchdog.note_releasing()
        watchdog.disarm()
    assert watchdog.problem() == ""
    process = watchdog._process
    assert process is not None
    watchdog.close()
    watchdog.close()
    assert process.wait(10) == 0
    assert radio.heard == []


class Sleeper:
    """The watchdog's own loop in a thread of this process, whose machine sleeps; ``ended`` where it would end its program."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *ways: Way) -> None:
        self.passed_s, self.slept_s, self.ended = 0.0, 0.0, False
        self.asked = 0  # how often the loop has looked for how long the machine slept, since it did
        monkeypatch.setattr(process, "boot_s", lambda: 1000.0 + self.passed_s)
        monkeypatch.setattr(process, "asleep_s", self._asleep_s)
        monkeypatch.setattr(process.Watching, "_end_program", lambda _: setattr(self, "ended", True))
        self.link, self._theirs = socket.socketpair()
        facts = {
            "pid": os.getppid(),
            "serial": "M40-0007",
            "locks": [],
            "ways": [asdict(way) for way in ways],
        }
        self.link.sendall(json.dumps(facts).encode() + b"\n")
        self.link.settimeout(10.0)
        self._thread = threading.Thread(target=process.Watching(self._theirs).run, daemon=True)
        self._thread.start()
        self.lines = self.link.makefile("rw")
        assert self.lines.readline() == "ready\n"

    def _asleep_s(self) -> float:
        self.asked += self.slept_s > 0.0
        return self.slept_s

    def press(self, within_s: float) -> None:
        """Say that PTT is pressed."""
        self.say(f"down 1 {within_s}")
        assert self.lines.readline() == "armed 1\n"

    def say(self, line: str) -> None:
        """Send a line as the program does."""
        self.lines.write(line + "\n")
        self.lines.flush()

    def sleep(self, seconds: float) -> None:
        """Suspend the machine for so long."""
        self.slept_s += seconds
        self.passed_s += seconds

    def close(self) -> None:
        """End the loop, with PTT released."""
        self.say("end")
        self._thread.join(10.0)
        for one in (self.lines, self.link, self._theirs):
            one.close()


def test_after_a_sleep_ptt_is_released_at_once_and_the_program_that_slept_too_is_not_at_fault(
    monkeypatch, switches
):
    """Nothing ran while the machine slept: PTT is released on waking, no program is said to stand still, and the next press is watched."""
    radio = switches(on=True)
    sleeper = Sleeper(monkeypatch, radio.way("radio"))
    sleeper.press(40.0)
    sleeper.sleep(28_800.0)
    wait_until(lambda: not radio.on)
    sleeper.say("up")
    sleeper.press(40.0)  # heard in turn: had it complained, that would have come first
    radio.on = True
    sleeper.passed_s += 41.0
    said, _, facts = sleeper.lines.readline().partition(" ")
    assert (said, json.loads(facts)["why"]) == ("acted", LATE)
    assert not radio.on
    sleeper.close()


@pytest.mark.parametrize("shared", [True, False], ids=["beside it", "one client"])
def test_a_program_that_does_not_wake_with_its_machine_is_taken_to_stand_still(monkeypatch, switches, shared):
    """It has its time to see that it slept; then all is done as to one that hangs."""
    radio = switches(on=True)
    sleeper = Sleeper(monkeypatch, radio.way("radio", shared=shared))
    sleeper.press(40.0)
    sleeper.sleep(28_800.0)
    if shared:
        wait_until(lambda: not radio.on)
    wait_until(lambda: sleeper.asked > 0)
    assert not sleeper.ended
    while not select.select([sleeper.link], [], [], 0.3)[0]:
        sleeper.passed_s += 31.0
    said, _, facts = sleeper.lines.readline().partition(" ")
    assert said == "acted"
    assert json.loads(facts)["why"].startswith(LATE)
    assert sleeper.ended is not shared
    assert not radio.on
    sleeper.close()


def test_a_short_sleep_leaves_the_unit_to_the_program(monkeypatch, switches):
    """Within the time that it may be keyed: the program, which sees it too, releases PTT by its own line."""
    radio = switches(on=True)
    sleeper = Sleeper(monkeypatch, radio.way("radio"))
    sleeper.press(40.0)
    sleeper.sleep(20.0)
    sleeper.say("up")
    sleeper.press(40.0)
    assert radio.heard == []
    sleeper.close()


def test_what_cannot_be_started_is_said_before_anything_is_keyed(monkeypatch, switches):
    """No memory, no room for a process: PTT is refused in words."""
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    watchdog = Watchdog([switches().way("radio")])
    watchdog.start()
    with pytest.raises(OSError, match="the key-down watchdog cannot be started"):
        watchdog.await_ready()
    watchdog.close()


def test_the_proof_asks_and_sets_nothing(switches):
    """When the bench opens each way is tried by its question alone; one client at a time is found out."""
    free = switches(on=True)
    assert prove(free.way("radio")).confirmed
    assert free.on
    assert free.heard == ["KEY?"]
    assert not prove(
        Way(
            role="radio",
            name="radio",
            address="TCPIP0::127.0.0.1::1::SOCKET",
            line="socket",
            shared=True,
            wait_s=0.5,
        )
    ).confirmed


@pytest.mark.parametrize(
    ("facts", "answer", "off"),
    [
        ({}, "0", True),
        ({}, "+0.00E+00", True),
        ({}, "1", False),
        ({}, "OFF", True),
        ({}, "ON", False),
        ({"word": "RX"}, '"rx"', True),
        ({"word": "RX"}, "TX", False),
        ({"word": "0", "pattern": "^TX=([01])$"}, "TX=1", False),
        ({"word": "0", "pattern": "^TX=([01])$"}, "TX=0", True),
        ({"bit": 3}, "7", True),
        ({"bit": 3}, "8", False),
    ],
)
def test_an_answer_says_off_as_the_profile_has_it(switches, facts, answer, off):
    """Words, numbers, patterns and bits, as drivers read them."""
    way = Way(role="radio", name="radio", address="", line="socket", shared=True, wait_s=0.1, **facts)
    assert is_off(way, answer) is off


@pytest.mark.parametrize("answer", ["", "busy", "9.91E37x", "nan"])
def test_what_means_neither_is_no_confirmation(answer):
    """Garbage confirms nothing."""
    way = Way(role="radio", name="radio", address="", line="socket", shared=True, wait_s=0.1)
    with pytest.raises(NoWay):
        is_off(way, answer)


def test_a_radio_on_a_serial_line_is_told_beside_the_program_that_holds_the_port():
    """A second descriptor of the same port (pseudo-terminal): the line goes out whole, an echo and a late answer are passed over."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    heard: list[bytes] = []

    def answer() -> None:
        held = b""
        while heard[-1:] != [b"TX?"] and select.select([ours], [], [], 10.0)[0]:
            held += os.read(ours, 100)
            while b"\r" in held:
                line, _, held = held.partition(b"\r")
                heard.append(line)
                os.write(ours, line + b"\rCH=020\r" + (b"OK\r" if b"=" in line else b"TX=0\r"))

    thread = threading.Thread(target=answer)
    thread.start()
    way = Way(
        role="radio", name="radio", address="ASRL", line="serial", shared=True, wait_s=5.0, off="TX=0", ask="TX?", end="\r",
        answer_end="\r", pattern="^TX=([01])$", word="0", device=os.ttyname(theirs),
    )  # fmt: skip
    tried = switch_off(way)
    thread.join()
    assert tried.confirmed, tried.said
    assert heard == [b"TX=0", b"TX?"]
    line_key = Way(
        role="radio",
        name="radio",
        address="ASRL",
        line="serial",
        shared=True,
        wait_s=1.0,
        drop="rts",
        device=way.device,
    )
    assert not switch_off(line_key).confirmed, "a pseudo-terminal has no control lines, and it says so"
    os.close(ours)
    os.close(theirs)


class KeyBox(ScpiDevice):
    """An invented instrument with one switch."""

    identity = ("Invented", "Key box", "0004", "1.0")
    key = setting(":KEY", Boolean(default=True))


@pytest.mark.parametrize("connection", [HislipConnection, Vxi11Connection])
def test_a_radio_behind_a_protocol_of_its_own_is_reached_by_the_visa_library(connection):
    """HiSLIP and VXI-11 (IVI-6.1, VXI-11 1.0): asked beside the program, switched off and read back; its own connection goes on."""
    box = KeyBox(WallClock())
    with serve({"box": box}, connection=connection) as addresses, open_library("py") as library:
        link = Link(library, name="box", address=addresses["box"], clock=RealClock())
        link.open()
        way = Way(
            role="radio", name="radio", address=addresses["box"], line="visa", shared=True, wait_s=2.0, off=":KEY 0", ask=":KEY?"
        )  # fmt: skip
        assert prove(way).confirmed
        assert link.query(":KEY?") == "1"
        tried = switch_off(way)
        assert tried.confirmed, tried.said
        assert link.query(":KEY?") == "0"
    gc.collect()


def test_a_night_of_benches_leaves_no_process_behind(switches):
    """One that is at trying a silent instrument when the bench closes ends by itself, and is collected with the next."""
    silent = switches(one_client=True)
    with socket.create_connection(("127.0.0.1", silent.port)):  # who comes second is not answered
        processes = []
        for _ in range(3):
            watchdog = Watchdog([silent.way("radio")])
            watchdog.start()
            watchdog.await_ready()
            watchdog.prove()
            processes.append(watchdog._process)
            watchdog.close()
        wait_until(lambda: all(one is not None and one.poll() is not None for one in processes))
