"""Runs of a short sequence over real connections (SOCKET, HiSLIP, VXI-11), with one message failed at the instruments' end.

The instruments are the simulated ones, served on the loopback; the client is pyvisa-py on the computer's clock.
Two checks, one on either side.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import yaml

from sequencer.bench.open_bench import BenchParts
from sequencer.bench.simulation import simulate, specimen_for
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from sequencer.run.record import RunFacts
from sequencer.run.runner import Runner
from sim.bench import SimulatedBench
from sim.scpi.faults import Fault, FaultKind, FaultScript
from sim.serve.connection import Connection, SocketConnection
from sim.serve.network import serve
from tests.support.fault_judge import Came, Ran, came_to, left_on, wrong
from tests.support.fault_resume import not_carried_on
from tests.support.fault_runs import DoubleRecord
from tests.support.hislip import HislipConnection
from tests.support.rig import MemoryRecord, Nodding
from tests.support.vxi11 import Vxi11Connection

SERIAL = "M40-0007"
PROTOCOLS: dict[str, type[Connection]] = {
    "socket": SocketConnection,
    "hislip": HislipConnection,
    "vxi11": Vxi11Connection,
}
KINDS: dict[str, tuple[FaultKind, Any]] = {
    "time-out": (FaultKind.TIMEOUT, None),
    "late": (FaultKind.LATE, None),
    "garbage": (FaultKind.GARBAGE, None),
    "truncated": (FaultKind.TRUNCATE, 1),
    "empty": (FaultKind.TRUNCATE, 0),
    "no terminator": (FaultKind.UNTERMINATED, None),
    "lost": (FaultKind.DISCONNECT, None),
    "error entry": (FaultKind.ERROR, (-222, "Data out of range")),
    "not a number": (FaultKind.WRONG, "9.91E37"),
}
SEQUENCE = """\
sequence: Two checks
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
  - {check: sinad, channel: 20, level: -100 dBm, limit: {min: 12 dB}}
"""
TIMEOUT = "0.5 s"
RUN = "over sockets"


def _facts(plan: Plan) -> RunFacts:
    return RunFacts(
        run=RUN,
        time=datetime.now(UTC),
        serial=SERIAL,
        model="",
        simulated=True,
        bench_name="served",
        plan=plan,
    )


class OverSockets:
    """Runs over one kind of connection, each on a bench of its own; ``sound`` is the undisturbed one, ``messages`` what it sent."""

    def __init__(self, folder: Path, protocol: str) -> None:
        self._folder = folder
        self._protocol = PROTOCOLS[protocol]
        self.sound = self.run(None)

    def run(self, fault: Fault | None) -> Ran:
        """Run with one fault, counted over all instruments."""
        with self._served() as (plan, simulation):
            script = FaultScript([fault] if fault is not None else [])
            for device in simulation.devices.values():
                device.faults = script
            return self._made(plan, simulation, MemoryRecord(_facts(plan)))

    def run_for_good(self, role: str, fault: Fault) -> tuple[Ran, list[str]]:
        """Run with a fault of one instrument that stays; then let it go, and carry the run on.

        Return the run, and what is wrong after that.
        """
        with self._served() as (plan, simulation), tempfile.TemporaryDirectory() as made:
            found = load_bench("sim/bench.yaml").bench.with_role(role)
            assert found is not None
            device = simulation.devices[found[1].address]
            device.faults = FaultScript([replace(fault, times=None)])
            record = DoubleRecord(_facts(plan))
            record.write_to(Path(made))
            ran = self._made(plan, simulation, record)
            assert record.disk is not None
            record.disk.__exit__(None, None, None)
            device.faults = FaultScript()
            lacks = came_to(self.sound, ran) in (Came.NOT_MEASURED, Came.ENDED)
            wrong_after = not_carried_on(self.sound, ran, Path(made), RUN) if lacks else []
            return ran, [*wrong_after, *(f"left on: {one}" for one in left_on(simulation))]

    def _made(self, plan: Plan, simulation: SimulatedBench, keeper: Any) -> Ran:
        memory: MemoryRecord = keeper.memory if isinstance(keeper, DoubleRecord) else keeper
        parts = BenchParts(bench=plan.bench.bench, profiles=plan.bench.profiles)
        outcome = Runner(plan, parts, keeper, Nodding(), ()).run()
        self.messages = sum(one.direction.name == "SENT" for one in memory.said)
        return Ran(
            kept={at: found for at, found in memory.kept.items() if found},
            outcome=outcome,
            ended=memory.ended.get("outcome", ""),
            simulation=simulation,
            steps=tuple(step.index for step in plan.steps),
        )

    def came_to(self, ran: Ran) -> tuple[str, list[str]]:
        """Return what a run came to, and what is wrong with it."""
        complaints = wrong(self.sound, ran)
        return "wrong" if complaints else came_to(self.sound, ran).value, complaints

    @contextmanager
    def _served(self) -> Iterator[tuple[Plan, SimulatedBench]]:
        shipped = load_bench("sim/bench.yaml")
        simulation = simulate(shipped.bench, specimen_for(shipped, SERIAL, dry_run=False), virtual=False)
        simulation.confirm_knobs()
        names = {entry.address: name for name, entry in shipped.bench.instruments.items()}
        devices = {names[address]: device for address, device in simulation.devices.items()}
        with serve(devices, connection=self._protocol) as addresses:
            content = yaml.safe_load(Path("sim/bench.yaml").read_text(encoding="utf-8"))
            for key in ("unit", "clock", "seed"):
                del content[key]
            content |= {"visa": "py", "simulated": True}
            for name, entry in content["instruments"].items():
                entry |= {"address": addresses[name], "timeout": TIMEOUT}
            bench, sequence = self._folder / "served.yaml", self._folder / "two.yaml"
            bench.write_text(yaml.safe_dump(content, sort_keys=False), encoding="utf-8")
            sequence.write_text(SEQUENCE, encoding="utf-8")
            yield make_plan(load_sequence(str(sequence)), load_bench(str(bench)), serial=SERIAL), simulation
