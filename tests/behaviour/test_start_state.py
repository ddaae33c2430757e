"""A check starts from a state that was set and read back, and what was set is asked for again before a verdict leaves."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer.checks import all_checks
from sequencer.checks.base import Check, CheckSettings, Conditions, Finding
from sequencer.run.status import ExitStatus
from sim.scpi.faults import Fault, FaultKind
from tests.support.after_faults import CHECKS, Pair

NAMES = list(CHECKS)
PAIRS = [(first, NAMES[(number + 1 + 5 * (number % 5)) % len(NAMES)]) for number, first in enumerate(NAMES)]
HEAD = "sequence: Start\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nrated_supply: {min: 8 V, max: 16 V}\nchecks:\n"
POWER = "  - {check: carrier_power, channel: 20, limit: {max: 4 W}}\n"
CURRENT = "  - {check: supply_current, channel: 20}\n"
SENSITIVITY = "  - {check: sensitivity, channel: 20, target: 12 dB SINAD, deviation: 1.2 kHz, accuracy: 2 dB, limit: {max: -113 dBm}}\n"
DEVIATION = "  - {check: peak_deviation, channel: 20, drive: 10 mV, tone: [1 kHz], limit: {max: 2 kHz}}\n"


def results(rig: Any) -> dict[str, Any]:
    """Return every result of a run by its quantity."""
    return {one.quantity: one for kept in rig.record.kept.values() for one in kept}


@pytest.mark.parametrize(("first", "second"), PAIRS, ids=lambda name: name.replace(" ", "_"))
def test_a_check_after_another_that_failed_states_what_it_states_undisturbed(
    tmp_path: Path, first: str, second: str
) -> None:
    """Wherever a check fails, the next finds the same within U at the same supply. The whole: tests/benchmarks/bench_start_state.py."""
    pair = Pair(tmp_path, first, second)
    assert any(one.value is not None for one in pair.sound)
    for number in (pair.numbers[len(pair.numbers) // 2], pair.numbers[-6], pair.numbers[-2]):
        assert list(pair.after(number)) == []


def test_every_check_that_has_a_side_is_among_those_that_follow_one_another() -> None:
    """A new check cannot be forgotten."""
    sided = {check.name for check in all_checks().values() if check.side in ("receive", "transmit")}
    assert sided <= {name.split(" ")[0] for name in CHECKS}


# --- the supply ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [FaultKind.TIMEOUT, FaultKind.DISCONNECT])
def test_a_supply_that_could_not_be_put_back_is_put_back_before_the_next_check(make_rig, kind):
    """One passing fault while the sequence's supply is set again leaves no later check at another voltage, and none says so."""
    items = (
        "  - {check: power_against_supply, channel: 20, supplies: [10.8 V], limit: {max: 4 W}}\n"
        + CURRENT
        + POWER
    )
    sound = make_rig(sequence=HEAD + items)
    assert sound.run().status is ExitStatus.PASSED
    rig = make_rig(sequence=HEAD + items)
    # the voltage is set for the run, for the check, and back again
    rig.inject("supply", Fault(kind=kind, match=":SOURce:VOLTage:LEVel:IMMediate:AMPLitude ", skip=2))
    rig.run()
    for quantity in ("supply current, transmit", "carrier power"):
        was, now = results(sound)[quantity], results(rig)[quantity]
        assert now.value == pytest.approx(was.value, abs=was.uncertainty)
        assert (now.supply_v, now.conditions) == (13.2, "supply 13.2 V")
    extreme = results(rig)["carrier power at 10.8 V"]
    assert (extreme.supply_v, extreme.conditions) == (10.8, "supply 10.8 V")


@pytest.mark.parametrize("from_reading", [0, 1, 2])
def test_a_supply_whose_terminals_tell_another_voltage_decides_nothing(make_rig, from_reading):
    """A supply that is set to 13.2 V and reads 10.0 V, from the start or from the middle of a check on, leaves it not measured."""
    rig = make_rig(sequence=HEAD + POWER)
    rig.inject(
        "supply",
        Fault(
            kind=FaultKind.WRONG, match="MEASure:VOLTage", argument="10.0", times=None, skip=1 + from_reading
        ),
    )
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    found = results(rig)["carrier power"]
    assert found.value is None
    assert "set to 13.2 V, its terminals read 10 V" in found.note
    assert "13.2 V (stated, not read)" in found.conditions


def test_power_at_a_voltage_that_the_unit_never_had_is_not_stated(make_rig):
    """A supply that stays at 13.2 V, by its own terminals, while 15.6 V is asked for gives no "carrier power at 15.6 V"."""
    rig = make_rig(sequence=HEAD + "  - {check: power_against_supply, channel: 20, supplies: [15.6 V]}\n")
    rig.inject(
        "supply", Fault(kind=FaultKind.WRONG, match="MEASure:VOLTage", argument="13.2", times=None, skip=1)
    )
    assert rig.run().status is ExitStatus.BENCH_FAILED
    assert results(rig)["carrier power at 15.6 V"].value is None


# --- what was set reads otherwise later ------------------------------------------------------------------------------


class Meddled(Check[CheckSettings]):
    """A shipped check, and something that happens to the bench once it has its reading."""

    settings = CheckSettings

    def __init__(self, check: Any, happens: Any, *, times: int) -> None:
        self._check, self._happens, self._left = check, happens, times
        self.name, self.side, self.roles = check.name, check.side, check.roles  # type: ignore[misc]

    def quantities(self, settings: CheckSettings) -> tuple[tuple[str, str], ...]:
        """Return what the shipped check reports."""
        quantities: tuple[tuple[str, str], ...] = self._check.quantities(settings)
        return quantities

    def _run(self, procedure: Any, side: Any, settings: Any, conditions: Conditions) -> list[Finding]:
        found: list[Finding] = procedure(side, settings, conditions)
        if self._left:
            self._left -= 1
            self._happens()
        return found

    def receive(self, side: Any, settings: Any, conditions: Conditions) -> list[Finding]:
        """Measure, and let it happen."""
        return self._run(self._check.receive, side, settings, conditions)

    def transmit(self, side: Any, settings: Any, conditions: Conditions) -> list[Finding]:
        """Measure, and let it happen."""
        return self._run(self._check.transmit, side, settings, conditions)


LOSSES = {
    "radio on channel 1, receiving": (SENSITIVITY, "radio", "channel was set to 20 and reads 1 now"),
    "radio on channel 1, sending": (POWER, "radio", "channel was set to 20 and reads 1 now"),
    "generator reset": (SENSITIVITY, "signal_generator", "reads .* now"),
    "audio analyser reset, sending": (DEVIATION, "audio_analyser", "reads .* now"),
    "modulation analyser reset": (DEVIATION, "modulation_analyser", "reads .* now"),
    "power meter reset": (POWER, "power_meter", "correction_frequency was set to 2.72.* and reads .* now"),
    "switch moved": (SENSITIVITY, "switch", "reads .* now"),
}


def _lose(rig: Any, role: str) -> None:
    if role == "radio":
        rig.simulation.unit.set_channel(1)
    elif role == "switch":
        rig.simulation.wiring.paths.connect("open")
    else:
        rig.device(role)._reset()


@pytest.mark.parametrize(
    ("items", "role", "says"), LOSSES.values(), ids=[one.replace(" ", "_") for one in LOSSES]
)
def test_what_lost_its_settings_in_a_check_is_measured_again_once_and_then_not_stated(
    make_rig, items, role, says
):
    """An instrument that restarts in mid-check is found out before a verdict leaves: once, it is measured again; twice, not measured."""
    sound = make_rig(sequence=HEAD + items)
    sound.run()
    (was,) = (one for one in sound.record.kept[0] if "negative" not in one.quantity)
    for times, status in ((1, ExitStatus.PASSED), (2, ExitStatus.BENCH_FAILED)):
        rig = make_rig(sequence=HEAD + items)
        rig.with_checks(Meddled(rig.plan.steps[0].check, lambda rig=rig: _lose(rig, role), times=times))
        assert rig.run().status is status
        (now,) = (one for one in rig.record.kept[0] if "negative" not in one.quantity)
        assert role in now.note
        assert re.search(says, now.note)
        if times == 1:
            assert "measured again" in now.note
            assert now.value == pytest.approx(was.value, abs=was.uncertainty)
        else:
            assert now.value is None
            assert now.fault is not None
            assert now.fault.kind == "SettingLost"


@pytest.mark.parametrize("step_db", [0.5, 1.0])
def test_a_generator_that_goes_in_steps_is_used_at_the_levels_it_makes(make_rig, monkeypatch, step_db):
    """A level rounded to half a decibel, and honestly read back, is used: each point stands at what was made, so no step is left for U."""
    fine = make_rig(sequence=HEAD + SENSITIVITY)
    fine.run()
    rig = make_rig(sequence=HEAD + SENSITIVITY)
    level = type(rig.device("signal_generator")).level_dbm
    monkeypatch.setattr(level, "kind", replace(level.kind, resolution=step_db))
    assert rig.run().status is ExitStatus.PASSED
    was, now = (results(one)["sensitivity, 12 dB SINAD"] for one in (fine, rig))
    assert now.value == pytest.approx(was.value, abs=now.uncertainty)
    at_unit = [point.level_db for point in now.points]
    assert len(at_unit) >= 3
    offsets = [(level_db - at_unit[0]) / step_db for level_db in at_unit]
    assert offsets == pytest.approx([round(offset) for offset in offsets], abs=0.05)
    assert "generator, step of its level" not in {part.source for part in now.budget.contributions}


def test_a_generator_further_off_than_a_step_was_not_set(make_rig, monkeypatch):
    """Steps of 5 dB are none to find a crossing with: refused, and not measured."""
    rig = make_rig(sequence=HEAD + SENSITIVITY)
    level = type(rig.device("signal_generator")).level_dbm
    monkeypatch.setattr(level, "kind", replace(level.kind, resolution=5.0))
    assert rig.run().status is ExitStatus.BENCH_FAILED
    assert "level was set to" in results(rig)["sensitivity, 12 dB SINAD"].note


@pytest.mark.parametrize("at", [1, 2, 3, 4])
def test_a_power_meter_that_restarts_among_its_readings_is_no_transmitter_that_stays_on(
    make_rig, at: int
) -> None:
    """In watts the released unit's 1 nW reads as 0 dBm: the meter is set anew, sees it silent, and the check is measured again.

    Before: the unit's supply was cut for a stuck PTT, and the run ended.
    """
    sound = make_rig(sequence=HEAD + POWER + CURRENT)
    sound.run()
    rig = make_rig(sequence=HEAD + POWER + CURRENT)
    device = rig.device("power_meter")
    hear, readings = device.submit, []

    def submit(message: bytes) -> Any:
        if b"READ" in message.upper():
            readings.append(message)
            if len(readings) == at + 2:  # unkeyed, and at the first press, it is read once each
                device._reset()
        return hear(message)

    device.submit = submit
    outcome = rig.run()
    assert len(readings) > at + 2
    assert outcome.status is ExitStatus.PASSED, outcome.problems
    was, now = results(sound), results(rig)
    assert "measured again" in now["carrier power"].note
    for quantity in ("carrier power", "supply current, transmit"):
        assert now[quantity].value == pytest.approx(was[quantity].value, abs=was[quantity].uncertainty)
