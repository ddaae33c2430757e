"""A job measured on the bench of this process: proved by its plan, measured or carried on, kept under the job's fence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from typing_extensions import override

from drivers.faults import InstrumentFault
from sequencer.bench.locks import BenchBusy
from sequencer.bench.open_bench import BenchUnsafe
from sequencer.bench.simulation import specimen_for
from sequencer.cli.common.bench import any_serial
from sequencer.cli.line import batch_stopped
from sequencer.cli.resume import prepare_rest
from sequencer.cli.run import Asked, Prepared, Ran, facts_of_run, prepare
from sequencer.cli.screens.summary import verdict_line
from sequencer.fleet.worker import Measured, Measures, Settled
from sequencer.inputs.bench_parts.bench_health import bench_serial
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.doubts.loss_beyond import loss_beyond_lines
from sequencer.problems import FileProblems, printable
from sequencer.results.conditional import met_words
from sequencer.results.journal import read_journal
from sequencer.results.queue.claim import Claim
from sequencer.results.queue.fence import CUT_SHORT, DONE, JobFence
from sequencer.results.queue.jobs import ON_LINE
from sequencer.results.store.fence import FenceLost
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.writer import StoreWriter
from sequencer.run.keeping.bench_now import BenchTeller
from sequencer.run.keeping.journals import glance, is_held, journals
from sequencer.run.line.kept_bench import KeptBench
from sequencer.run.people.confirm import GivenBeforehand
from sequencer.run.record import Record
from sequencer.run.resuming.taken_up import import_into
from sequencer.run.runner import Runner
from sequencer.safety.state import SafeState


class JobBench(Measures):
    """The bench of a worker. ``units`` are those connected to a real one; a simulated bench has all of its shelf."""

    def __init__(
        self,
        asked: Asked,
        loaded: LoadedBench,
        place: StorePlace,
        teller: BenchTeller,
        *,
        units: tuple[str, ...] = (),
    ) -> None:
        """``teller`` says in the store what the bench does."""
        self._teller = teller
        self._asked, self._loaded, self._place, self._units = asked, loaded, place, units
        self._bench = KeptBench(loaded, dry_run=asked.dry_run)
        self._is_simulated = asked.dry_run or loaded.bench.visa == "sim"

    def open_first(self) -> SafeState:
        """Open the bench and make it safe, whatever an earlier process left. Raises BenchBusy, BenchUnsafe, InstrumentFault."""
        opened = self._bench.take(any_serial(self._loaded) if self._loaded.bench.simulated else "")
        opened.open()
        return opened.make_safe(last=True)

    @property
    def left_keyed(self) -> str:
        """What a person must be told of a unit that an earlier process left keyed."""
        return self._bench.left_keyed

    def waits(self) -> None:
        """Say in the store that the bench waits for a job."""
        self._teller.tell(phase="waiting", check="", remaining_s=None)

    def close(self) -> SafeState | None:
        """Make the bench safe and let go of it; None where it is not open."""
        return self._bench.close()

    @override
    def measure(self, claim: Claim, fence: JobFence, tell: Callable[[str], None]) -> Measured:
        try:
            prepared = self._rest(claim, fence, tell)
            if isinstance(prepared, Measured):
                return prepared
            if prepared is None:
                prepared = self._proved(claim)
                fence.take_anew()
        except FileProblems as problems:
            return Measured(refused=_in_a_line(problems))
        except StoreProblem as problem:
            return Measured(not_begun=printable(str(problem)))
        try:
            return self._ran(prepared, fence)
        except FileProblems as problems:  # of the folder or the store: no word on whether the bench can do it
            return Measured(
                not_begun=_in_a_line(problems), failed=not isinstance(problems.__cause__, StoreProblem)
            )
        except FenceLost as lost:
            return Measured(said=str(lost))
        except (StoreProblem, BenchBusy, BenchUnsafe, InstrumentFault) as problem:
            return Measured(not_begun=printable(str(problem)), failed=not isinstance(problem, StoreProblem))

    # -- what is to be made ---------------------------------------------------------------------------------------------

    def _proved(self, claim: Claim) -> Prepared:
        """Return the run of a job, proved by the plan for this bench. Raises FileProblems with why it cannot be made here."""
        own = claim.serial == bench_serial(self._loaded.bench.bench)
        if not (self._is_simulated or own or claim.serial in self._units):
            raise _refused(
                f"unit {claim.serial} is not connected to it: its worker was started for {_named(self._units)}"
            )
        # what the worker itself was started with is the bench's: its station, its fixture, and an operator who is there all day
        told = {name: text for name in ON_LINE if (text := getattr(claim, name))}
        line = replace(self._asked.line, **told)
        wanted = replace(
            self._asked, sequence_name=claim.sequence, serial=claim.serial, model=claim.model, line=line
        )
        prepared = prepare(wanted)
        found = prepared.plan.sequence
        if found.hash != claim.sequence_hash:
            raise _refused(
                f"{found.path} is not the file that the job was added with (hash {found.hash}, asked for {claim.sequence_hash})"
            )
        if beyond := loss_beyond_lines(prepared.plan):
            raise _refused(beyond[0].removeprefix("note: "))
        if self._is_simulated and not own:
            specimen_for(
                prepared.plan.bench,
                claim.serial,
                dry_run=self._asked.dry_run,
                modes=found.modes,
                frequencies_hz=found.frequencies_hz,
            )
        return prepared

    def _rest(self, claim: Claim, fence: JobFence, tell: Callable[[str], None]) -> Prepared | Measured | None:
        """Return what is left of a run that was cut short, where its journal lies here; what became of one that only its store lacks.

        None where it is to be measured from the start.
        """
        path = self._journal_of(claim.run) if claim.run else None
        if path is None:
            if claim.run:
                tell(f"run {claim.run} was cut short elsewhere; measured from the start")
            return None
        found = glance(path)
        if found is not None and found.outcome == DONE:
            tell(f"run {claim.run} had ended; its end is brought into the store")
            return Measured(beside=path)
        try:
            prepared, said = prepare_rest(
                path, confirmed=self._asked.confirmed, folder=self._asked.folder, store=self._asked.store
            )
        except FileProblems as problems:
            tell(f"run {claim.run} cannot be carried on ({_in_a_line(problems)}); measured from the start")
            return None
        for one in said[:1]:
            tell(f"run {claim.run} is carried on: {one}")
        return replace(prepared, asked=replace(prepared.asked, folder=self._asked.folder))

    def _journal_of(self, run: str) -> Path | None:
        for path in journals(self._asked.folder):
            found = glance(path)
            if found is not None and found.run == run and not is_held(path):
                return path
        return None

    # -- the run --------------------------------------------------------------------------------------------------------

    def _ran(self, prepared: Prepared, fence: JobFence) -> Measured:
        plan, asked = prepared.plan, prepared.asked
        opened = self._bench.take(asked.serial, plan.sequence)
        parts = self._bench.parts
        assert parts is not None
        before = 0 if parts.simulation is None else len(parts.simulation.hazards)
        self._teller.of_run(plan, batch=prepared.line.batch)
        with Record(asked.folder, facts_of_run(prepared, parts), store=asked.store, fence=fence) as record:
            runner = Runner(
                plan,
                parts,
                record,
                GivenBeforehand(),
                [self._teller.listen],
                cables=GivenBeforehand(),
                enterer=prepared.people.enterer(None),
                bench=opened,
            )
            outcome = runner.run()
        self.waits()
        hazards = () if parts.simulation is None else tuple(parts.simulation.hazards[before:])
        stopped = batch_stopped(record.facts.batch, self._place, record.facts.run)
        ran = Ran(facts=record.facts, outcome=outcome, record=record, hazards=hazards, batch_stopped=stopped)
        return self._measured(ran)

    @staticmethod
    def _measured(ran: Ran) -> Measured:
        state, journal = ran.outcome.safe_state, ran.record.journal.path
        found = glance(journal)
        how = found.outcome if found is not None else ""
        went_through = how == DONE
        said = _verdict(ran) if went_through else how
        words = [said, f"run {ran.facts.run}"] if said else [f"run {ran.facts.run}"]
        words += [f"witness: {one}" for one in ran.hazards]
        words += [] if state.confirmed else [state.last_line()]
        words += [ran.batch_stopped] if ran.batch_stopped else []
        return Measured(
            said=printable("; ".join(words)),
            beside=journal if ran.record.waits_for_store else None,
            failed=(not went_through and not how.startswith(CUT_SHORT)) or bool(ran.hazards),
            unsafe=not state.confirmed and state.touched,
        )

    @override
    def settle(self, beside: Path, fence: JobFence) -> Settled:
        try:
            read = read_journal(beside)
            with StoreWriter.open(self._place, fence=fence) as writer:
                came = import_into(writer, read.kept)
        except FenceLost:
            return Settled(late=True)
        except StoreProblem as problem:
            if problem.may_pass:
                return Settled(away=True)
            return Settled(said=f"{problem} The run stands in {beside}.", failed=True)
        except FileProblems as problems:
            return Settled(said=_in_a_line(problems), failed=True)
        return Settled(said=f"the store has it now: {came.results} results added")


def _verdict(ran: Ran) -> str:
    """Return in a line how a run that went through came out; where all that went wrong is what could not be kept, that it is that."""
    outcome, unkept = ran.outcome, ran.record.problems
    if not unkept or set(outcome.problems) - set(unkept):
        return verdict_line(outcome)
    measured = verdict_line(replace(outcome, problems=())) or met_words(outcome.results)
    return f"{measured} Not all could be kept: {unkept[0]}"


def _refused(why: str) -> FileProblems:
    from sequencer.problems import about_file

    return about_file("bench", why)


def _named(units: tuple[str, ...]) -> str:
    return " and ".join(units) if units else "none"


def _in_a_line(problems: FileProblems) -> str:
    """Return what is wrong in one line: the first complaint, and how many more there are."""
    first, *more = problems.complaints
    words = first.message + (f" ({first.hint})" if first.hint else "")
    return printable(f"{words}{f'; and {len(more)} more' if more else ''}")[:400]
