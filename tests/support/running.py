"""Runs one small sequence on a specimen of the simulated shelf, through the real plan, runner and record."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from sequencer.bench.open_bench import BenchParts
from sequencer.checks.live import LivePerson
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import Plan, make_plan
from sequencer.results.model import Result
from sequencer.run.events import Listener
from sequencer.run.people.confirm import GivenBeforehand
from sequencer.run.record import Record, RunFacts
from sequencer.run.runner import Runner, RunOutcome
from sim.bench import SimulatedBench
from sim.wiring.witness import HazardKind


class Ran:
    """One run: its results by quantity, its plan, its outcome, and the simulation it ran on."""

    def __init__(self, plan: Plan, outcome: RunOutcome, simulation: SimulatedBench) -> None:
        self.plan = plan
        self.outcome = outcome
        self.simulation = simulation

    def found(self, quantity: str, channel: int | None = None) -> Result:
        """Return the only result of a quantity (on a channel, where one is given)."""
        (result,) = (
            one for one in self.outcome.results if one.quantity == quantity and channel in (None, one.channel)
        )
        return result

    def number(self, quantity: str, channel: int | None = None) -> float:
        """Return the value of the only result of a quantity; fails where nothing was measured."""
        result = self.found(quantity, channel)
        assert result.value is not None, result.note
        return result.value


def run_checks(
    folder: Path,
    serial: str,
    checks: str,
    *,
    mode: str = "FM",
    plan: str = "cept-40",
    supply: str = "13.2 V",
    bench: str = "sim/bench.yaml",
    before: Callable[[SimulatedBench], Any] | None = None,
    live: Callable[[SimulatedBench], LivePerson] | None = None,
    hazards: frozenset[HazardKind] = frozenset(),
) -> Ran:
    """Run ``checks`` (YAML list items, one a line) on the specimen ``serial``; ``before`` may look at or change the simulation."""
    items = "\n".join("  - " + line.strip() for line in checks.strip().splitlines())
    file = folder / "sequence.yaml"
    file.write_text(
        f"sequence: test\nchannels: {plan}\nmode: {mode}\nsupply: {supply}\nrated_supply: {{min: 5 V, max: 16 V}}\n"
        f"prepare: [{{confirm: knobs right}}]\nchecks:\n{items}\n",
        encoding="utf-8",
    )
    loaded = load_bench(bench)
    proved = make_plan(load_sequence(str(file)), loaded, serial=serial)
    parts = bench_parts(loaded, serial=serial, dry_run=False)
    assert parts.simulation is not None
    if before is not None:
        before(parts.simulation)
    person = None if live is None else live(parts.simulation)
    return run_plan(folder, serial, proved, parts, live=person, hazards=hazards)


def run_plan(
    folder: Path,
    serial: str,
    proved: Plan,
    parts: BenchParts,
    listeners: Sequence[Listener] = (),
    *,
    live: LivePerson | None = None,
    hazards: frozenset[HazardKind] = frozenset(),
) -> Ran:
    """Run a plan on the simulated bench of ``parts``; it must end safe, and no hazard but those of ``hazards`` may have been seen."""
    assert parts.simulation is not None
    facts = RunFacts(
        run=f"r-{uuid.uuid4().hex[:8]}",
        time=datetime.now().astimezone(),
        serial=serial,
        model="",
        simulated=True,
        bench_name="bench (simulated)",
        plan=proved,
    )
    with Record(folder / "results", facts) as record:
        outcome = Runner(proved, parts, record, GivenBeforehand(), listeners, live=live).run()
    assert outcome.safe_state.confirmed
    assert {one.kind for one in parts.simulation.hazards} <= hazards
    return Ran(proved, outcome, parts.simulation)
