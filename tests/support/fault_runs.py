"""Runs of a shipped sequence on the simulated bench, each with one operation disturbed, all from one undisturbed run.

At each operation that is to be disturbed the undisturbed run is copied (`os.fork`): the copy meets the fault, runs on, judges what it came
to, and hands that back. Nothing of the engine knows of it, in virtual time nothing sleeps, and a copy that runs on is the run that would
have been made from the start (`from_start` makes that one; a test holds both against each other).
"""

from __future__ import annotations

import gc
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from sequencer.planning.step import Step
from sequencer.results.store.place import STORE_NAME, find_place
from sequencer.results.store.store import Store
from sequencer.results.store.writer import StoreWriter
from sequencer.run import record
from sequencer.run.keeping import inputs
from sequencer.run.record import Record, RunFacts
from sequencer.run.runner import Runner
from tests.support.fault_judge import Came, Ran, came_to, is_left_lowest, was_keyed_to_find, wrong
from tests.support.fault_resume import not_carried_on
from tests.support.forked import Children
from tests.support.rig import MemoryRecord, Nodding, Rig
from tests.support.wire_faults import KINDS, Fault, FaultyLibrary, Operation, is_setting

SHM = Path("/dev/shm")
WHOLE = ("acceptance", "multimode")
"""The sequences of which every operation is due; of the others a sample."""
SEQUENCES = {
    "acceptance": ("fm-mobile-acceptance", "bench", "M40-0007"),
    "multimode": ("multimode-27mhz", "bench", "MX40-0101"),
    "spectrum": ("pre-check-fm-27mhz", "spectrum-bench", "M40-0007"),
    "two-generators": ("receiver-rejections", "two-signal-bench", "M40-0061"),
    "chamber": ("over-temperature", "chamber-bench", "M40-0081"),
    "signalling-tone": ("signalling-tone", "bench", "M40-0071"),
    "signalling-code": ("signalling-code", "bench", "M40-0072"),
    "signalling-dual-tone": ("signalling-dual-tone", "bench", "M40-0075"),
}
"""Sequence, bench and unit by the name that a campaign has here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What one disturbed run came to, and how it can be made again."""

    sequence: str
    kind: str
    number: int
    stays: bool
    came: str
    at: str
    """Call, instrument and message."""
    step: str
    wrong: tuple[str, ...] = ()
    why: str = ""
    """The first fault that was met."""
    digest: str = ""
    """All that the run left, for a comparison."""

    @property
    def again(self) -> str:
        """The command that makes this run alone."""
        stays = "stays" if self.stays else "once"
        return (
            f"python -m tests.benchmarks.fault_campaign --sequence {self.sequence} --kinds {self.kind} --{stays} "
            f"--from {self.number} --to {self.number} --show"
        )


class DoubleRecord:
    """A record in memory; in a copy that was disturbed also a table and store on a disk, which are handed all that was kept before."""

    def __init__(self, facts: RunFacts) -> None:
        self.memory = MemoryRecord(facts)
        self.disk: Record | None = None
        self._calls: list[tuple[str, tuple[Any, ...], dict[str, Any]]] = []

    def write_to(self, folder: Path) -> None:
        """Keep everything, from the first call on, in ``folder`` too."""
        self.disk = Record(folder, self.memory.facts)
        for name, arguments, options in self._calls:
            getattr(self.disk, name)(*arguments, **options)

    def __getattr__(self, name: str) -> Any:
        found = getattr(self.memory, name)
        if not callable(found):
            return getattr(self.disk, name) if self.disk is not None else found

        def call(*arguments: Any, **options: Any) -> Any:
            self._calls.append((name, arguments, options))
            came = found(*arguments, **options)
            return came if self.disk is None else getattr(self.disk, name)(*arguments, **options)

        return call


class Campaign:
    """The disturbed runs of one sequence; ``follow``: how many checks after the disturbed one are made, None for all.

    ``resume``: what lacks a result in the end is carried on, without the fault.
    """

    def __init__(
        self,
        name: str,
        *,
        jobs: int = 1,
        follow: int | None = None,
        store: bool = True,
        resume: bool = False,
    ) -> None:
        file, bench, self.serial = SEQUENCES[name]
        self.name = name
        self.plan = make_plan(load_sequence(file), load_bench(bench), serial=self.serial)
        self._jobs, self._follow, self._store, self._resume = jobs, follow, store, resume
        self.empty_store: bytes = b""
        self.sound, self.operations = self._undisturbed()

    def warm(self) -> None:
        """Make once what every copy would make for itself: what a disturbed run imports, an empty store, and the files that are kept.

        The store's tables are made by the shipped writer; each copy has the file to itself. What stands in memory by now is taken
        out of the collector's sight, which would touch all of it in each copy.
        """
        if self._store:
            read = inputs.inputs_of(self.plan)
            record.inputs_of = inputs.inputs_of = lambda plan: read
            with tempfile.TemporaryDirectory(dir=SHM if SHM.is_dir() else None) as folder:
                StoreWriter.open(Path(folder) / STORE_NAME).close()
                self.empty_store = (Path(folder) / STORE_NAME).read_bytes()
        self.from_start(Fault(kind="garbage", number=min(100, len(self.operations)), stays=True))
        gc.collect()
        gc.freeze()

    def _undisturbed(self) -> tuple[Ran, list[Operation]]:
        operations: list[Operation] = []
        run = _Run(self, lambda operation: operations.append(operation) or None)
        return run.made(), operations

    def faults(
        self, kinds: Sequence[str], stays: Sequence[bool], numbers: Sequence[int]
    ) -> dict[int, list[Fault]]:
        """Return by number of operation what may go wrong there."""
        found: dict[int, list[Fault]] = {}
        for number in numbers:
            operation = self.operations[number - 1]
            for kind in kinds:
                if operation.call not in KINDS[kind].calls:
                    continue
                if kind == "disobeyed" and not is_setting(operation.message.encode("latin-1")):
                    continue
                found.setdefault(number, []).extend(
                    Fault(kind=kind, number=number, stays=one) for one in stays
                )
        return found

    def run(
        self,
        faults: dict[int, list[Fault]],
        take: Callable[[Verdict], None],
        *,
        is_due: Callable[[int], bool] = lambda number: True,
    ) -> None:
        """Make a run for each fault, and tell what it came to; at operations for which ``is_due`` says no, none."""

        def taken(fault: Fault, found: Any) -> None:
            if found is None:
                found = self._verdict(fault, "", Came.WRONG, ["it hung, or died without a word"], "", "")
            else:
                found = Verdict(**found | {"wrong": tuple(found["wrong"])})
            take(found)

        children = Children(self._jobs, taken)
        run: _Run

        def before(operation: Operation) -> Fault | None:
            for fault in faults.get(operation.number, ()) if is_due(operation.number) else ():
                if children.fork(fault):
                    run.disturb(fault)
                    return fault
            return None

        run = _Run(self, before)
        made = run.made()
        if children.is_child:
            try:
                verdict = asdict(self.judged(run, made))
            except BaseException as error:  # told by who waits for it
                verdict = asdict(
                    self._verdict(run.fault, run.step, Came.WRONG, [f"the judge failed: {error!r}"], "", "")
                )
            children.hand_back(verdict)
        children.finish()

    def from_start(self, fault: Fault) -> Verdict:
        """Make the same run from its start, in this process."""
        run: _Run

        def before(operation: Operation) -> Fault | None:
            if operation.number != fault.number:
                return None
            run.disturb(fault)
            return fault

        run = _Run(self, before)
        return self.judged(run, run.made())

    def judged(self, run: _Run, made: Ran) -> Verdict:
        """Return the verdict of a disturbed run."""
        assert run.fault is not None
        lies = (
            run.fault.kind == "disobeyed"
            and self._named(self.operations[run.fault.number - 1].address) == "switch"
        )
        came = came_to(self.sound, made)
        complaints = [*wrong(self.sound, made, switch_lies=lies), *run.kept_wrongly()]
        if self._resume and came in (Came.NOT_MEASURED, Came.ENDED):
            complaints += not_carried_on(self.sound, made, Path(run.folder), run.record.memory.facts.run)
        if run.folder:
            shutil.rmtree(run.folder, ignore_errors=True)
        if complaints:
            came = Came.WRONG
        if lies and not complaints and was_keyed_to_find(made):
            came = Came.KEYED
        elif not complaints and is_left_lowest(made):
            came = Came.LOWEST
        why = (
            "; ".join(f"{one.kind}: {one.what}" for one in made.outcome.faults[:2])
            or " ".join(made.outcome.problems)[:300]
        )
        results = [
            f"{one.check} {one.quantity} {one.value} {one.decision.value} {one.note}"
            for each in made.kept.values()
            for one in each
        ]
        digest = "\n".join(
            [
                *results,
                str(made.outcome.status),
                made.outcome.safe_state.last_line(),
                f"{made.outcome.bench_s:.9f}",
                *map(str, made.simulation.hazards),
            ]
        )
        return self._verdict(run.fault, run.step, came, complaints, why, digest)

    def _verdict(
        self, fault: Fault | None, step: str, came: Came, complaints: list[str], why: str, digest: str
    ) -> Verdict:
        assert fault is not None
        operation = self.operations[fault.number - 1]
        return Verdict(
            sequence=self.name,
            kind=fault.kind,
            number=fault.number,
            stays=fault.stays,
            came=came.value,
            at=f"{operation.call.value} {self._named(operation.address)} {operation.message[:90]!r}",
            step=step,
            wrong=tuple(complaints),
            why=why,
            digest=digest,
        )

    def _named(self, address: str) -> str:
        entries = self.plan.bench.bench.instruments
        return next((name for name, one in entries.items() if one.address == address), address)


class _Run:
    """One run in the making; in a copy it is told with `disturb` that the fault comes now."""

    def __init__(self, campaign: Campaign, before: Callable[[Operation], Fault | None]) -> None:
        self._campaign = campaign
        self.fault: Fault | None = None
        self.step = ""
        self._steps: list[Step] = []
        self._left: int | None = None
        self.folder = ""
        self.rig = Rig(campaign.plan, campaign.serial)
        self.record = DoubleRecord(self.rig.record.facts)
        FaultyLibrary(self.rig.simulation, before)

    def disturb(self, fault: Fault) -> None:
        """Note that this run is disturbed from now on; keep it on a disk from its start."""
        self.fault = fault
        self.step = self._steps[-1].label if self._steps else "opening"
        self._left = self._campaign._follow
        if self._campaign._store:
            self.folder = tempfile.mkdtemp(dir=SHM if SHM.is_dir() else None)
            if self._campaign.empty_store:
                (Path(self.folder) / STORE_NAME).write_bytes(self._campaign.empty_store)
            self.record.write_to(Path(self.folder))

    def made(self) -> Ran:
        """Make the run."""
        keeper: Any = self.record
        with _parts_of(self._followed):
            outcome = Runner(self.rig.plan, self.rig.parts, keeper, Nodding(), ()).run()
        memory = self.record.memory
        # the steps that were begun, and all where the run was not cut to what follows the fault
        steps = self.rig.plan.steps if self._left is None else self._steps
        return Ran(
            kept={index: found for index, found in memory.kept.items() if found},
            outcome=outcome,
            ended=memory.ended.get("outcome", ""),
            simulation=self.rig.simulation,
            steps=tuple(step.index for step in steps),
        )

    def kept_wrongly(self) -> list[str]:
        """Return what the store lacks, once the run is over."""
        if self.record.disk is None:
            return []
        memory, facts, disk = self.record.memory, self.record.memory.facts, self.record.disk
        complaints = [f"the record complains: {one}" for one in disk.problems]
        disk.__exit__(None, None, None)
        with Store.open_to_read(find_place(Path(self.folder), "")) as store:
            stored = {(one.check_index, one.quantity, one.value) for one in store.read_results(facts.run)}
            run = store.read_run(facts.run)
        for index, found in memory.kept.items():
            complaints += [
                f"the store {STORE_NAME} lacks {one.quantity}"
                for one in found
                if (index, one.quantity, one.value) not in stored
            ]
        if run is None or run.outcome != memory.ended.get("outcome"):
            complaints.append("the store does not say how the run ended")
        return complaints

    def _followed(self, parts: Sequence[tuple[Step, ...]]) -> Iterator[tuple[Step, ...]]:
        for together in parts:
            if self._left is not None:
                if self._left == 0:
                    return
                self._left -= 1
            self._steps += together
            yield together


@contextmanager
def _parts_of(follow: Callable[[Sequence[tuple[Step, ...]]], Iterator[tuple[Step, ...]]]) -> Iterator[None]:
    """Let a plan's parts be taken through ``follow``: a disturbed run may end after the checks that come next."""
    own = Plan.parts
    assert own.fget is not None
    take = own.fget
    Plan.parts = property(lambda plan: follow(take(plan)))  # type: ignore[assignment,method-assign]
    try:
        yield
    finally:
        Plan.parts = own  # type: ignore[method-assign]


def state_folder() -> str:
    """Keep locks and marks of these runs apart from the machine's; return where."""
    folder = tempfile.mkdtemp(prefix="campaign-")
    os.environ["SEQUENCER_STATE"] = folder
    return folder
