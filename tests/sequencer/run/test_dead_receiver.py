"""A receiver without a sign of life: the receive side ends with its first check where the sequence says so, and it is said."""

from __future__ import annotations

from pathlib import Path

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import make_plan
from sequencer.uncertainty.decision import Decision
from tests.support.running import Ran, run_plan

SEQUENCE = """\
sequence: Dead
channels: plans/cept-40.yaml
supply: 13.2 V
{option}
checks:
  - {{check: sensitivity, channel: 20, levels: {{max: -100 dBm}}, limit: {{max: -113 dBm}}}}
  - {{check: sensitivity, channel: 1, levels: {{max: -100 dBm}}, limit: {{max: -113 dBm}}}}
  - {{check: carrier_power, channel: 20, limit: {{max: 4 W}}}}
"""
TOP = Path(__file__).parents[3]


def _ran(folder: Path, option: str, *, worn_db: int) -> Ran:
    """Run it on a sound unit behind a generator cable that loses so much."""
    text = (TOP / "sim" / "bench.yaml").read_text(encoding="utf-8").replace("units/", f"{TOP}/sim/units/")
    text = text.replace("unit: units", f"unit: {TOP}/sim/units")
    (folder / "bench.yaml").write_text(f"{text}\nworn: {{generator_cable: {worn_db} dB}}\n", encoding="utf-8")
    (folder / "dead.yaml").write_text(SEQUENCE.format(option=option), encoding="utf-8")
    bench = load_bench(str(folder / "bench.yaml"))
    plan = make_plan(load_sequence(str(folder / "dead.yaml")), bench, serial="M40-0007")
    return run_plan(folder, "M40-0007", plan, bench_parts(bench, serial="M40-0007", dry_run=False))


def test_the_receive_side_ends_and_the_transmit_side_does_not(tmp_path: Path) -> None:
    """The second search is left out, with why; power is measured."""
    first, second, power = _ran(tmp_path, "dead_receiver: end", worn_db=30).outcome.results
    assert first.decision is Decision.NOT_MEASURED
    assert "left out" not in first.note
    assert second.decision is Decision.NOT_MEASURED
    assert second.note.startswith("left out: the receive side ended with sensitivity")
    assert second.upper_limit == -113.0
    assert power.decision is Decision.PASS


def test_it_is_off_unless_the_sequence_says_so(tmp_path: Path) -> None:
    """Every check is made, and each says what it found."""
    results = _ran(tmp_path, "", worn_db=30).outcome.results
    assert [one.decision for one in results[:2]] == [Decision.NOT_MEASURED] * 2
    assert not any("left out" in one.note for one in results)


def test_a_receiver_that_hears_is_measured_to_the_end(tmp_path: Path) -> None:
    """Nothing is left out of a unit that is alive."""
    results = _ran(tmp_path, "dead_receiver: end", worn_db=0).outcome.results
    assert all(one.value is not None for one in results)
