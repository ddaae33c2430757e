"""SCPI messages and replies.

Outside sources: IEEE 488.2 and SCPI-1999 as collected, from memory, in the project's references; Python's own
float and struct as independent readers; pyvisa's block header parser as an independent implementation.
"""

from __future__ import annotations

import math
import re
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyvisa.util import to_ieee_block

from drivers.link import scpi
from drivers.roles import Identity, RangeState

FINITE = st.floats(min_value=-9.89e37, max_value=9.89e37, allow_nan=False)
PRINTABLE = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60)
NR3 = re.compile(r"-?\d(\.\d+)?E[+-]\d+")


@given(FINITE)
def test_a_number_is_nr3_and_reads_back_as_the_same_float(quantity: float) -> None:
    """What is sent has the NR3 form, no suffix, and loses nothing, by Python's float and by our own
    reader.
    """
    text = scpi.number(quantity)
    assert NR3.fullmatch(text)
    assert float(text) == quantity
    assert scpi.parse_number(text) == quantity


@pytest.mark.parametrize(
    ("quantity", "text"), [(100e6, "1E+8"), (27.185e6, "2.7185E+7"), (-113, "-1.13E+2"), (0.0, "0E+0")]
)
def test_numbers_a_bench_sends(quantity: float, text: str) -> None:
    """Frequencies and levels come out short and in base units."""
    assert scpi.number(quantity) == text


@pytest.mark.parametrize("quantity", [math.nan, math.inf, -math.inf, 9.9e37, -9.91e37, 1e300, True])
def test_special_values_are_never_sent(quantity: float) -> None:
    """A number that means "infinite" or "not a number" to the instrument, and a boolean, are refused."""
    with pytest.raises(ValueError, match="cannot be sent as a SCPI number"):
        scpi.number(quantity)


@pytest.mark.parametrize(
    ("reply", "state"),
    [
        ("9.91E37", RangeState.NO_MEASUREMENT),
        ("+9.910000E+37", RangeState.NO_MEASUREMENT),
        ("9.9100001E37", RangeState.NO_MEASUREMENT),
        ("9.90999974E+37", RangeState.NO_MEASUREMENT),
        ("9.9E37", RangeState.OVER_RANGE),
        ("+9.90000000E+37", RangeState.OVER_RANGE),
        ("9.89999996E+37", RangeState.OVER_RANGE),
        ("1E38", RangeState.OVER_RANGE),
        ("1E999", RangeState.OVER_RANGE),
        ("-9.9E37", RangeState.UNDER_RANGE),
        ("-9.91E37", RangeState.UNDER_RANGE),
        ("-1E999", RangeState.UNDER_RANGE),
    ],
)
def test_special_values_become_a_state_without_a_number(reply: str, state: RangeState) -> None:
    """9.91E37, 9.9E37 and -9.9E37 (SCPI-1999 volume 1, 7.2.1.5, from memory), also in single precision, are
    no numbers.
    """
    reading = scpi.parse_reading(reply)
    assert (reading.number, reading.state, reading.raw) == (None, state, reply)


@given(st.sampled_from([9.91e37, 9.9e37, -9.9e37]), st.integers(min_value=6, max_value=17))
def test_special_values_survive_single_precision_and_rounding(special: float, digits: int) -> None:
    """An instrument that computes in single precision and prints any number of digits still means the
    special value.
    """
    single = struct.unpack("f", struct.pack("f", special))[0]
    expected = scpi.parse_reading(f"{special:E}").state
    assert scpi.parse_reading(f"{single:.{digits}E}").state is expected
    assert scpi.parse_reading(f"{special:.{digits}E}").state is expected


@pytest.mark.parametrize(
    ("reply", "quantity"),
    [
        ("-12", -12.0),
        ("1.50", 1.5),
        ("+1.5E+03", 1500.0),
        ("1.5 E +3", 1500.0),
        (".5", 0.5),
        ("5.", 5.0),
        (" 7 ", 7.0),
    ],
)
def test_nr1_nr2_and_nr3_are_numbers(reply: str, quantity: float) -> None:
    """The three forms of IEEE 488.2 (8.7.2 to 8.7.4, from memory) read as Python reads them."""
    assert scpi.parse_reading(reply).number == quantity


@pytest.mark.parametrize(
    "reply",
    [
        "",
        "nan",
        "inf",
        "-Infinity",
        "1_000",
        "1,5",
        "1.0 HZ",
        "1E",
        "E5",
        "--1",
        "0x10",
        "١٢",
        "1;2",
        "1" * 300,
    ],
)
def test_what_is_no_number_is_a_wrong_reply(reply: str) -> None:
    """Everything float() might still swallow, a unit, a list, or a line of 300 digits is refused."""
    for parse in (scpi.parse_reading, scpi.parse_number, scpi.parse_integer):
        with pytest.raises(scpi.WrongReply, match="expected"):
            parse(reply)


@given(st.text(max_size=40))
def test_no_text_gives_anything_but_a_reading_or_a_wrong_reply(reply: str) -> None:
    """Garbage never raises anything else, and a number that comes out is finite and below the special
    values.
    """
    try:
        reading = scpi.parse_reading(reply)
    except scpi.WrongReply:
        return
    if reading.number is not None:
        assert abs(reading.number) < 9.9e37
    assert (reading.number is None) == (reading.state is not RangeState.IN_RANGE)


def test_a_setting_read_back_must_be_a_number() -> None:
    """A special value is no read-back."""
    with pytest.raises(scpi.WrongReply, match="not a special value"):
        scpi.parse_number("9.9E37")


@pytest.mark.parametrize(
    ("reply", "whole"), [("1", 1), ("+0", 0), ("-222", -222), ("1.0E+2", 100), (" 3\t", 3)]
)
def test_whole_numbers(reply: str, whole: int) -> None:
    """NR1, and NR3 without a fraction, are whole numbers."""
    assert scpi.parse_integer(reply) == whole


@pytest.mark.parametrize("reply", ["1.5", "9.9E37", "9.91E37", "1E16", "ON"])
def test_what_is_no_whole_number_is_refused(reply: str) -> None:
    """A fraction, a special value or a number beyond exact floats is no count."""
    with pytest.raises(scpi.WrongReply):
        scpi.parse_integer(reply)


@pytest.mark.parametrize(
    ("reply", "on"),
    [
        *(("1", True), ("0", False), ("+1", True), ("on", True), ("OFF ", False)),
        *(("+0.0E+00", False), ("0.00", False), ("+1.000E+00", True), (" -0", False)),
    ],
)
def test_booleans(reply: str, on: bool) -> None:
    """1 and 0 as the standard answers, however the number is written, ON and OFF as some instruments do."""
    assert scpi.parse_boolean(reply) is on
    assert scpi.parse_boolean(scpi.boolean(on)) is on


@pytest.mark.parametrize("reply", ["", "2", "-1", "TRUE", "1,0", "9.9E37"])
def test_what_is_no_boolean_is_refused(reply: str) -> None:
    """A doubtful switch position is never taken for off."""
    with pytest.raises(scpi.WrongReply, match="boolean"):
        scpi.parse_boolean(reply)


@given(PRINTABLE)
def test_strings_round_trip(text: str) -> None:
    """String data reads back whatever quotes it holds."""
    assert scpi.parse_string(scpi.string(text)) == text
    assert scpi.parse_string("'" + text.replace("'", "''") + "'") == text


@pytest.mark.parametrize("reply", ["", '"', "bare", '"open', '"a"b"', "'a\""])
def test_what_is_no_string_is_refused(reply: str) -> None:
    """A missing or stray quote is a wrong reply."""
    with pytest.raises(scpi.WrongReply, match="quoted string"):
        scpi.parse_string(reply)


@pytest.mark.parametrize("text", ["line\nbreak", "µV", "\x07"])
def test_strings_that_cannot_travel_are_refused(text: str) -> None:
    """Only printable ASCII is sent."""
    with pytest.raises(ValueError, match="printable ASCII"):
        scpi.string(text)


def test_lists_split_outside_quotes_only() -> None:
    """A comma inside a string belongs to the string."""
    assert scpi.split_list('1, "a,b",\'c,""\'') == ["1", '"a,b"', "'c,\"\"'"]
    with pytest.raises(scpi.WrongReply, match="no element empty"):
        scpi.split_list("1,,2")


@given(st.lists(PRINTABLE.map(scpi.string), min_size=1, max_size=6))
def test_a_list_of_strings_round_trips(strings: list[str]) -> None:
    """Splitting undoes joining, whatever the strings hold."""
    assert scpi.split_list(",".join(strings)) == strings


def test_a_command_is_a_header_and_parameters() -> None:
    """Numbers go as NR3, booleans as digits, text as it stands."""
    assert scpi.command(":FREQ", 1e8) == ":FREQ 1E+8"
    assert scpi.command(":OUTP", True) == ":OUTP 1"
    assert scpi.command(":SENS:FUNC", scpi.string("FM;AM")) == ':SENS:FUNC "FM;AM"'
    assert scpi.command("*RST") == "*RST"


@pytest.mark.parametrize("header", ["", "FREQ 1", "*", "FREQ\n", ":", "FREQ;POW", "FR?Q", "µ"])
def test_malformed_headers_are_refused(header: str) -> None:
    """A header with a space, a separator or a terminator in it could say something else."""
    with pytest.raises(ValueError, match="not a SCPI header"):
        scpi.command(header)


@pytest.mark.parametrize("parameter", ["", "INT;:OUTP ON", "INT\n", "µV"])
def test_parameters_that_would_end_the_unit_are_refused(parameter: str) -> None:
    """Text from a file cannot smuggle in a second command."""
    with pytest.raises(ValueError, match="cannot be a SCPI parameter"):
        scpi.command(":FM:SOUR", parameter)


def test_units_are_joined_from_the_root() -> None:
    """``SOUR:FREQ 1E8;OUTP ON`` is -113, ``;:OUTP ON`` is right (SCPI-1999 volume 1, 6.2.4, from memory)."""
    assert scpi.join("SOUR:FREQ 1E8", "OUTP ON", ":POW?", "*OPC?") == "SOUR:FREQ 1E8;:OUTP ON;:POW?;*OPC?"
    with pytest.raises(ValueError, match="empty unit"):
        scpi.join(":FREQ 1", "")
    with pytest.raises(ValueError, match="last question"):
        scpi.join("*IDN?", ":FREQ?")


def test_a_question_mark_inside_quotes_asks_nothing() -> None:
    """Only a question mark outside quotes makes an answer."""
    assert scpi.asks(":FREQ?")
    assert scpi.asks(':DISP "really?";:FREQ?')
    assert not scpi.asks(':DISP "really?"')
    assert not scpi.asks(":FREQ 1E8")


def test_identity_has_four_fields() -> None:
    """IEEE 488.2, 10.14 (from memory): maker, model, serial (0 if unknown), firmware."""
    assert scpi.parse_identity("Invented, Siggen,,1.0,b") == Identity(
        maker="Invented", model="Siggen", serial="0", firmware="1.0,b"
    )
    assert scpi.is_whole_identity("Invented, Siggen,,1.0,b")


@pytest.mark.parametrize(
    ("reply", "maker", "model"),
    [
        ("", "", ""),
        ("WENDELMOOR", "WENDELMOOR", ""),
        ("Wendelmoor,RB,1", "Wendelmoor", "RB"),
        (",b,c,d", "", "b"),
    ],
)
def test_an_identity_with_less_than_the_standard_asks_is_taken_and_proves_nothing_alone(
    reply: str, maker: str, model: str
) -> None:
    """Three fields, one word or nothing name an instrument poorly; the link then asks for more proof."""
    found = scpi.parse_identity(reply)
    assert (found.maker, found.model) == (maker, model)
    assert not scpi.is_whole_identity(reply)


@pytest.mark.parametrize("reply", ["1.0", "2.72E+7", "login:", "bench>"])
def test_what_identifies_nobody_is_refused(reply: str) -> None:
    """A number is the answer to another question, a prompt that of a port for people."""
    with pytest.raises(scpi.WrongReply, match="who it is"):
        scpi.parse_identity(reply)


@pytest.mark.parametrize(
    ("reply", "code", "text"),
    [
        ('-222,"Data out of range"', -222, "Data out of range"),
        ('+0,"No error"', 0, "No error"),
        ("0,'No error'", 0, "No error"),
        ("-113,Undefined header", -113, "Undefined header"),
        ('-113, "Undefined header;""FRQ"""', -113, 'Undefined header;"FRQ"'),
    ],
)
def test_error_entries(reply: str, code: int, text: str) -> None:
    """An entry is a code and a text, and false when the queue is empty."""
    entry = scpi.parse_error(reply)
    assert (entry.code, entry.text, bool(entry)) == (code, text, code != 0)


@pytest.mark.parametrize("reply", ["", "0", "No error", '1.5,"x"', '-222,"open', '9.9E37,"x"'])
def test_what_is_no_error_entry_is_refused(reply: str) -> None:
    """A measured value, or half an entry, is not taken for an empty queue."""
    with pytest.raises(scpi.WrongReply):
        scpi.parse_error(reply)


@given(st.binary(max_size=2000))
def test_the_start_and_length_of_a_block_are_those_that_pyvisa_finds(content: bytes) -> None:
    """Of a block that pyvisa writes, our reading of the header finds the content, whatever it holds."""
    block = to_ieee_block(content, "B")
    digits = scpi.parse_block_digits(block[:2])
    length = scpi.parse_block_length(block[2 : 2 + digits])
    assert block[2 + digits : 2 + digits + length] == content


@pytest.mark.parametrize("head", [b"", b"#", b"#0", b"15", b"#x", b"##"])
def test_what_does_not_begin_a_block_is_refused(head: bytes) -> None:
    """IEEE 488.2, 8.7.9: a definite-length block begins with # and a digit from 1 to 9, how many digits follow."""
    with pytest.raises(scpi.WrongReply):
        scpi.parse_block_digits(head)
    assert scpi.parse_block_digits(b"#1") == 1


def test_the_length_of_a_block_is_digits() -> None:
    """Anything but digits for a length is refused."""
    assert scpi.parse_block_length(b"0512") == 512
    for digits in (b"", b"x1", b"-1", b"1 "):
        with pytest.raises(scpi.WrongReply):
            scpi.parse_block_length(digits)


def test_a_wrong_reply_is_shown_short() -> None:
    """A long garbage reply does not flood the screen."""
    with pytest.raises(scpi.WrongReply) as caught:
        scpi.parse_number("x" * 5000)
    assert len(str(caught.value)) < 200
    assert len(caught.value.reply) == 5000
