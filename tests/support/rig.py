"""One run in the making, with nothing to wait for: a plan on the simulated bench, a record in memory, a person who nods."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from typing_extensions import override

from drivers.roles import Identity
from drivers.trace import Direction, Exchange
from sequencer.analysis.own_history import OwnHistory
from sequencer.bench import simulation
from sequencer.bench.open_bench import OpenBench
from sequencer.bench.parts import BenchParts
from sequencer.checks.base import Check, KeptFile
from sequencer.planning.doubts.calibration import Doubt
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import Plan
from sequencer.results.model import Result
from sequencer.run.events import Event
from sequencer.run.keeping.keeper import InMemory
from sequencer.run.record import RunFacts
from sequencer.run.runner import Runner, RunOutcome
from sequencer.safety.remembered.announced import Announced
from sim.scpi.faults import Fault, FaultScript


class MemoryRecord(InMemory):
    """What a run leaves, kept in memory with what a test looks at beside the results, and no disk to wait for."""

    def __init__(self, facts: RunFacts) -> None:
        super().__init__(facts, earlier=lambda serial, check: self.earlier)
        self.said: list[Exchange] = []
        self.files: dict[str, bytes] = {}
        self.ended: dict[str, Any] = {}
        self.noted: list[tuple[str, dict[str, Any]]] = []
        self.earlier = OwnHistory()
        self.changes: list[Doubt] = []

    @property
    def kept(self) -> dict[int, list[Result]]:
        """The results by the number of their check."""
        return self.results

    @override
    def note(self, event: str, **facts: Any) -> None:
        self.noted.append((event, facts))

    @override
    def announce(self, event: Announced, /) -> None:
        self.noted.append((event.what, dict(event.facts)))

    @override
    def keep_instruments(self, identities: dict[str, Identity]) -> None:
        self.identities = identities

    @override
    def keep(self, index: int, results: Sequence[Result], said: Sequence[Exchange], **how: Any) -> None:
        super().keep(index, results, said, **how)
        self.said += said

    @override
    def keep_file(self, index: int, name: str, content: bytes) -> KeptFile:
        self.files[name] = content
        return replace(super().keep_file(index, name, content), path=Path(f"{index}-{name}"))

    @override
    def find_changes(self) -> list[Doubt]:
        return self.changes

    @override
    def end(self, **how: Any) -> None:
        super().end(**how)
        self.ended = how


class Nodding:
    """Says yes to everything, or no."""

    how = "nodded"
    who = "M. Tester"

    def __init__(self, *, answer: bool = True) -> None:
        self.answer = answer
        self.asked: list[str] = []

    def confirm(self, text: str) -> bool:
        """Return the answer."""
        self.asked.append(text)
        return self.answer


def _parts_like(before: Rig, plan: Plan) -> BenchParts:
    bench = plan.bench.bench
    simulated = simulation.simulate(
        bench, before._specimen, virtual=bench.clock == "virtual", profiles=plan.bench.profiles
    )
    serial = before.parts.serial
    return BenchParts(bench=bench, profiles=plan.bench.profiles, simulation=simulated, serial=serial)


class Rig:
    """One run in the making on a simulated bench in virtual time: break it, run it, look at what it left."""

    def __init__(self, plan: Plan, serial: str, before: Rig | None = None) -> None:
        """Make one; of ``before``, which has the same bench file, the specimen is taken, so that no shelf of them is read."""
        self.plan = plan
        self._serial = serial
        if before is None:
            self.parts = bench_parts(plan.bench, serial=serial, dry_run=False)
        else:
            self.parts = _parts_like(before, plan)
        assert self.parts.simulation is not None
        self.simulation = self.parts.simulation
        self._specimen = self.simulation.unit._as_built if before is None else before._specimen
        self.record = MemoryRecord(
            RunFacts(
                run="test",
                time=datetime.now(UTC),
                serial=serial,
                model="M40",
                simulated=True,
                bench_name="test",
                plan=plan,
            )
        )

    def again(self) -> Rig:
        """Return a rig with the same plan and everything else new: no file is read again."""
        return Rig(self.plan, self._serial, self)

    def device(self, role: str) -> Any:
        """Return the simulated instrument in ``role``."""
        found = self.plan.bench.bench.with_role(role)
        assert found is not None
        return self.simulation.devices[found[1].address]

    def inject(self, role: str, *faults: Fault) -> None:
        """Give faults to one instrument."""
        for fault in faults:
            self.device(role).faults.add(fault)

    def inject_everywhere(self, *faults: Fault) -> FaultScript:
        """Give faults to the bench as a whole: messages are counted over all its instruments."""
        script = FaultScript(faults)
        for device in self.simulation.devices.values():
            device.faults = script
        return script

    def with_checks(self, *checks: Check[Any]) -> Rig:
        """Take as many of the plan's steps as there are ``checks``, and put those in: a test's own procedures."""
        steps = tuple(
            replace(step, check=check) for step, check in zip(self.plan.steps, checks, strict=False)
        )
        self.plan = replace(self.plan, steps=steps)
        return self

    def run(
        self, confirmer: Any = None, listeners: Iterable[Callable[[Event], None]] = (), **how: Any
    ) -> RunOutcome:
        """Run the plan; ``how`` is what else a runner takes."""
        record: Any = self.record
        return Runner(self.plan, self.parts, record, confirmer or Nodding(), listeners, **how).run()

    def open(self) -> OpenBench:
        """Return the bench, to be opened."""
        return OpenBench(self.parts)

    def sent(self, instrument: str = "") -> list[str]:
        """Return every message the run sent, to one instrument or to all, in order."""
        return [
            exchange.content.decode().strip()
            for exchange in self.record.said
            if exchange.direction is Direction.SENT and instrument in ("", exchange.instrument)
        ]
