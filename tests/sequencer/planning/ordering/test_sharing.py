"""Which steps share a key-down, by plans alone: nothing is run. What comes of sharing: `tests/behaviour/test_shared_key.py`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.ordering.rests import Duty, added_s
from sequencer.planning.ordering.sharing import LONGER, parts, shared
from sequencer.planning.plan import Plan, make_plan
from sequencer.planning.proving.proof import keyed_roles
from sequencer.planning.step import Step
from tests.support.desk import ROOT, by_hand

HEAD = "sequence: Test\nchannels: plans/cept-40.yaml\nmode: {}\nsupply: 13.2 V\nchecks:\n"
POWER = "  - {check: carrier_power, channel: 20}\n"
COUNT = "  - {check: frequency_error, channel: 20}\n"
SWING = "  - {check: peak_deviation, channel: 20, drive: 10 mV, tone: 1 kHz}\n"
HELD = "  - {check: carrier_power, channel: 20, keyed_for: 10 s}\n"
CURRENT = "  - {check: supply_current, channel: 20}\n"
HEARS = "  - {check: sensitivity, channel: 20}\n"


def plan_of(folder: Path, text: str, *, mode: str = "FM", bench: str = "sim/bench.yaml") -> Plan:
    """Return the plan of checks."""
    (folder / "s.yaml").write_text(HEAD.format(mode) + text)
    return make_plan(load_sequence(str(folder / "s.yaml")), load_bench(bench))


def duty_of(plan: Plan) -> Duty:
    """Return what the plan's bench makes of keying."""
    return Duty.of(plan.bench, keyed_roles([step.settings for step in plan.steps]))


def groups(steps: list[Step] | tuple[Step, ...]) -> list[int]:
    """Return of how many steps each part is made."""
    return [len(part) for part in parts(steps)]


@pytest.mark.parametrize(
    ("text", "sizes"),
    [
        (POWER, [1]),
        (POWER + COUNT, [2]),
        (POWER + COUNT + HEARS + SWING + POWER, [2, 1, 2]),
        (HEARS + POWER, [1, 1]),
        (HEARS + HEARS, [1, 1]),
        (COUNT + SWING + HELD, [3]),
        (POWER + CURRENT, [1, 1]),
        (CURRENT + POWER, [2]),
        (SWING.replace("1 kHz", "1 kHz, read: samples") + POWER, [1, 1]),
        (POWER + COUNT.replace("20", "1"), [1, 1]),
        (POWER + COUNT.replace("20", "20, mode: AM"), [1, 1]),
    ],
)
def test_neighbours_on_the_transmit_side_share(tmp_path: Path, text: str, sizes: list[int]) -> None:
    """One after another, and no further than the next step that hears; each knows its group by the number of its first."""
    plan = plan_of(tmp_path, text)
    assert groups(plan.steps) == sizes
    for part in parts(plan.steps):
        assert {step.shares for step in part} == ({part[0].index} if len(part) > 1 else {None})


def test_a_hold_is_shared_in_fm_alone(tmp_path: Path) -> None:
    """In AM the carrier is as warm only where the modulation is the same, so that what holds the key stays by itself, before and behind."""
    assert groups(plan_of(tmp_path, COUNT + HELD + COUNT, mode="AM").steps) == [1, 1, 1]
    assert groups(plan_of(tmp_path, COUNT + POWER, mode="AM").steps) == [2]


def test_what_is_measured_under_another_supply_does_not_share(tmp_path: Path) -> None:
    """The supply is set between them, and so the unit is not keyed meanwhile; nor while it is warmed or cooled."""
    plan = plan_of(tmp_path, POWER + COUNT)
    power, count = plan.steps
    for other in ({"supply_v": 11.0}, {"temperature_c": 55.0}, {"frequency_hz": 27e6}, {"channel": None}):
        elsewhere = replace(count, conditions=replace(count.conditions, **other))
        assert groups(shared([power, elsewhere], plan.bench.bench, duty_of(plan))) == [1, 1]
    nowhere = [replace(one, conditions=replace(one.conditions, channel=None)) for one in plan.steps]
    assert groups(shared(nowhere, plan.bench.bench, duty_of(plan))) == [1, 1]


def test_a_step_is_told_anew_what_it_shares(tmp_path: Path) -> None:
    """Steps that were put into another order do not keep the group of the one before."""
    plan = plan_of(tmp_path, POWER + COUNT + HEARS)
    moved = [plan.steps[0], plan.steps[2], plan.steps[1]]
    found = shared(moved, plan.bench.bench, duty_of(plan))
    assert [step.shares for step in found] == [None, None, None]


def test_the_room_for_another_check_is_kept_to_the_second(tmp_path: Path) -> None:
    """What is keyed before, were it 1.3 times as long, must leave time for setting back; what they take together, for a release."""
    plan = plan_of(tmp_path, POWER + COUNT)
    duty, bench = duty_of(plan), plan.bench.bench
    first_s = added_s(plan.steps[0], 0.0)
    both_s = first_s + added_s(plan.steps[1], first_s)
    for joinable_s, size in ((LONGER * first_s, 2), (LONGER * first_s - 1e-6, 1)):
        assert len(next(parts(shared(plan.steps, bench, replace(duty, joinable_s=joinable_s))))) == size
    for unbroken_s, size in ((both_s, 2), (both_s - 1e-6, 1)):
        assert len(next(parts(shared(plan.steps, bench, replace(duty, unbroken_s=unbroken_s))))) == size


def test_a_hold_has_room_for_what_it_lasts(tmp_path: Path) -> None:
    """What fits into its ten seconds makes the key-down no longer, though that alone is longer than another check might key."""
    plan = plan_of(tmp_path, COUNT + HELD)
    duty = replace(duty_of(plan), unbroken_s=5.0)
    assert groups(shared(plan.steps, plan.bench.bench, duty)) == [2]
    held, count = plan.steps[1], plan.steps[0]
    assert groups(shared([held, count], plan.bench.bench, duty)) == [1, 1]
    assert groups(shared([held, held], plan.bench.bench, replace(duty, joinable_s=100.0))) == [1, 1]


@pytest.mark.parametrize(
    ("role", "sizes"),
    [("power_meter", [1, 1, 1, 1]), ("radio", [3, 1]), ("voltmeter", [4])],
)
def test_what_a_person_reads_or_keys_stays_by_itself(tmp_path: Path, role: str, sizes: list[int]) -> None:
    """A person is asked for one reading at a time; one who holds PTT does not hold it for ten seconds of another's check."""
    plan = plan_of(tmp_path, POWER + COUNT + POWER + HELD)
    file = tmp_path / "b.yaml"
    file.write_text(by_hand((ROOT / "sim/bench.yaml").read_text(encoding="utf-8"), [role]), encoding="utf-8")
    assert groups(shared(plan.steps, load_bench(str(file)).bench, duty_of(plan))) == sizes
