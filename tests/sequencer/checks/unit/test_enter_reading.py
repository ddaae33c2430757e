"""`enter_reading`: what may be typed, what it comes to, and which settings are refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.operator.dial import NotOnDial
from drivers.roles import RangeState
from sequencer.checks.unit.enter_reading import EnterReadingSettings
from sequencer.problems import FileProblems
from sequencer.run.people.entered import EnteredBeforehand, given_beforehand
from sequencer.run.runner import Runner
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sequencer.units.parse import DIMENSIONS
from tests.support.rig import Nodding, Rig

IDLE = (
    "{check: enter_reading, name: idle current, text: Read the idle current, quantity: current, unit: mA, "
    "range: {min: 0 mA, max: 2 A}, limit: {max: 400 mA}, accuracy: 2 %}"
)
ONLY_ASKING = f"sequence: Asking\nmode: FM\nchecks:\n  - {IDLE}\n"


def _settings(**changes: Any) -> EnterReadingSettings:
    facts = {"check": "enter_reading", "name": "idle current", "text": "Read it", "quantity": "current"}
    return EnterReadingSettings.model_validate({**facts, **changes})


def _run(rig: Rig, *words: str) -> Any:
    record: Any = rig.record
    entered = given_beforehand(words, rig.plan.to_enter)
    return Runner(rig.plan, rig.parts, record, Nodding(), enterer=entered).run()


@pytest.mark.parametrize(
    ("typed", "amperes"),
    [
        ("120", 0.12),
        ("120 mA", 0.12),
        ("120,5 mA", 0.1205),
        ("0.12 A", 0.12),
        (".5A", 0.5),
        ("1e3 uA", 1e-3),
        ("1,5 A", 1.5),
        ("+7 mA", 0.007),
    ],
)
def test_a_number_is_read_in_its_unit_or_in_the_dial_s(typed: str, amperes: float) -> None:
    """A number without a unit is in the dial's; decimal point and comma are the same; units are those of a file."""
    assert _settings(unit="mA").dial.read(typed) == pytest.approx(amperes)


@pytest.mark.parametrize(
    "typed",
    [
        "",
        "nan",
        "inf",
        "1e999",
        "-",
        "120 V",
        "1,500",
        "1.2.3",
        "12 12",
        "120 ma mA",
        "0x10",
        "١٢",
        "1_000",
        "120 mA; drop",
        "\x00",
        "9" * 400,
    ],
)
def test_what_is_no_reading_is_refused(typed: str) -> None:
    """NaN, infinity, other units, a comma that may part thousands, two numbers, other digits: refused in words."""
    with pytest.raises(NotOnDial) as caught:
        _settings(unit="mA").dial.read(typed)
    assert 10 < len(str(caught.value)) < 400


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.text(max_size=30))
def test_any_text_is_a_reading_in_range_or_refused(typed: str) -> None:
    """Whatever is typed, what comes out is a number within the range, or a refusal."""
    dial = _settings(unit="mA", range={"min": "0 mA", "max": "2 A"}).dial
    try:
        number = dial.read(typed)
    except NotOnDial:
        return
    assert 0.0 <= number <= 2.0


@pytest.mark.parametrize("typed", ["-1 mA", "2001 mA", "2.1 A"])
def test_a_number_beyond_the_range_is_refused(typed: str) -> None:
    """The range of the settings bounds what is typed, and is named."""
    with pytest.raises(NotOnDial, match="outside 0 A to 2 A"):
        _settings(unit="mA", range={"min": "0 mA", "max": "2 A"}).dial.read(typed)


def test_every_quantity_has_bounds_and_an_example_that_is_in_them() -> None:
    """Each kind of quantity takes the example of its own dimension."""
    for kind in DIMENSIONS:
        dial = _settings(quantity=kind).dial
        assert dial.low <= dial.read(DIMENSIONS[kind].example) <= dial.high


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"unit": "V"}, "not a unit of a current"),
        ({"limit": {"min": "2 A", "max": "1 A"}}, "contradictory limit"),
        ({"range": {"min": "2 A", "max": "1 A"}}, "contradictory range"),
        ({"limit": {"max": "400"}}, "400"),
        ({"accuracy": "-2 %"}, "accuracy"),
        ({"accuracy": "2 V"}, "current"),
        ({"name": "a=b"}, "name"),
        ({"name": " a"}, "name"),
        ({"name": "a "}, "name"),
        ({"quantity": "smell"}, "quantity"),
    ],
)
def test_settings_that_contradict_are_refused(changes: dict[str, Any], text: str) -> None:
    """A foreign unit, limits the wrong way round, a bare number, a negative accuracy, a name that --entered could not give."""
    with pytest.raises((ValidationError, ValueError), match=text):
        _settings(**changes)


def test_a_reading_given_beforehand_becomes_a_result(make_rig: Callable[..., Rig]) -> None:
    """120 mA with a half-width of 2 % of the reading: U is twice 2.4 mA over the square root of three; the note says how it was given.

    A rectangular half-width is divided by the square root of three (JCGM 100:2008, 4.3.7); k = 1.96 to 2 for about 95 %.
    """
    rig = make_rig(sequence=ONLY_ASKING)
    outcome = _run(rig, "idle current=120 mA")
    (result,) = outcome.results
    assert outcome.status is ExitStatus.PASSED
    assert (result.value, result.unit, result.upper_limit) == (0.12, "A", 0.4)
    # k between 1.65 (one rectangular part alone: 0.95 a) and 2
    assert 1.6 * 0.0024 / 3**0.5 < (result.uncertainty or 0.0) < 2.01 * 0.0024 / 3**0.5
    assert result.decision is Decision.PASS
    assert "'120 mA' given beforehand with --entered" in result.note
    assert [exchange.content for exchange in rig.record.said if exchange.instrument == "person"] == [
        b"120 mA"
    ]


@pytest.mark.parametrize(
    ("word", "state"), [("over", RangeState.OVER_RANGE), ("No Reading", RangeState.NO_MEASUREMENT)]
)
def test_over_and_no_reading_are_answers(make_rig: Callable[..., Rig], word: str, state: RangeState) -> None:
    """What cannot be read is not measured, says why, and is no pass."""
    outcome = _run(make_rig(sequence=ONLY_ASKING), f"idle current={word}")
    (result,) = outcome.results
    assert result.value is None
    assert result.decision is Decision.NOT_MEASURED
    assert state.value in result.note
    assert outcome.status is ExitStatus.BENCH_FAILED


def test_a_reading_above_its_limit_fails(make_rig: Callable[..., Rig]) -> None:
    """500 mA against at most 400 mA fails."""
    outcome = _run(make_rig(sequence=ONLY_ASKING), "idle current=500 mA")
    assert outcome.results[0].decision is Decision.FAIL


def test_without_an_accuracy_no_uncertainty_is_stated(make_rig: Callable[..., Rig]) -> None:
    """Nothing is made up for a reading of which nobody says how good it is."""
    rig = make_rig(sequence=ONLY_ASKING.replace(", accuracy: 2 %", ""))
    assert _run(rig, "idle current=120 mA").results[0].uncertainty is None


def test_nobody_to_ask_is_a_fault_and_no_crash(make_rig: Callable[..., Rig]) -> None:
    """A run that was begun without the reading says what is missing and how to give it."""
    record: Any = (rig := make_rig(sequence=ONLY_ASKING)).record
    outcome = Runner(rig.plan, rig.parts, record, Nodding(), enterer=EnteredBeforehand()).run()
    assert "--entered 'idle current=" in outcome.results[0].note
    assert "Traceback" not in "".join(outcome.problems)


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["idle current"], "not a name and a value"),
        (["=5 mA"], "not a name and a value"),
        (["idle current="], "not a name and a value"),
        (["idle curent=5 mA"], "did you mean"),
        (["idle current=5 V"], "idle current"),
        (["idle current=nan"], "idle current"),
        (["idle current=3 A"], "outside"),
        (["idle current=1 mA", "idle current=2 mA"], "more often than it is asked for"),
    ],
)
def test_a_reading_that_cannot_be_is_refused_before_the_run(
    make_rig: Callable[..., Rig], words: list[str], text: str
) -> None:
    """What is wrong with --entered is said at once, with what is allowed."""
    plan = make_rig(sequence=ONLY_ASKING).plan
    with pytest.raises(FileProblems, match=text) as caught:
        given_beforehand(words, plan.to_enter)
    assert caught.value.complaints[0].allowed or caught.value.complaints[0].hint


def test_readings_of_one_name_are_taken_in_order(make_rig: Callable[..., Rig]) -> None:
    """The same reading on two channels is given twice."""
    rig = make_rig(
        sequence=ONLY_ASKING.replace("quantity", "channel: [1, 20], quantity").replace(
            "mode", "channels: plans/cept-40.yaml\nmode"
        )
    )
    outcome = _run(rig, "idle current=100 mA", "idle current=200 mA")
    assert [(result.channel, result.value) for result in outcome.results] == [(1, 0.1), (20, 0.2)]
