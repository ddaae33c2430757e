"""What results say in words of the conditions they were found under, and of the documents they are held against."""

from __future__ import annotations

from sequencer.results.text import conditions_text, document_texts, value_in_words, value_text
from tests.support.stored_rows import row


def test_conditions_are_told_by_temperature_with_what_was_read() -> None:
    """Two readings at one temperature as a span, a sensor's beside the air's; a temperature nobody read says so; words count nothing."""
    hot = {"temperature_c": 55.0, "air_c": 54.8, "sensor_c": 53.9, "soaked_s": 3600.0}
    cold = {"temperature_c": -10.0, "air_c": -9.94, "soaked_s": 45.0, "read_by": "a person"}
    rows = [
        row(1.0, supply_v=13.2, conditions="chamber 30 °C (air read 30.0 °C; soaked 5 min)", **hot),
        row(1.0, supply_v=13.2, **{**hot, "air_c": 55.1, "sensor_c": 54.2}),
        row(1.0, supply_v=10.8, **cold),
        row(1.0, supply_v=None, temperature_c=20.0),
    ]
    assert conditions_text(rows) == (
        "supply 13.2 V; supply 10.8 V; chamber 55 °C (air read 54.8 to 55.1 °C; sensor on the unit 53.9 to 54.2 °C; soaked 60 min); "
        "chamber \N{MINUS SIGN}10 °C (air read \N{MINUS SIGN}9.9 °C; by the word of a person; soaked 45 s); "
        "chamber 20 °C (asked for, not read)"
    )
    assert conditions_text([row(1.0, supply_v=None)]) == ""


def test_what_is_said_of_a_document_is_a_field() -> None:
    """A statement a line, whatever it begins with; a note says nothing of it."""
    of, how = "the limit is of House rules; second: 3.1", "measured with tone 1 kHz, not 2 kHz as in it"
    assert document_texts(row(1.0, note="limit of another", document=f"{of}\n{how}")) == (of, how)
    assert document_texts(row(1.0, note="limit of another")) == ()


def test_a_bound_says_what_it_is_wherever_a_value_is_worded() -> None:
    """At most or at least stands before the number, with U where it is stated; nothing before one that was measured."""
    assert (
        value_in_words(row(18.5e-9, unit="W", uncertainty=4.8e-9, bound="at most"))
        == "at most (18.5 ± 4.8) nW"
    )
    assert (
        value_in_words(row(70.0, unit="dB", uncertainty=1.0, bound="at least")) == "at least (70.0 ± 1.0) dB"
    )
    assert value_in_words(row(70.0, unit="dB", uncertainty=1.0)) == "(70.0 ± 1.0) dB"
    assert value_text(row(-110.0, unit="dBm", uncertainty=1.0, bound="at most")).startswith("at most (-110.0")
    assert value_in_words(row(None, unit="W")) == "—"
