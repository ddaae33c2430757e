"""Numbers on the screen. Source of the rounding: JCGM 100:2008 (GUM) 7.2.6, examples from memory."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.units.format import (
    counted,
    format_quantity,
    format_with_uncertainty,
    short_quantity,
    time_text,
    unit_of_difference,
)
from sequencer.units.parse import DIMENSIONS, parse_quantity


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (-113.04, "dBm", "-113.0 dBm"),
        (-0.01, "dBm", "0.0 dBm"),
        (0.423, "dB", "0.42 dB"),
        (27_601_250.0, "Hz", "27.60125 MHz"),
        (1000.0, "Hz", "1 kHz"),
        (-600.0, "Hz", "-600 Hz"),
        (3.99996, "W", "4 W"),
        (20e-6, "W", "20 µW"),
        (3.5e-7, "V", "350 nV"),
        (0.03, "s", "30 ms"),
        (0.0, "V", "0 V"),
        (999.96, "A", "1000 A"),
        (0.25, "S-unit", "0.25 S-unit"),
        (41.0, "", "41"),
    ],
)
def test_numbers_are_shown_with_sensible_digits(value, unit, text):
    """Each unit keeps its own digits and prefix, without closing zeros and without a negative zero."""
    assert format_quantity(value, unit) == text


@pytest.mark.parametrize(
    ("value", "expanded", "unit", "text"),
    [
        (10.05762, 0.027, "ohm", "(10.058 ± 0.027) ohm"),  # GUM 7.2.6 (from memory): 10.05762 with 27 mohm
        (-113.264, 0.8512, "dBm", "(-113.26 ± 0.85) dBm"),
        (27_185_000.4, 2.7, "Hz", "(27.1850004 ± 0.0000027) MHz"),
        (4.0123, 0.0996, "W", "(4.01 ± 0.10) W"),
        (1234.0, 123.0, "count", "(1230 ± 120) count"),
        (0.0, 0.5, "V", "(0 ± 500) mV"),
        (-0.001, 0.5, "dB", "(0.00 ± 0.50) dB"),
        (5.0, 0.0, "dB", "5.00 dB"),
    ],
)
def test_uncertainty_has_two_digits_and_the_value_the_same_place(value, expanded, unit, text):
    """The expanded uncertainty keeps two significant digits and the value stops at the same decimal place."""
    assert format_with_uncertainty(value, expanded, unit) == text


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_what_is_not_finite_is_not_shown(number):
    """NaN and infinity raise ValueError: they never reach a screen as numbers."""
    with pytest.raises(ValueError, match="finite"):
        format_quantity(number, "dBm")
    with pytest.raises(ValueError, match="finite"):
        format_with_uncertainty(1.0, number, "dBm")


def test_negative_uncertainty_is_refused():
    """A negative expanded uncertainty raises ValueError."""
    with pytest.raises(ValueError, match="0 or more"):
        format_with_uncertainty(1.0, -0.1, "dB")


@given(
    share=st.floats(min_value=0.0, max_value=1.0),
    dimension=st.sampled_from([DIMENSIONS[name] for name in ("voltage", "current", "time", "frequency")]),
)
def test_what_is_shown_is_read_back(share, dimension):
    """Reading what is shown returns the number to the digits shown, from a millionth of a thousandth up to the most that can be."""
    value, unit = min(1e-9 * (dimension.most / 1e-9) ** share, dimension.most), dimension.unit
    value = max(value, dimension.least)
    assert parse_quantity(format_quantity(value, unit), dimension) == pytest.approx(value, rel=6e-4)


@given(
    value=st.floats(allow_nan=False, allow_infinity=False), expanded=st.floats(min_value=0, max_value=1e300)
)
def test_any_pair_of_floats_can_be_shown(value, expanded):
    """No pair of finite numbers, however far apart, fails to be shown."""
    assert format_with_uncertainty(value, expanded, "V")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.4, "0.4 s"), (9.99, "10.0 s"), (61.2, "61 s"), (120.0, "2 min"), (7200.0, "2.0 h")],
)
def test_times_in_words(seconds: float, text: str) -> None:
    """A duration is said in the unit that suits it."""
    assert time_text(seconds) == text


@pytest.mark.parametrize(
    ("unit", "difference"), [("dBm", "dB"), ("dB", "dB"), ("W", "W"), ("Hz", "Hz"), ("", "")]
)
def test_two_levels_differ_by_decibels(unit: str, difference: str) -> None:
    """A difference of levels is in dB; of anything else in its own unit."""
    assert unit_of_difference(unit) == difference


@pytest.mark.parametrize(
    ("number", "text"), [(1, "1 confirmation"), (0, "0 confirmations"), (3, "3 confirmations")]
)
def test_one_and_several_are_told_apart(number, text):
    """A count is written with its noun in the right number, and with a plural of its own where there is one."""
    assert counted(number, "confirmation") == text
    assert counted(2, "change of cables", "changes of cables") == "2 changes of cables"


@pytest.mark.parametrize(
    ("value", "unit", "figures", "text"),
    [
        (3.1e-5, "V", 2, "31 µV"),
        (99.97, "V", 2, "100 V"),
        (1234.5, "Hz", 3, "1.23 kHz"),
        (1e6, "Hz", 3, "1 MHz"),
        (1.5, "s", 3, "1.5 s"),
        (0.00432, "s", 2, "4.3 ms"),
        (4.5e-5, "dB", 2, "0.000045 dB"),
        (-0.00012, "", 2, "-0.00012"),
        (0.0, "V", 2, "0 V"),
        (math.inf, "V", 2, "inf V"),
    ],
)
def test_a_sentence_has_few_figures_and_no_exponent(value: float, unit: str, figures: int, text: str) -> None:
    """Where a format of Python with so many digits would write 1e+02 or 3.1e-05."""
    assert short_quantity(value, unit, figures) == text
