"""Quantities as text: what is read, what is refused and with which words.

Spelling follows the SI brochure (9th edition, 3 and 5.2): prefix symbols and their case.
"""

import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from sequencer.units.parse import DIMENSIONS, LEVEL, QuantityError, parse_quantity, quantity_pattern


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        ("-113 dBm", "level", -113.0),
        ("-113dBm", "level", -113.0),
        ("\u2212113 dBm", "level", -113.0),
        ("+13 dBm", "level", 13.0),
        ("6 dBuV emf", "level", -107.0103),
        ("6 dB\u00b5V emf", "level", -107.0103),
        ("6 dB\u03bcV(emf)", "level", -107.0103),
        ("0 dBuV pd", "level", -106.9897),
        ("50 uV pd", "level", -73.0103),
        ("100 \u00b5V emf", "level", -73.0103),
        ("100uVemf", "level", -73.0103),
        ("50 mV pd", "level", -13.0103),
        ("4 W", "level", 36.0206),
        ("1 mW", "level", 0.0),
        ("27.60125 MHz", "frequency", 27_601_250.0),
        ("27601.25 kHz", "frequency", 27_601_250.0),
        ("2.4 GHz", "frequency", 2.4e9),
        ("-600 Hz", "frequency difference", -600.0),
        ("0.1 ppm", "relative", 0.1),
        ("100 ppb", "relative", 0.1),
        ("12 dB", "ratio", 12.0),
        (".5 dB", "ratio", 0.5),
        ("60 %", "percent", 60.0),
        ("60 percent", "percent", 60.0),
        ("4 W", "power", 4.0),
        ("250 nW", "power", 250e-9),
        ("30 dBm", "power", 1.0),
        ("13.2 V", "voltage", 13.2),
        ("7 \u00b5V", "voltage", 7e-6),
        ("-3 mA", "current", -0.003),
        ("30 ms", "time", 0.03),
        ("750 us", "time", 750e-6),
        ("2 min", "time", 120.0),
        ("23 °C", "temperature", 23.0),
        ("23degC", "temperature", 23.0),
        ("-10 \u2103", "temperature", -10.0),
        ("8 ohm", "resistance", 8.0),
        ("8 \u2126", "resistance", 8.0),
        ("1 k\u03a9", "resistance", 1000.0),
        ("1e3 Hz", "frequency", 1000.0),
        ("  12\u00a0dB ", "ratio", 12.0),
    ],
)
def test_quantities_are_read(text, dimension, expected):
    """Text with a unit of its dimension gives the number in the kept unit, however µ, Ω and − are typed."""
    assert parse_quantity(text, dimension) == pytest.approx(expected, abs=5e-5 if dimension == "level" else 0)


@pytest.mark.parametrize(
    ("text", "dimension", "said"),
    [
        ("27.185", "frequency", "has no unit"),
        ("27.185", "frequency", "as in '27.185 MHz' or '27.185 Hz'"),
        ("27185000", "frequency", "as in '27185000 Hz' or"),
        ("20", "time", "as in '20 s' or '20 ms'"),
        ("600", "frequency difference", "as in '600 Hz'"),
        ("-73", "level", "as in '-73 dBm'"),
        ("60", "percent", "as in '60 %'"),
        ("27 mhz", "frequency", "did you mean MHz?"),
        ("27 KHz", "frequency", "did you mean kHz?"),
        ("4 MW", "power", "M is mega, m is milli"),
        ("4 w", "power", "did you mean W?"),
        ("0.35 uV", "level", "is it emf or pd?"),
        ("6 dBuV", "level", "is it emf or pd?"),
        ("6 dB\u00b5V", "level", "is it emf or pd?"),
        ("12 dB", "level", "dB is a ratio"),
        ("0 W", "level", "finite number above 0"),
        ("4 W", "voltage", "'W' is for a power"),
        ("-113 dbm", "level", "did you mean dBm?"),
        ("30 m", "time", "the millisecond ms"),
        ("30 sec", "time", "the second is written s"),
        ("-1 s", "time", "too small"),
        ("0 Hz", "frequency", "too small"),
        ("-1 W", "power", "too small"),
        ("-300 °C", "temperature", "too small"),
        ("23 C", "temperature", "C is coulomb"),
        ("3 %", "ratio", "power or of voltage"),
        ("nan dBm", "level", "a finite number is due"),
        ("inf Hz", "frequency", "a finite number is due"),
        ("1e999 Hz", "frequency", "a finite number is due"),
        ("1e9999 Hz", "frequency", "is not"),
        ("1,5 V", "voltage", "the decimal sign is a point"),
        ("1_000 Hz", "frequency", "without gaps"),
        ("27 185 kHz", "frequency", "without gaps"),
        ("10\u00b2 Hz", "frequency", "without gaps"),
        ("\u0661 Hz", "frequency", "does not start with a number"),
        ("\u201373 dBm", "level", "that is a dash"),
        ("", "time", "does not start with a number"),
        ("dBm", "level", "does not start with a number"),
        ("5 W PEP", "power", "unknown unit"),
        ("1 V" + " " * 100, "voltage", "at most 60 characters"),
        ("9" * 500 + " V", "voltage", "at most 60 characters"),
    ],
)
def test_refusals_say_what_is_wrong(text, dimension, said):
    """What is not the quantity that is due is refused with its reason, the units that do, and an example."""
    with pytest.raises(QuantityError, match=re.escape(said)) as caught:
        parse_quantity(text, dimension)
    assert DIMENSIONS[dimension].example in caught.value.allowed
    assert caught.value.found.rstrip("…") == text[:60]


def test_decimal_text_loses_nothing():
    """Every 10 kHz channel from text equals its integer number of hertz exactly, not a rounding beside it."""
    for khz in range(26_000, 28_000, 5):
        assert parse_quantity(f"{khz // 1000}.{khz % 1000:03d} MHz", "frequency") == khz * 1000


@given(
    number=st.decimals(min_value=-1000, max_value=1000, places=4),
    gap=st.sampled_from(["", " ", "\u00a0"]),
    unit=st.sampled_from(LEVEL.units),
)
def test_the_schema_pattern_accepts_what_is_read(number, gap, unit):
    """Whatever parse_quantity reads as a level, the JSON Schema pattern accepts as well."""
    text = f"{number}{gap}{unit}"
    try:
        parse_quantity(text, LEVEL)
    except QuantityError:
        return
    assert re.search(quantity_pattern(LEVEL), text)


@pytest.mark.parametrize("dimension", DIMENSIONS.values(), ids=DIMENSIONS)
def test_every_unit_and_example_is_read(dimension):
    """The example and each unit a complaint names are read, and match the schema's pattern."""
    for text in (dimension.example, *(f"1 {unit}" for unit in dimension.units)):
        parse_quantity(text, dimension)
        assert re.search(quantity_pattern(dimension), text)


@given(text=st.text(max_size=70), name=st.sampled_from(sorted(DIMENSIONS)))
@example(text="1e", name="time")
@example(text="(emf)", name="level")
def test_any_text_gives_a_finite_number_or_a_refusal(text, name):
    """No text whatever raises anything but QuantityError, or gives a number that is not finite."""
    try:
        number = parse_quantity(text, name)
    except QuantityError:
        return
    assert abs(number) < float("inf")
