"""Short runs on the simulated bench that end in every way, are carried on by `sequencer resume`, and are gone through again."""

from __future__ import annotations

import signal
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import InputError
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from sequencer.run.events import CheckStarted, Event
from sequencer.run.people.confirm import GivenBeforehand
from sequencer.run.record import Record, RunFacts
from sequencer.run.replay.replay import Replayed, replay
from sequencer.run.replay.source import Source, source_in_store
from sequencer.run.runner import Runner
from sequencer.run.status import ExitStatus
from sim.bench import SimulatedBench
from tests.support.crashed import call
from tests.support.wire_faults import KINDS, Fault, FaultyLibrary, Operation, is_setting

SERIAL = "M40-0007"
SEQUENCE = """\
sequence: Short
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
prepare: [{confirm: knobs right}]
checks:
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
  - {check: sinad, channel: 20, level: -100 dBm}
  - {check: carrier_power, channel: 1, readings: 2, limit: {max: 4 W}}
"""
"""Two checks that share a key-down, one of the receiver, one more of the transmitter."""
SHARED_SECOND = 2
"""The number of the second of the two that share a key-down; 0 is the confirmation."""


@dataclass(kw_only=True)
class Moment:
    """Where a run is: the operations of its instruments, its waits, and the check that began last."""

    operations: int = 0
    waits: int = 0
    check: int = -1


Disturb = Callable[[Moment, Operation | None], Fault | None]
"""Asked at each operation (and, with None, at each wait) which fault it shall have; it may stop the run by `stop` instead."""


def stop() -> None:
    """Stop the run as Ctrl-C does."""
    signal.raise_signal(signal.SIGINT)


def stopped_at(*, operation: int = 0, wait: int = 0, check: int | None = None) -> Disturb:
    """Return what stops a run at an operation or a wait, counted from 1 from its beginning or that of a ``check``."""
    found = Moment()

    def disturb(moment: Moment, at: Operation | None) -> Fault | None:
        if check is not None and moment.check < check:
            return None
        found.operations += at is not None
        found.waits += at is None
        if (found.operations if at is not None else found.waits) == (operation if at is not None else wait):
            stop()
        return None

    return disturb


def fault_at(kind: str, number: int, *, stays: bool = True) -> Disturb:
    """Return what gives the operation with that ``number`` a fault, where it can have one of that kind."""

    def disturb(moment: Moment, at: Operation | None) -> Fault | None:
        if at is None or at.number != number or at.call not in KINDS[kind].calls:
            return None
        if kind == "disobeyed" and not is_setting(at.message.encode("latin-1")):
            return None
        return Fault(kind=kind, number=number, stays=stays)

    return disturb


class EndedRun:
    """One run in ``folder`` that was disturbed, as it ended."""

    def __init__(self, folder: Path, disturb: Disturb, *, plan: Plan | None = None) -> None:
        self.results = folder / "results"
        self.moment = Moment()
        plan = plan or short_plan(folder)
        parts = bench_parts(plan.bench, serial=SERIAL, dry_run=False)
        assert parts.simulation is not None
        self._disturb = disturb
        FaultyLibrary(parts.simulation, self._operation)
        self._watch_waits(parts.simulation)
        facts = RunFacts(
            run=f"r-{uuid.uuid4().hex[:8]}",
            time=datetime.now().astimezone(),
            serial=SERIAL,
            model="",
            simulated=True,
            bench_name="bench (simulated)",
            plan=plan,
        )
        with Record(self.results, facts) as record:
            self.outcome = Runner(plan, parts, record, GivenBeforehand(), [self._event]).run()

    def _operation(self, operation: Operation) -> Fault | None:
        self.moment.operations = operation.number
        return self._disturb(self.moment, operation)

    def _event(self, event: Event) -> None:
        if isinstance(event, CheckStarted):
            self.moment.check = event.index

    def _watch_waits(self, simulation: SimulatedBench) -> None:
        clock: Any = simulation.clock
        wait_s = clock.wait_s

        def watched(seconds: float) -> None:
            self.moment.waits += 1
            self._disturb(self.moment, None)
            wait_s(seconds)

        clock.wait_s = watched

    @property
    def is_left(self) -> bool:
        """Whether something of it is left to be measured."""
        return self.outcome.status in (ExitStatus.BENCH_FAILED, ExitStatus.INTERRUPTED)

    def resume(self) -> int:
        """Carry it on by the command; return its exit status."""
        return int(call("resume", "--confirmed", "--folder", str(self.results)).exit_code)

    def source(self) -> Source:
        """Return the run as a replay takes it."""
        return source_of(self.results)


def source_of(results: Path) -> Source:
    """Return the only run of the store in a folder."""
    place = find_place(results, "")
    with Store.open_to_read(place) as store:
        (run,) = store.read_runs()
        return source_in_store(run, store, place)


def short_plan(folder: Path) -> Plan:
    """Write the short sequence into ``folder`` and plan it on the shipped bench."""
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "short.yaml"
    file.write_text(SEQUENCE, encoding="utf-8")
    return make_plan(load_sequence(str(file)), load_bench("sim/bench.yaml"), serial=SERIAL, share_key=True)


def wrong_with(results: Path) -> str:
    """Replay the run of a folder; return what is not as it was, empty where all is."""
    try:
        replayed: Replayed = replay(source_of(results))
    except InputError as refused:
        return f"refused: {refused}"
    return "" if replayed.is_same else replayed.described()
