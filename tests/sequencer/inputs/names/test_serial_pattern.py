"""Patterns of serials: as Python's own regular expressions match them, in bounded time, and refused where they make no sense."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.inputs.names.serial_pattern import LONGEST_SERIAL, SerialPattern
from sequencer.problems import FieldProblem


@pytest.mark.parametrize(
    ("pattern", "fitting", "others"),
    [
        (r"M40-\d{4}", ["M40-0007"], ["M40-007", "M40-00070", "XM40-0007", "M40-000A", ""]),
        (r"^H10-[0-9A-F]+$", ["H10-0F"], ["H10-", "h10-0F"]),
        (r"(V5|V6)-03\d\d?", ["V5-030", "V6-0301"], ["V7-0301"]),
        (r"\d{8}", ["70318842"], ["7031884", "A0318842"]),
        (r"[A-Z]{2}\d+", ["QX7"], ["Q7", "qx7"]),
        (r"A.{2,3}Z", ["A--Z", "A---Z"], ["A-Z", "A----Z"]),
    ],
)
def test_a_pattern_fits_whole_serials_only(pattern: str, fitting: list[str], others: list[str]) -> None:
    """A serial that merely begins or ends so is another model's."""
    held = SerialPattern(pattern)
    assert all(map(held.fits, fitting))
    assert not any(map(held.fits, others))


ATOMS = st.sampled_from(["A", "B", "-", r"\d", "[A-C]", ".", "(A|B7)", "(AB)", "(A*B?)", r"\-"])
COUNTS = st.sampled_from(["", "", "?", "*", "+", "{2}", "{1,3}", "{0,2}"])
PATTERNS = st.lists(st.tuples(ATOMS, COUNTS).map("".join), min_size=1, max_size=5).map("".join)


@given(pattern=PATTERNS, serial=st.text(alphabet="AB7-C", max_size=9))
def test_it_agrees_with_python_s_regular_expressions(pattern: str, serial: str) -> None:
    """Whatever is accepted here fits the same serials as `re.fullmatch` (the Python library's reference, a matcher of another kind)."""
    held = SerialPattern("Q" + pattern)  # without the Q it might fit an empty serial
    assert held.fits("Q" + serial) == (re.fullmatch("Q" + pattern, "Q" + serial) is not None)


def test_a_pattern_on_which_backtracking_never_ends_is_matched() -> None:
    """Nested and neighbouring counts, which take `re` longer than anybody waits, come to an end here: this test does."""
    serial = "A" * (LONGEST_SERIAL - 1)
    for pattern in ("(A+)+B", "((A*)*)*B", "A*" * 30 + "B", "(A|A)*B", "(A|AA)+B"):
        assert not SerialPattern(pattern).fits(serial)
        assert SerialPattern(pattern).fits(serial + "B")


BAD = {
    ".*": "an empty serial",
    ".+": "any serial",
    r"\w+": "any serial",
    r"(\w|-)+": "any serial",
    r"\w\w+": "any serial",
    "[A-Za-z0-9-]+": "any serial",
    r"[A-Za-z]+|\d+|[A-Z0-9]+": "any serial",
    "...+": "any serial",
    "[A-Za-z0-9]*": "an empty serial",
    "(A": "leaves a bracket open",
    "A)": "not opened",
    "[A": "ends in the middle",
    "[Z-A]": "runs backwards",
    "[]": "holds nothing",
    "[^A]": "leaves out",
    "*A": "nothing stands before",
    "A**": "behind each other",
    "A{x}": "is not a count",
    "A{2,x}": "is not a count",
    "A{2,²}": "is not a count",  # a digit to Unicode, and none to int()
    "A{²}": "is not a count",
    "A{9,2}": "out of range",
    "A{99}": "out of range",
    "A{0}B": "out of range",
    "A\\": "ends in the middle",
    r"\sA": "is not read here",
    "(?i)A": "is not read here",
    "(((((A)))))": "nests too deeply",
    "A/B": "no serial holds",
    "A:B": "no serial holds",
    "A" * 101: "101 characters",
}


@pytest.mark.parametrize("pattern", BAD)
def test_a_text_that_is_no_pattern_is_refused(pattern: str) -> None:
    """What is wrong is said, and what is allowed."""
    with pytest.raises(FieldProblem) as caught:
        SerialPattern(pattern)
    assert BAD[pattern] in caught.value.message
    assert caught.value.allowed


@pytest.mark.parametrize(
    ("pattern", "fits", "does_not"),
    [("A?B", ("B", "AB"), "AAB"), ("A+B", ("AB", "AAB"), "B"), ("A*B", ("B", "AAAB"), "A")],
)
def test_a_sign_counts_as_in_any_pattern(pattern: str, fits: tuple[str, ...], does_not: str) -> None:
    """Python's `re` says the same of each."""
    held = SerialPattern(pattern)
    assert all(held.fits(serial) and re.fullmatch(pattern, serial) for serial in fits)
    assert not held.fits(does_not)
    assert re.fullmatch(pattern, does_not) is None
