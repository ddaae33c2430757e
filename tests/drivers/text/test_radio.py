"""Radios on a line of text: over a real pseudo-terminal, a real socket, and ports with control lines."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import event, given
from hypothesis import strategies as st
from serial.urlhandler.protocol_loop import Serial as LoopPort

from drivers.clock import RealClock
from drivers.faults import (
    ConnectFailed,
    ConnectionLost,
    InstrumentError,
    InstrumentFault,
    NotConfirmed,
    Refused,
    TimedOut,
    UnexpectedReply,
)
from drivers.text.line import LineReader, make_line
from drivers.text.profile import TextCommand, TextProfile, find_text_faults
from drivers.text.radio import TextRadio
from drivers.trace import Direction, Exchange
from sequencer.files.dataclass_model import read_dataclass
from sequencer.files.shipped import find_file
from sim.clock import WallClock
from sim.radio.presets import Preset
from sim.radio.simulated_unit import SimulatedUnit
from sim.radio.unit import Specimen
from sim.serve.text_radio import (
    TextFaults,
    TextRadioLanguage,
    TextRadioOnPty,
    TextRadioOnSocket,
    port_with_key_line,
)
from sim.wiring.paths import PathLosses, Paths
from sim.wiring.wiring import Wiring
from sim.wiring.witness import Witness, WitnessLimits

TIMEOUT_S = 0.25


def shipped(name: str) -> TextProfile:
    """Return a shipped profile."""
    return read_dataclass(find_file(name, "profile", within="radio"), TextProfile).model


LINE = shipped("hollinbrook-line")
CHANNEL_LINE = shipped("hollinbrook-channel-line")


def make_wiring() -> Wiring:
    """Return a unit with supply, its cables and a witness, in real time."""
    clock = WallClock()
    losses = PathLosses(receive_db={27e6: 0.4}, transmit_db={27e6: 30.0})
    limits = WitnessLimits(receiver_input_dbm=0.0, key_time_s=20.0, key_duty_percent=50.0, supply_a=6.0)
    presets = {"tx_bias": Preset(acts_on="bias", kind="stored", highest=254)}
    unit = SimulatedUnit(Specimen(serial="T-1", presets=presets), clock, np.random.default_rng(1))
    wiring = Wiring(unit, Paths(losses, clock), Witness(limits, clock), clock)
    wiring.set_supply_v(13.2)
    return wiring


class Rig:
    """A simulated radio, its line, and the driver on it."""

    def __init__(
        self, profile: TextProfile, address: str, wiring: Wiring, language: TextRadioLanguage
    ) -> None:
        self.wiring, self.language = wiring, language
        self.trace: list[Exchange] = []
        self.radio = self.driver(profile, address)

    def driver(self, profile: TextProfile, address: str, **options: object) -> TextRadio:
        """Return a driver on ``address``, not yet open."""
        port = options.pop("port", None)
        line = make_line(address, profile, name="radio", serial_class=port)
        return TextRadio(
            line, profile, RealClock(), name="radio", address=address, timeout_s=TIMEOUT_S,
            trace=self.trace.append, **options,  # type: ignore[arg-type]
        )  # fmt: skip

    @property
    def sent(self) -> list[bytes]:
        """What went out."""
        return [one.content for one in self.trace if one.direction is Direction.SENT]


@contextlib.contextmanager
def rig(profile: TextProfile = LINE, *, over: str = "pty") -> Iterator[Rig]:
    """Yield a radio served on a pseudo-terminal or a socket, with an unopened driver."""
    wiring = make_wiring()
    language = TextRadioLanguage(wiring)
    end = {"CR": b"\r", "CR LF": b"\r\n"}[profile.sends]
    serve = TextRadioOnPty if over == "pty" else TextRadioOnSocket
    with serve(language, end=end, echo=profile.echo) as served:
        address = served.path if isinstance(served, TextRadioOnPty) else served.address
        one = Rig(profile, address, wiring, language)
        try:
            yield one
        finally:
            one.radio.close()


@pytest.mark.parametrize("over", ["pty", "socket"])
def test_channel_mode_and_key_reach_the_unit(over):
    """Over a pseudo-terminal and a socket alike, what is set is what the unit itself then has."""
    with rig(over=over) as one:
        identity = one.radio.open()
        assert identity.maker == "Hollinbrook"
        assert identity.serial.endswith("T-1")
        one.radio.set_channel(19)
        one.radio.set_mode("FM")
        one.radio.key()
        assert (one.wiring.unit.channel, one.wiring.unit.mode, one.wiring.unit.keyed) == (19, "FM", True)
        assert one.radio.read_keyed()
        one.radio.unkey()
        assert not one.wiring.unit.keyed
        assert one.sent[-2:] == [b"TX=0\r", b"TX?\r"]


def test_a_setting_is_stored_and_read_back():
    """What is stored is what the unit itself then has; a name or value that it refuses is refused in its own words, and none without it."""
    with rig() as one:
        one.radio.open()
        one.radio.set_preset("tx_bias", 200)
        assert one.wiring.unit.stored_preset("tx_bias") == one.radio.read_preset("tx_bias") == 200
        assert one.sent[-3:-1] == [b"PS tx_bias=200\r", b"PS tx_bias?\r"]
        for name, value in (("tx_bias", 300), ("gain", 1)):
            with pytest.raises(InstrumentError, match="NO PS"):
                one.radio.set_preset(name, value)
        assert one.wiring.unit.stored_preset("tx_bias") == 200
    with rig(CHANNEL_LINE) as one, pytest.raises(Refused, match="no command 'preset'"):
        one.radio.set_preset("tx_bias", 1)


def test_an_asrl_resource_is_the_same_port():
    """``ASRL<device>::INSTR`` (VPP-4.3, 4.3.1) opens the device it names."""
    with rig() as one:
        radio = one.driver(LINE, f"ASRL{one.radio.address}::INSTR")
        radio.open()
        radio.set_channel(3)
        assert one.wiring.unit.channel == 3
        radio.close()


def test_opening_releases_a_key_that_a_crashed_run_left():
    """The release is the first line that is sent, before anything is asked."""
    with rig() as one:
        one.wiring.key()
        one.radio.open()
        assert one.sent[0] == b"TX=0\r"
        assert not one.wiring.unit.keyed


def test_what_the_radio_refuses_is_its_own_words():
    """A channel the unit does not have is an InstrumentError with what it said."""
    with rig() as one:
        one.radio.open()
        with pytest.raises(InstrumentError, match=r"it refuses: CH 900.*sent 'CH=900'"):
            one.radio.set_channel(900)


def test_a_mode_without_a_word_is_refused_unsent():
    """A mode that the profile has no word for never reaches the line."""
    profile = replace(
        LINE, commands={**LINE.commands, "mode": replace(LINE.commands["mode"], words={"FM": "F"})}
    )
    with rig(profile) as one:
        one.radio.open()
        before = len(one.sent)
        with pytest.raises(Refused, match="mode USB refused; its profile has words for FM"):
            one.radio.set_mode("USB")
        assert len(one.sent) == before


def test_a_silent_radio_is_a_time_out_at_opening():
    """A radio that is off is a fault that names the line sent, not a hang."""
    with rig() as one:
        one.language.faults.silent = True
        with pytest.raises(TimedOut, match=r"no whole answer within 0\.25 s; sent 'TX=0'.*unit is on"):
            one.radio.open()


def test_garbage_is_no_answer():
    """Characters at a wrong baud rate are an UnexpectedReply that shows them."""
    with rig() as one:
        one.radio.open()
        one.language.faults.garbage = True
        with pytest.raises(UnexpectedReply, match=r"does not expect; sent 'CH=005'"):
            one.radio.set_channel(5)


def test_a_late_answer_is_never_the_answer_to_a_later_question():
    """After a time-out what comes late is dropped and traced, and the next read-back is the radio's true state."""
    with rig() as one:
        one.radio.open()
        one.radio.set_channel(7)
        one.language.faults.answers_late_s = 1.3 * TIMEOUT_S
        with pytest.raises(TimedOut):
            one.radio.set_channel(8)
        one.language.faults.answers_late_s = 0.0
        one.radio.set_channel(9)
        assert one.wiring.unit.channel == 9
        assert any("came late" in entry.fault and b"OK" in entry.content for entry in one.trace)


def test_a_release_is_sent_before_anything_is_waited_for():
    """Out of step, the release goes out first: the unit is unkeyed although the line is still being sorted out."""
    with rig() as one:
        one.radio.open()
        one.radio.key()
        one.language.faults.silent_to = ("TX?",)
        with pytest.raises(TimedOut):
            one.radio.read_keyed()
        before = len(one.trace)
        with pytest.raises(InstrumentFault):
            one.radio.unkey()
        assert not one.wiring.unit.keyed
        assert one.trace[before].content == b"TX=0\r"
        one.language.faults.silent_to = ()
        one.radio.unkey()
        assert not one.radio.read_keyed()


def test_a_stuck_key_is_not_confirmed():
    """A unit that says OK and stays keyed is NotConfirmed, with the advice to remove the supply."""
    with rig() as one:
        one.radio.open()
        one.radio.key()
        one.language.faults.key_stuck = True
        with pytest.raises(NotConfirmed, match=r"reads back the other.*Remove the supply"):
            one.radio.unkey()
        one.language.faults.key_stuck = False


def test_a_setting_that_is_ignored_is_not_confirmed():
    """A radio that is deaf to one line and answers nothing there is a fault, never a silent success."""
    with rig() as one:
        one.radio.open()
        one.language.faults.deaf_to = ("CH=011",)
        with pytest.raises(TimedOut):
            one.radio.set_channel(11)


def test_an_echoing_radio_without_a_key_command_needs_a_control_line():
    """A profile without a key command is refused unless the bench file says which line keys."""
    with rig(CHANNEL_LINE) as one, pytest.raises(Refused, match=r"has no key command.*ptt: rts"):
        one.radio.open()


def test_the_echo_is_read_before_the_answer():
    """With CR LF, two digits and an echo, channel and mode still reach the unit."""
    with rig(CHANNEL_LINE) as one:
        port = port_with_key_line(one.wiring, "rts")
        radio = one.driver(CHANNEL_LINE, one.radio.address, port=port, ptt="rts")
        radio.open()
        radio.set_channel(4)
        assert one.wiring.unit.channel == 4
        assert b"CH=04\r\n" in one.sent
        radio.close()


@pytest.mark.parametrize("output", ["rts", "dtr"])
@pytest.mark.parametrize("sense", [None, "cts", "dsr"])
def test_a_control_line_keys_and_is_low_before_the_port_is_open(output, sense):
    """The unit is never keyed by opening or closing the port; RTS or DTR raised keys it.

    Measured through a pyserial port whose control lines are wired to the unit: a pseudo-terminal has none (see the next test).
    """
    with rig(CHANNEL_LINE) as one:
        keyed: list[bool] = []

        class Watched(port_with_key_line(one.wiring, output)):  # type: ignore[misc]
            def _drive(self, raised):
                super()._drive(raised)
                keyed.append(one.wiring.unit.keyed)

        radio = one.driver(CHANNEL_LINE, one.radio.address, port=Watched, ptt=output, sense=sense)
        radio.open()
        assert keyed
        assert not any(keyed)
        radio.key()
        assert one.wiring.unit.keyed
        assert radio.read_keyed()
        assert f"{output.upper()} raised".encode() in one.sent
        radio.close()
        assert not one.wiring.unit.keyed


def test_the_port_with_key_lines_would_show_a_port_opened_the_usual_way():
    """The stand-in can fail: a port opened as pyserial opens it by itself keys the unit."""
    with rig() as one:
        port = port_with_key_line(one.wiring, "rts")(one.radio.address)
        assert one.wiring.unit.keyed
        port.close()
        assert not one.wiring.unit.keyed


def test_a_port_without_control_lines_says_so():
    """A pseudo-terminal has no RTS; asking for it is Refused with what to do, not a crash."""
    with rig() as one:
        radio = one.driver(LINE, one.radio.address, ptt="rts")
        with pytest.raises(Refused, match=r"RTS cannot be set on .*ptt: command"):
            radio.open()


def test_pyserials_own_loop_senses_what_is_driven():
    """pyserial's loop:// port ties RTS to CTS and DTR to DSR (its documentation): what we drive is what it senses."""
    profile = TextProfile(
        profile="loop", role="radio", source="test",
        commands={"channel": TextCommand(set="CH={number}", query="CH=1", pattern=r"^CH=(\d)$")},
    )  # fmt: skip
    line = make_line("loop://", profile, name="radio", serial_class=LoopPort)
    radio = TextRadio(
        line,
        profile,
        RealClock(),
        name="radio",
        address="loop://",
        timeout_s=TIMEOUT_S,
        ptt="rts",
        sense="cts",
    )
    radio.open()  # proved by the loop's own repetition of "CH=1"
    assert not radio.read_keyed()
    radio.key()
    assert radio.read_keyed()
    radio.unkey()
    assert not radio.read_keyed()
    radio.close()


def test_a_key_that_is_driven_and_not_sensed_is_not_confirmed():
    """A sensing line that stays low while RTS is raised is NotConfirmed."""
    with rig(CHANNEL_LINE) as one:
        port = port_with_key_line(one.wiring, "rts")
        radio = one.driver(CHANNEL_LINE, one.radio.address, port=port, ptt="dtr", sense="cts")
        radio.open()
        with pytest.raises(NotConfirmed, match="key was set to on and reads back the other"):
            radio.key()
        radio.close()


def test_a_port_that_is_not_there_and_one_that_vanishes():
    """No device is ConnectFailed; a device whose other end closes is ConnectionLost; both name the device."""
    radio = Rig(LINE, "/dev/no-such-port", make_wiring(), TextRadioLanguage(make_wiring())).radio
    with pytest.raises(ConnectFailed, match="/dev/no-such-port"):
        radio.open()
    ours, theirs = os.openpty()
    line = make_line(os.ttyname(theirs), LINE, name="radio")
    line.open()
    os.close(theirs)
    os.close(ours)
    with pytest.raises(ConnectionLost, match="unplugged"):
        line.read_some(0.1)
    line.close()


def test_a_socket_that_nobody_answers_or_that_hangs_up():
    """No listener is ConnectFailed, also where a connection that has ended cannot be opened again."""
    wiring = make_wiring()
    with TextRadioOnSocket(TextRadioLanguage(wiring)) as served:
        one = Rig(LINE, served.address, wiring, TextRadioLanguage(wiring))
        one.radio.open()
    with pytest.raises(ConnectFailed, match="no connection to 127"):
        one.radio.set_channel(3)
    with pytest.raises(ConnectFailed, match="no connection to 127"):
        one.radio.open()


class _ClosesWhenIdle:
    """A plain socket server of one radio that answers as many lines as each connection is given, and then hangs up."""

    def __init__(self, *connections: tuple[int, str]) -> None:
        self.heard: list[str] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP0::127.0.0.1::{self._server.getsockname()[1]}::SOCKET"
        self._thread = threading.Thread(target=self._serve, args=(connections,), daemon=True)
        self.closed = threading.Semaphore(0)
        self._thread.start()

    def _serve(self, connections: tuple[tuple[int, str], ...]) -> None:
        state = {"CH": "01", "KEY": "OFF"}
        for lines, name in connections:
            peer, _ = self._server.accept()
            with peer:
                for _ in range(lines):
                    asked = b""
                    while not asked.endswith(b"\r") and (more := peer.recv(1)):
                        asked += more
                    if not asked:
                        break
                    self.heard.append(said := asked.decode().strip())
                    peer.sendall(self._answer(said, state, name).encode() + b"\r")
            self.closed.release()
        self._server.close()

    @staticmethod
    def _answer(said: str, state: dict[str, str], name: str) -> str:
        if said == "ID?":
            return f"ID {name}"
        word, _, content = said.partition(" ")
        if word.endswith("?"):
            return f"{word[:-1]} {state[word[:-1]]}"
        state[word] = content
        return "OK"


IDLE = TextProfile(
    profile="idle",
    role="radio",
    source="invented for this test",
    commands={
        "identity": TextCommand(query="ID?", pattern="^ID (.*)$"),
        "channel": TextCommand(set="CH {number}", query="CH?", pattern="^CH (.*)$", reply="^OK$", digits=2),
        "key": TextCommand(
            set="KEY {text}",
            query="KEY?",
            pattern="^KEY (.*)$",
            reply="^OK$",
            words={"on": "ON", "off": "OFF"},
        ),
    },
)
OPENING = 3  # key released, read back, identity


def test_a_connection_closed_while_idle_is_opened_again_proved_and_used():
    """Whoever serves a radio may hang up on a line that is quiet: the next setting opens it again, asks who is there, and is sent once."""
    served = _ClosesWhenIdle((OPENING, "Hollinbrook M40 7"), (20, "Hollinbrook M40 7"))
    one = Rig(IDLE, served.address, make_wiring(), TextRadioLanguage(make_wiring()))
    one.radio.open()
    assert served.closed.acquire(timeout=10)
    one.radio.set_channel(20)
    one.radio.unkey()
    one.radio.close()
    assert served.heard[OPENING:] == ["ID?", "CH 20", "CH?", "KEY OFF", "KEY?"]


def test_another_radio_behind_a_connection_opened_again_is_not_spoken_to():
    """Who answers otherwise than before gets no setting."""
    served = _ClosesWhenIdle((OPENING, "Hollinbrook M40 7"), (20, "Hollinbrook M40 8"))
    one = Rig(IDLE, served.address, make_wiring(), TextRadioLanguage(make_wiring()))
    one.radio.open()
    assert served.closed.acquire(timeout=10)
    with pytest.raises(ConnectFailed, match="opened again it is another one"):
        one.radio.set_channel(20)
    one.radio.close()
    assert served.heard[OPENING:] == ["ID?"]


def test_two_programs_cannot_have_one_port():
    """A port that is open is refused to a second opener (POSIX: TIOCEXCL and a lock, by pyserial)."""
    with rig() as one:
        one.radio.open()
        with pytest.raises(ConnectFailed, match="no other program"):
            one.driver(LINE, one.radio.address).open()


SCRAPS = st.lists(
    st.sampled_from(
        [b"OK", b"CH=005", b"CH=5", b"CH=006", b"NO x", b"\r", b"\xff", b" ", b"O", b"K", b"CH="]
    ),
    max_size=5,
).map(b"".join)


@given(SCRAPS, SCRAPS)
def test_no_noise_on_the_line_is_taken_for_a_channel(after_setting, after_query):
    """A channel counts as set only where the first line said OK and the second named it, whatever scraps come."""

    class NoisyLine:
        def __init__(self):
            self.answers = [after_setting, after_query]
            self.left = b""

        def write(self, content):
            self.left = self.answers.pop(0)

        def read_some(self, within_s):
            some, self.left = self.left, b""
            return some

    radio = TextRadio(
        NoisyLine(), LINE, RealClock(), name="radio", address="noise", timeout_s=0.002,  # type: ignore[arg-type]
    )  # fmt: skip
    with contextlib.suppress(InstrumentFault):
        radio.set_channel(5)
        first, _, _ = after_setting.partition(b"\r")
        second, _, _ = after_query.partition(b"\r")
        assert first.strip() == b"OK"
        assert second.strip() in (b"CH=5", b"CH=005")
        event("accepted")


def test_the_reader_never_holds_more_than_a_line():
    """A line without an end is given up at 4096 bytes, and what was held can be dropped."""

    class Endless:
        def read_some(self, within_s):
            return b"x" * 1000

    reader = LineReader(Endless(), b"\r")  # type: ignore[arg-type]
    assert reader.read(5.0) is None
    assert len(reader.drop(0.0)) <= 8192


@pytest.mark.parametrize("name", ["hollinbrook-line", "hollinbrook-channel-line"])
def test_the_shipped_text_profiles_are_sound(name):
    """A shipped profile has no faults."""
    assert list(find_text_faults(shipped(name))) == []


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (
            {"key": TextCommand(set="TX={text}", reply="OK", words={"on": "1"})},
            "(push-to-talk) are not on and off",
        ),
        ({"channel": TextCommand(set="CH={nmber}", reply="OK")}, "does not have the place it needs"),
        ({"channel": TextCommand(set="CH={number", reply="OK")}, "unmatched brace"),
        ({"channel": TextCommand(set="CH={number}")}, "neither answered nor can be asked"),
        ({"channel": TextCommand(set="CH={number}", query="CH?", pattern="(")}, "not a regular expression"),
        ({"channel": TextCommand(set="CH={number}", query="CH?", pattern="a")}, "pattern has 0 groups"),
        ({"channel": TextCommand(set="CH={number}\r", reply="OK")}, "not printable ASCII"),
        ({"volume": TextCommand(set="VO={number}", reply="OK")}, "unknown command 'volume'"),
    ],
)
def test_what_is_wrong_with_a_text_profile_is_named(changed, said):
    """Each fault of a profile is found before a byte is sent."""
    profile = replace(LINE, commands={**LINE.commands, **changed})
    assert any(said in found for _, found, _ in find_text_faults(profile))


def test_a_radio_served_to_many_threads_is_one_radio():
    """The simulated radio answers lines one at a time, whoever asks."""
    wiring = make_wiring()
    language = TextRadioLanguage(wiring, faults=TextFaults())
    answers: list[str] = []
    threads = [
        threading.Thread(target=lambda n=n: answers.append(language.answer(f"CH={n}"))) for n in range(1, 9)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert answers == ["OK"] * 8
