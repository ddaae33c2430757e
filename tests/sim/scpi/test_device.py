"""How instruments are declared, and laws that hold for every message."""

from __future__ import annotations

import math
import textwrap

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sim.scpi.device
from sim.clock import VirtualClock
from sim.scpi.device import Boolean, Later, NotYet, Number, ScpiDevice, ScpiError, command, setting

FRAGMENTS = [
    *(
        "FREQ",
        "SOUR",
        ":",
        ";",
        ",",
        "?",
        " ",
        "\n",
        "#",
        "#15",
        "#0",
        "#H",
        '"',
        "'",
        "(@1:3)",
        "(",
        ")",
        "@",
        "*IDN?",
    ),
    *(
        "*OPC?",
        "MEAS:POW?",
        "OUTP",
        "ON",
        "MAX",
        "1E9",
        "E",
        "-",
        ".",
        "MHZ",
        "FM:INT",
        "2",
        "TRAC",
        "ROUT:CLOS",
    ),
    *(
        "SENS:FUNC",
        "*RST",
        "*CLS",
        "*WAI",
        "STAT:OPER:ENAB",
        "\x00",
        "\r",
        "\xff",
        "HANG?",
        "SYST:ERR:ALL?",
        "99999999",
    ),
]
messages = st.one_of(
    st.binary(max_size=40),
    st.lists(st.sampled_from(FRAGMENTS), max_size=14).map(lambda f: "".join(f).encode("latin-1")),
)


def settle(device: ScpiDevice) -> bytes | None:
    """Read the answer, letting time pass as far as it takes; None where none comes."""
    for _ in range(1000):
        answer = device.output()
        if not isinstance(answer, NotYet):
            return answer
        if math.isinf(answer.ready_at_s):
            return None
        device.clock.wait_s(max(0.0, answer.ready_at_s - device.clock.now_s()))
    raise AssertionError("the device is never ready")


@given(sent=st.lists(messages, max_size=5))
@settings(max_examples=400, deadline=None)
def test_no_message_makes_it_raise_or_hang(specimen_class, sent) -> None:
    """Whatever is sent, every answer ends in NL, and after a device clear and *CLS it is as good as new."""
    device = specimen_class(VirtualClock())
    for message in sent:
        device.input(message)
        answer = settle(device)
        assert answer is None or answer.endswith(b"\n")
    device.clear()
    device.input(b"*CLS;*RST;:FREQ?;:SYST:ERR?")
    assert settle(device) == b'1.000000000E+08;0,"No error"\n'


@given(frequency_hz=st.floats(100e3, 1e9))
def test_setting_reads_back_what_was_sent(specimen_class, frequency_hz) -> None:
    """Within its range a number sent in NR3 reads back within half a step of the resolution (0.01 Hz) and ten
    digits.
    """
    device = specimen_class(VirtualClock())
    device.input(b"FREQ %.12E;FREQ?" % frequency_hz)
    assert float(settle(device)) == pytest.approx(frequency_hz, rel=1e-9, abs=0.0051)


@given(
    text=st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=200),
    quote=st.sampled_from("\"'"),
)
def test_string_survives_quoting(specimen_class, text, quote) -> None:
    """Any printable string comes back, whichever quote it was sent in (IEEE 488.2 7.7.5: doubled to quote,
    recalled).
    """
    device = specimen_class(VirtualClock())
    doubled = text.replace(quote, quote * 2)
    device.input(f"SENS:FUNC {quote}{doubled}{quote};FUNC?".encode())
    answer = settle(device).decode()
    assert answer[1:-2].replace('""', '"') == text


@given(content=st.binary(max_size=100))
def test_block_survives(specimen_class, content) -> None:
    """Any bytes come back in a definite block (IEEE 488.2 7.7.6 and 8.7.9, recalled)."""
    device = specimen_class(VirtualClock())
    head = f"#{len(str(len(content)))}{len(content)}".encode()
    device.input(b"TRAC " + head + content + b";TRAC?")
    assert settle(device) == head + content + b"\n"


def test_example_of_the_module_works() -> None:
    """The complete example in the docstring of sim/scpi/device.py runs and answers as it says."""
    text = sim.scpi.device.__doc__.split("A complete example:")[1].split("Pattern:")[0]
    names = {"VirtualClock": VirtualClock}
    exec(textwrap.dedent(text), names)
    supply = names["supply"]
    supply.input(b"MEAS:CURR?")
    supply.clock.wait_s(0.02)
    assert supply.output() == b"1.200000000E+00\n"
    supply.input(b"VOLT 30;:MEAS:CURR? MAX;:STAT:QUES:COND?;:SENS:SOUR EXT;:VOLT 16;:SYST:ERR?")
    supply.clock.wait_s(0.02)
    assert supply.output().startswith(b"3.000000000E+00;0;-221,")


def test_command_declared_twice_is_refused() -> None:
    """Two commands of one class on one path are refused when the class is made, by pattern."""
    with pytest.raises(ValueError, match="declared twice"):

        class Twice(ScpiDevice):
            """Declares the same thing twice."""

            first = setting(":FREQuency[:CW]", Number(default=1))
            second = setting(":FREQuency", Number(default=1))


@pytest.mark.parametrize("pattern", ["", "[:FREQuency", "FREQ uency", "[:A]", ":FREQuency]"])
def test_unreadable_pattern_is_refused(pattern) -> None:
    """A pattern that cannot be read is refused, and the text shows it."""
    with pytest.raises(ValueError, match="command pattern"):
        setting(pattern, Number(default=1)).declare(sim.scpi.device.Tree(), replace=False)


def test_setting_without_default_is_refused() -> None:
    """A setting must say what it is after *RST."""
    with pytest.raises(TypeError, match="default"):
        setting(":FREQuency", Number("Hz"))


def test_subclass_overrides(specimen_class) -> None:
    """A subclass may override a handler by name, and declare a path of its base class anew."""

    class Other(specimen_class):
        """Answers READ? differently, and has another kind of output."""

        output_on = setting(":OUTPut[:STATe]", Boolean(default=True))

        def read(self) -> float:
            return 4.0

    device = Other(VirtualClock())
    device.input(b"READ?;OUTP?")
    assert settle(device) == b"4.000000000E+00;1\n"


def test_programming_error_is_not_hidden(specimen_class) -> None:
    """A defect in a handler comes out, and the device goes on after it."""

    class Broken(specimen_class):
        """Has a defect."""

        def read(self) -> float:
            raise ZeroDivisionError

    device = Broken(VirtualClock())
    with pytest.raises(ZeroDivisionError):
        device.input(b"READ?")
    device.input(b"*CLS;OUTP?")
    assert settle(device) == b"0\n"


def test_answers_of_every_type() -> None:
    """int is NR1, float NR3, bool 1 or 0, bytes a block, a sequence has commas, infinities are 9.9E37
    (SCPI-1999, 7.2).
    """

    class Answers(ScpiDevice):
        """Answers with every type."""

        @command(":ALL?")
        def all(self) -> list[object]:
            """Answer with everything."""
            return [1, 1.5, True, b"ab", "WORD", math.inf, -math.inf, math.nan]

    device = Answers(VirtualClock())
    device.input(b"ALL?")
    assert settle(device) == b"1,1.500000000E+00,1,#12ab,WORD,9.9E+37,-9.9E+37,9.91E+37\n"


def test_condition_hooks_latch_events() -> None:
    """Bits from the hooks are sampled after every command, so that their events latch; a later answer may
    wait again.
    """

    class Watched(ScpiDevice):
        """Has a condition of its own, and an answer in two stages."""

        hot = setting(":HOT", Boolean(default=False))

        def questionable_condition(self) -> int:
            """TEMPerature is bit 4 of QUEStionable (SCPI-1999 volume 1, 9, as instruments' published manuals repeat it)."""
            return 16 * self.hot

        @command(":STAGes?")
        def stages(self) -> Later:
            """Take one second, then two more."""
            return Later(1, lambda: Later(2, 7))

        @command(":CONFlict?")
        def conflict(self) -> Later:
            """Fail after a second."""
            return Later(1, self._conflict)

        def _conflict(self) -> None:
            raise ScpiError(-221)

    device = Watched(VirtualClock())
    device.input(b"HOT ON;HOT OFF;:STAT:QUES?;:STAGES?")
    assert settle(device) == b"16;7\n"
    assert device.clock.now_s() == pytest.approx(3)
    device.input(b"CONF?")
    assert settle(device) is None
    device.input(b"SYST:ERR?")
    assert settle(device) == b'-221,"Settings conflict"\n'
