"""Carrier power after a time keyed: one key-down, or a refusal before anything is sent."""

from __future__ import annotations

import pytest

from drivers.trace import Direction
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems
from sequencer.uncertainty.decision import Decision
from tests.support.rig import Rig

HOT = """
sequence: Hot
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, keyed_for: 20 s, limit: {min: 3 W, max: 4 W}}
"""
KEY = ":CONTrol:KEY:STATe"


def _presses(rig: Rig) -> int:
    return sum(
        exchange.direction is Direction.SENT and exchange.content.decode().startswith(f"{KEY} 1")
        for exchange in rig.record.said
    )


def test_a_stage_that_sags_is_read_at_the_end_of_one_key_down(make_rig) -> None:
    """The unit that sags below 3 W in 20 s keyed without a break fails; with rests between it read 3.39 W. (The first of the two
    key-downs is the short one that shows where the power goes after the switch has moved.)
    """
    rig = make_rig(serial="M40-0014", sequence=HOT)
    truth = make_rig(serial="M40-0014", sequence=HOT).simulation
    truth.unit.set_supply_v(13.2)
    truth.unit.set_channel(20)
    truth.unit.key()
    truth.clock.wait_s(20.0)
    true_w = truth.unit.emission().power_w
    truth.unit.unkey()
    (result,) = rig.run().results
    assert _presses(rig) == 2
    assert result.value == pytest.approx(true_w, abs=result.uncertainty)
    assert true_w < 3.0
    assert result.decision is Decision.FAIL


@pytest.mark.parametrize(
    ("limit", "told"),
    [
        ("20 s", r"at most 5\.\d s here, or 'max_key_time' of at least 35 s in the bench file"),
        ("34 s", r"at most 19\.\d s here, or 'max_key_time' of at least 35 s in the bench file"),
    ],
)
def test_a_time_that_needs_a_second_key_down_is_refused(bench_file, sequence_file, limit, told) -> None:
    """With a release that may take 12 s, 20 s keyed do not fit into 20 s: the plan says what would do, and nothing is sent."""
    bench = load_bench(str(bench_file(protection={"max_key_time": limit})))
    with pytest.raises(FileProblems, match=told) as refused:
        make_plan(load_sequence(str(sequence_file(HOT))), bench)
    assert "short.yaml:7:" in str(refused.value)


def test_what_the_refusal_names_is_accepted(bench_file, sequence_file) -> None:
    """The key time that the refusal names, or the shorter time, lets the same sequence be planned."""
    long = load_bench(str(bench_file("long.yaml", protection={"max_key_time": "35 s"})))
    short = load_bench(str(bench_file("short.yaml", protection={"max_key_time": "20 s"})))
    assert make_plan(load_sequence(str(sequence_file(HOT))), long).steps
    fits = HOT.replace("keyed_for: 20 s", "keyed_for: 5.3 s")
    assert make_plan(load_sequence(str(sequence_file(fits, "fits.yaml"))), short).steps


def test_a_slow_meter_never_moves_the_readings_into_a_fresh_key_down(make_rig) -> None:
    """Where late answers leave no room, the reading is not taken after a rest: not measured, with what would help."""
    from sim.scpi.faults import Fault, FaultKind

    rig = make_rig(serial="M40-0014", sequence=HOT, protection={"max_key_time": "35 s"})
    rig.inject("power_meter", Fault(kind=FaultKind.DELAY, match="READ", times=None, argument=1.5))
    (result,) = rig.run().results
    assert _presses(rig) == 2  # the first is the short one after the switch has moved
    assert result.value is None
    assert "transmitted as long as 'max_key_time' allows" in result.note


def test_only_instruments_used_while_keyed_shorten_the_key_time(bench_file, sequence_file) -> None:
    """A voltmeter that may take 30 s and is not read while keyed costs no key time; a power meter that may, does."""
    text = HOT.replace(", keyed_for: 20 s", "")
    slow = load_bench(str(bench_file("slow.yaml", instruments={"voltmeter": {"timeout": "30 s"}})))
    assert make_plan(load_sequence(str(sequence_file(text))), slow).steps
    used = load_bench(str(bench_file("used.yaml", instruments={"power_meter": {"timeout": "30 s"}})))
    with pytest.raises(FileProblems, match="cannot be promised"):
        make_plan(load_sequence(str(sequence_file(text))), used)
