"""Answers changed as instruments do: each is told with how to switch it off or say it in a profile, and a whole answer with nothing."""

from __future__ import annotations

import pytest

from drivers.link.habits import habit_of


@pytest.mark.parametrize(
    ("reply", "message", "told"),
    [
        ("*IDN?\r\nHollinbrook,SG-2,2201,1.4\n", "*IDN?", "repeats what it is sent"),
        ("\r\nHollinbrook,SG-2,2201,1.4\n", "*IDN?", "empty line"),
        ("2,7205e+07", ":FREQ?", "decimal comma"),
        ("13,2", ":VOLT?", "decimal comma"),
        ("FREQ 145.5E6", ":FREQ?", "'prepare'"),
        ("STAT 0", ":OUTP?", "pattern"),
        (":POW -107.00", ":POW?", "pattern"),
        ("5.488 dbm", ":READ?", "'unit'"),
        ("26965056.4HZ", ":READ?", "'unit'"),
        ("2.25 V DC", ":READ?", "'unit'"),
    ],
)
def test_a_known_habit_is_told_with_what_to_do(reply: str, message: str, told: str) -> None:
    """Echo, empty line, decimal comma, a name before the number, a unit behind it."""
    assert told in habit_of(reply, message)


@pytest.mark.parametrize(
    "reply", ["", "1", "-1.37E+2", "FM", '0,"No error"', "Hollinbrook,SG-2,2201,1.4", "12.0,1.5,3", "---"]
)
def test_an_answer_without_a_habit_is_left_alone(reply: str) -> None:
    """Numbers, words, error entries, identities, lists and nothing."""
    assert habit_of(reply, ":READ?") == ""


def test_an_answer_without_end_is_no_number_and_takes_no_time() -> None:
    """A million digits are looked at no further: the patterns would take hours (the suite's time limit would end this)."""
    for flood in ("1" * 1_000_000, "1" * 500_000 + "x," * 250_000, "a" * 1_000_000):
        assert habit_of(flood, "READ?") == ""
