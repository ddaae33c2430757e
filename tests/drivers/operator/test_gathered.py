"""Steps that wait for the next reading, with a person who is scripted."""

from __future__ import annotations

import pytest

from drivers.operator import dial as dials
from drivers.operator.gathered import Gathered, Step
from drivers.operator.instruments import OperatorModulationAnalyser, OperatorSettings
from drivers.operator.prompt import Prompter
from sim.clock import VirtualClock
from tests.drivers.operator.test_instruments import Scripted


def prompter(person: Scripted, gathered: Gathered, name: str = "power_meter") -> Prompter:
    """Return a prompter that shares what was gathered."""
    return Prompter(person, name=name, address="a person", clock=VirtualClock(), gathered=gathered)


def test_steps_wait_for_the_reading_and_are_one_prompt_with_it():
    """In the order they came; the later of two for the same thing takes the other's place; done once the reading is typed."""
    gathered, person = Gathered(), Scripted(["3.7"])
    gathered.allowed = True
    done: list[str] = []
    radio, meter = prompter(person, gathered, "radio"), prompter(person, gathered)
    radio.later("channel", Step(text="Select channel 1.", done=lambda: done.append("1")))
    radio.later("mode", Step(text="Select FM.", done=lambda: done.append("FM")))
    radio.later("channel", Step(text="Select channel 20.", done=lambda: done.append("20")))
    assert not person.asked
    meter.read("Read the power", dials.power_dial("W", 10.0))
    assert person.asked == ["Select FM. Select channel 20. Then read the power, in W: "]
    assert done == ["FM", "20"]


def test_steps_are_asked_at_once_where_an_instrument_reads_by_itself():
    """Nothing may wait that an instrument would read before."""
    gathered, person = Gathered(), Scripted([""])
    done: list[str] = []
    prompter(person, gathered).later("channel", Step(text="Select channel 1.", done=lambda: done.append("1")))
    assert person.asked == ["Select channel 1. Then press Enter: "]
    assert done == ["1"]


def test_a_step_that_nobody_answered_is_not_done():
    """The prompt was left: what was asked for may stand or not, and whoever keeps track of it is told so."""

    def ctrl_c() -> str:
        raise KeyboardInterrupt

    gathered, person = Gathered(), Scripted([ctrl_c])
    gathered.allowed = True
    told: list[str] = []
    meter = prompter(person, gathered)
    meter.later(
        "channel", Step(text="Select 1.", begun=lambda: told.append("?"), done=lambda: told.append("1"))
    )
    with pytest.raises(KeyboardInterrupt):
        meter.read("Read the power", dials.power_dial("W", 10.0))
    assert told == ["?"]


def test_what_stands_already_is_not_waited_for():
    """An analyser that is tuned away and back before anything was read is asked for neither."""
    gathered, person = Gathered(), Scripted(["", "27.205"])
    analyser = OperatorModulationAnalyser(
        prompter(person, gathered, "modulation_analyser"), OperatorSettings()
    )
    analyser.tune_hz(27.205e6)
    analyser.gather_steps(allowed=True)
    analyser.tune_hz(26.965e6)
    analyser.tune_hz(27.205e6)
    analyser.read_frequency_hz()
    assert person.asked[1] == "Read the carrier frequency on the modulation analyser, in MHz: "
    analyser.tune_hz(26.965e6)
    analyser.forget_steps()
    assert not gathered.allowed
    assert len(person.asked) == 2
