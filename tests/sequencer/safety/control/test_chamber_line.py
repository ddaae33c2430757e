"""A chamber that a person sets and reads, through the same proof as one that answers by itself."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from drivers.faults import NotConfirmed, NotSettled, Refused
from drivers.operator.chamber import OperatorChamber
from drivers.operator.instruments import OperatorSettings
from drivers.operator.prompt import Prompter
from drivers.values import Reading
from sequencer.safety.control.chamber import ChamberLine, ChamberRules
from sim.clock import VirtualClock

RULES = ChamberRules(min_c=-40.0, max_c=80.0, tolerance_c=2.0, soak_s=1800.0, given_up_after_s=3600.0)


class _Person:
    """Does as asked, and reads what ``shows`` says at the time."""

    def __init__(self, clock: VirtualClock, shows: Callable[[float], float]) -> None:
        self.clock, self.shows = clock, shows
        self.asked: list[str] = []

    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        """Answer."""
        self.asked.append(text)
        if "Set" in text:
            return ""
        return "done" if "Stop" in text else f"{self.shows(self.clock.now_s()):.1f}"

    def stop(self, why: str) -> None:
        """Nobody stops it."""


def _line(
    shows: Callable[[float], float], kind: type[OperatorChamber] = OperatorChamber
) -> tuple[ChamberLine, _Person, VirtualClock]:
    clock = VirtualClock()
    person = _Person(clock, shows)
    prompter = Prompter(
        person,
        name="chamber",
        address="a person",
        clock=clock,
        trace=lambda exchange: None,
        keyed=lambda: False,
        keyed_s=8.0,
    )
    chamber = kind(prompter, OperatorSettings())
    return ChamberLine(lambda: chamber, clock=clock, rules=RULES), person, clock


def _bring(line: ChamberLine, temperature_c: float) -> None:
    line.bring_to(temperature_c, check=lambda: None, say=lambda text: None)


def test_a_person_sets_the_chamber_and_types_its_reading_before_and_after_the_soak() -> None:
    """One order, a reading where it stands, and one when the soak is over; the result says by whose word."""
    line, person, clock = _line(lambda now_s: -9.5)
    _bring(line, -10.0)
    assert "-10 °C" in person.asked[0]
    assert "door closed" in person.asked[0]
    assert len(person.asked) == 3
    assert clock.now_s() >= RULES.soak_s
    assert "chamber -10 °C (air read -9.5 °C, by the word of a person; soaked 30 min)" in str(line.facts)


def test_a_person_who_reads_another_temperature_is_asked_again_and_then_it_is_given_up() -> None:
    """Not each half minute; what is given up is not asked for a second time."""
    line, person, clock = _line(lambda now_s: 4.0)
    with pytest.raises(NotSettled, match=r"its air read 4\.0 °C"):
        _bring(line, -10.0)
    asked = len(person.asked)
    assert asked < 18
    assert clock.now_s() < 2 * RULES.given_up_after_s
    with pytest.raises(NotSettled):
        _bring(line, -10.0)
    assert len(person.asked) == asked


class _WithSilentSensor(OperatorChamber):
    """Has a sensor on the unit, which says nothing."""

    reads_specimen = True

    def read_specimen_c(self) -> Reading:
        """Return no temperature."""
        return Reading(number=None)


def test_a_sensor_on_the_unit_that_says_nothing_is_named_and_not_the_air() -> None:
    """Where it is given up, and while it is waited for; with what to do where the unit has none."""
    line, _, _ = _line(lambda now_s: -10.0, _WithSilentSensor)
    told: list[str] = []
    with pytest.raises(NotSettled) as caught:
        line.bring_to(-10.0, check=lambda: None, say=told.append)
    assert told[0] == "chamber to -10 °C: air -10.0 °C, unit no temperature"
    assert "its air read -10.0 °C and the sensor on the unit no temperature" in str(caught.value)
    assert "leave 'specimen_temperature' out of its profile if the unit has none" in str(caught.value)


def test_the_time_until_it_is_given_up_begins_where_it_is_set() -> None:
    """On a bench that has been at work for hours it is waited for as long as on one that has just been switched on."""
    line, _, clock = _line(lambda now_s: 4.0)
    clock.wait_s(5 * 3600.0)
    with pytest.raises(NotSettled) as caught:
        _bring(line, -10.0)
    waited_s = clock.now_s() - 5 * 3600.0
    assert RULES.given_up_after_s < waited_s < 1.5 * RULES.given_up_after_s
    assert f"after {waited_s / 60.0:.0f} min its air read 4.0 °C" in str(caught.value)
    assert "did not stay within -12 to -8 °C for 30 min" in str(caught.value)


def test_the_soak_begins_anew_where_the_air_has_left_it() -> None:
    """Read in range, half an hour later out of it, then in range again: the half hour is waited for once more."""
    read = iter([-8.0, 0.0, -8.0, -8.0])  # to the edge of what is tolerated
    line, _, clock = _line(lambda now_s: next(read))
    told: list[str] = []
    line.bring_to(-10.0, check=lambda: None, say=told.append)
    assert clock.now_s() >= 2 * RULES.soak_s
    assert told[:2] == ["chamber to -10 °C: air -8.0 °C", "chamber to -10 °C: air 0.0 °C"]
    assert "soaked 30 min" in str(line.facts)


def test_what_the_chamber_leaves_during_a_check_is_not_confirmed() -> None:
    """The display is read again after it."""
    line, person, _ = _line(lambda now_s: 40.0)
    _bring(line, 40.0)
    line.confirm(40.0)
    person.shows = lambda now_s: 30.0
    with pytest.raises(NotConfirmed, match="not within 2 °C of it"):
        line.confirm(40.0)
    assert line.facts is None


def test_a_temperature_outside_the_bench_is_refused_without_a_question() -> None:
    """Also where a plan let it through."""
    line, person, _ = _line(lambda now_s: 20.0)
    with pytest.raises(Refused, match="may be set from -40 to 80 °C"):
        _bring(line, 90.0)
    assert person.asked == []


@pytest.mark.parametrize(
    ("air_c", "said"),
    [(60.0, "hot"), (43.0, "hot"), (42.9, "42.9 °C."), (-20.0, "wet"), (5.0, "wet"), (23.0, "23.0 °C.")],
)
def test_what_is_left_is_said_from_a_reading(air_c: float, said: str) -> None:
    """Stopped by the word done; hot and cold carry their caution."""
    line, person, _ = _line(lambda now_s: air_c)
    _bring(line, air_c)
    line.stop()
    assert "Stop" in person.asked[-2]
    assert line.left.startswith(f"The chamber's air reads {air_c:.1f} °C.")
    assert said in line.left
