"""A supply that answers as it was told and stays on: a receiver that still hisses is heard, and "off" is not said."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from sequencer.run.status import ExitStatus
from sequencer.safety.ending.loudspeaker import LOUD_V
from sim.scpi.faults import Fault, FaultKind
from tests.support.disobedient import disobey_from
from tests.support.rig import Rig

SENSITIVITY = """
sequence: Heard
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: sensitivity, channel: 20, limit: {max: -110 dBm}}
"""
OFF = b":OUTPut:STATe 0"
FED_STILL = "the unit's supply could not be confirmed off"


def _last_off(rig: Rig) -> int:
    """Return the number of the supply's last order to switch off in a run of ``rig``."""
    assert rig.run().status is ExitStatus.PASSED
    return sum(OFF.decode() in one for one in rig.sent("supply"))


def _stays_on(rig: Rig) -> Rig:
    """Return a rig in which the supply answers its last order to switch off, and those after it, and stays on."""
    number, again = _last_off(rig), rig.again()
    disobey_from(again.device("supply"), OFF, number, stays=True)
    return again


def _unfed(rig: Rig, gives: Callable[[float], float]) -> None:
    """Let the loudspeaker give so many times what it gave while it was fed, by the seconds since its supply went off last."""
    unit, clock = rig.simulation.wiring.unit, rig.simulation.clock
    level, since, fed_v = unit.audio_level_v, [0.0], [0.0]

    def heard(*arguments: Any) -> float:
        if unit.supply_v > 0.0:
            since[0] = clock.now_s()
            fed_v[0] = level(*arguments)
            return fed_v[0]
        return fed_v[0] * gives(clock.now_s() - since[0])

    unit.audio_level_v = heard  # type: ignore[method-assign]


def _looks(rig: Rig) -> int:
    """Return how often the audio analyser was asked for the level."""
    return sum('"VOLTage:AC"' in one for one in rig.sent("audio_analyser"))


def test_a_supply_that_stays_on_is_not_called_off(make_rig: Callable[..., Rig]) -> None:
    """Its output and its terminals read off; the loudspeaker goes on as before, and the witness saw the unit fed."""
    rig = _stays_on(make_rig(sequence=SENSITIVITY))
    outcome = rig.run()
    assert rig.simulation.wiring.unit.supply_v == pytest.approx(13.2)  # so it was
    line = outcome.safe_state.last_line()
    assert FED_STILL in line
    assert "the unit's loudspeaker gives" in line
    assert "supply off" not in line
    assert outcome.status is ExitStatus.BENCH_FAILED


def test_a_supply_that_obeys_is_called_off(make_rig: Callable[..., Rig]) -> None:
    """The cost: one reading before and one behind."""
    rig = make_rig(sequence=SENSITIVITY)
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED
    assert "supply off" in outcome.safe_state.last_line()


def test_a_loudspeaker_that_fades_is_waited_for(make_rig: Callable[..., Rig]) -> None:
    """Capacitors feed an amplifier for a while."""
    rig = make_rig(sequence=SENSITIVITY)
    _unfed(rig, lambda since_s: math.exp(-since_s / 1.5))
    outcome = rig.run()
    assert "supply off" in outcome.safe_state.last_line()
    assert outcome.status is ExitStatus.PASSED
    at_once = rig.again()
    at_once.run()
    assert _looks(rig) > _looks(at_once)  # it was looked at again until it had faded by half


@pytest.mark.parametrize(("share", "is_off"), [(0.4, True), (0.6, False)])
def test_what_is_left_is_held_against_what_was(
    make_rig: Callable[..., Rig], share: float, is_off: bool
) -> None:
    """Less than half of it may be another sound; more goes on until nobody waits any longer."""
    rig = make_rig(sequence=SENSITIVITY)
    _unfed(rig, lambda since_s: share + 0.001 * math.sin(since_s))
    assert ("supply off" in rig.run().safe_state.last_line()) is is_off


@pytest.mark.parametrize(("times", "is_off"), [(0.9, True), (1.1, False)])
def test_what_is_too_faint_to_miss_proves_nothing(
    make_rig: Callable[..., Rig], times: float, is_off: bool
) -> None:
    """An open line picks up something, fed or not: below a level nothing is concluded."""
    rig = make_rig(sequence=SENSITIVITY)
    unit, clock = rig.simulation.wiring.unit, rig.simulation.clock
    level = unit.audio_level_v

    def hum(*arguments: Any) -> float:
        return LOUD_V * (times + 0.001 * math.sin(clock.now_s())) if rig.record.kept else level(*arguments)

    unit.audio_level_v = hum  # type: ignore[method-assign]
    assert ("supply off" in rig.run().safe_state.last_line()) is is_off


@pytest.mark.parametrize("volts", [0.5, LOUD_V])
def test_a_meter_that_stands_still_proves_nothing(make_rig: Callable[..., Rig], volts: float) -> None:
    """The very same reading before and behind is the meter's."""
    rig = make_rig(sequence=SENSITIVITY)
    unit = rig.simulation.wiring.unit
    level = unit.audio_level_v
    unit.audio_level_v = lambda *arguments: volts if len(rig.record.kept) else level(*arguments)  # type: ignore[method-assign]
    outcome = rig.run()
    assert "supply off" in outcome.safe_state.last_line()


def test_a_silent_unit_tells_nothing(make_rig: Callable[..., Rig]) -> None:
    """With the volume down a supply that stays on is called off, for its own word is all there is."""
    rig = _stays_on(make_rig(sequence=SENSITIVITY))
    unit = rig.simulation.wiring.unit
    level = unit.audio_level_v
    unit.audio_level_v = lambda *arguments: 0.1 * LOUD_V if rig.record.kept else level(*arguments)  # type: ignore[method-assign]
    outcome = rig.run()
    assert "supply off" in outcome.safe_state.last_line()


def test_an_analyser_that_answers_no_more_keeps_nobody_from_switching_off(
    make_rig: Callable[..., Rig],
) -> None:
    """It is asked once more, in vain; the supply goes off, confirmed."""
    rig = make_rig(sequence=SENSITIVITY)
    rig.run()
    number = len(rig.sent("audio_analyser"))
    again = rig.again()
    again.inject("audio_analyser", Fault(kind=FaultKind.DISCONNECT, skip=number - 2, times=None))
    outcome = again.run()
    assert "supply off" in outcome.safe_state.last_line()
    assert again.simulation.wiring.unit.supply_v == 0.0
