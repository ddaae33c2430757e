"""Measures one unit after another on a bench that stays open, and looks up what is known of a serial."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from typing_extensions import override

from drivers.faults import InstrumentFault
from sequencer.analysis.verdict import FAILED, counted_as
from sequencer.analysis.verdict import Verdict as Counted
from sequencer.bench.locks import BenchBusy
from sequencer.bench.open_bench import BenchUnsafe
from sequencer.bench.simulation import specimen_for
from sequencer.cli.common.bench import any_serial
from sequencer.cli.line import batch_stopped, opened_line
from sequencer.cli.resume import prepare_rest
from sequencer.cli.run import Asked, Prepared, Ran, facts_of_run, prepare
from sequencer.cli.screens.summary import not_met
from sequencer.cli.station.looked_up import LookedUp
from sequencer.cli.station.person import PersonAtStation
from sequencer.cli.unattended.report import report_of, wrong_lines
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.doubts.loss_beyond import loss_beyond_lines
from sequencer.problems import printable
from sequencer.results.conditional import conditional_words, met_words
from sequencer.results.model import Result
from sequencer.results.store.place import find_place
from sequencer.results.store.problems import StoreProblem
from sequencer.run.events import CheckEnded, CheckStarted, Event, FaultMet, Listener, StepTaken
from sequencer.run.interrupt import Stopper
from sequencer.run.keeping.bench_now import BenchTeller
from sequencer.run.line.admission import Known
from sequencer.run.line.face import Verdict
from sequencer.run.line.kept_bench import KeptBench
from sequencer.run.line.work import Measuring, UnitReport
from sequencer.run.people.confirm import Confirmer, GivenBeforehand
from sequencer.run.record import Record
from sequencer.run.runner import Runner
from sequencer.safety.state import REMOVE_SUPPLY, SWITCH_CHAMBER_OFF, SafeState
from sequencer.uncertainty.decision import Decision
from sequencer.units.format import time_text

_UNSAFE = "THE BENCH COULD NOT BE CONFIRMED SAFE"
MOST_FAULTS = 3
"""Faults of a bench that the station names; the run's problems, its table and its trace have all."""


class Measured(Measuring[Prepared]):
    """The bench of a station; ``person`` answers what a check asks."""

    def __init__(
        self,
        asked: Asked,
        bench: LoadedBench,
        looked_up: LookedUp,
        *,
        stopper: Stopper,
        person: PersonAtStation | None = None,
        teller: BenchTeller | None = None,
        told: Callable[[Ran], None] = lambda ran: None,
    ) -> None:
        """``teller`` says in the store what is done at the bench; ``told`` hears of each run that is over."""
        self._teller = teller
        self._asked = asked
        self._loaded = bench
        self._looked_up = looked_up
        self._bench = KeptBench(bench, dry_run=asked.dry_run, person=person)
        self._carried: tuple[str, ...] = ()
        self._stopper = stopper
        self._person = person
        self._tell_ran = told
        self._stops = ""

    # -- before -------------------------------------------------------------------------------------------------------

    @override
    def known(self, serial: str) -> Known:
        return self._looked_up.known(serial)

    @override
    def prepare(self, serial: str, reason: str) -> Prepared:
        asked = self._asked
        in_batch = bool(asked.line.batch)
        given = reason if reason and in_batch else None
        wanted = replace(
            asked,
            serial=serial,
            bench_name=self._looked_up.bench_of(serial),
            model=self._looked_up.model_of(serial),
            chosen=replace(asked.chosen, reason=given),
        )
        try:
            prepared = prepare(wanted)
        except StoreProblem as problem:  # of a batch: nobody can say whether it takes the unit
            raise problem.as_file_problem() from problem
        if (
            asked.dry_run or self._loaded.bench.visa == "sim"
        ):  # that there is such a specimen, before anything is said to begin
            specimen_for(prepared.plan.bench, serial, dry_run=asked.dry_run)
        if reason and not in_batch:
            return replace(prepared, line=replace(prepared.line, retest_reason=reason))
        return prepared

    # -- a unit -------------------------------------------------------------------------------------------------------

    @override
    def measure(self, job: Prepared, tell: Callable[[str], None]) -> UnitReport:
        tell("PTT and generators are read back first")
        ran = self._ran(job, tell)
        self._looked_up.measured(job.asked.serial)
        self._tell_ran(ran)
        return unit_report(ran)

    @override
    def notes_before(self, job: Prepared) -> tuple[str, ...]:
        if job.carried is not None:
            return (f"Run {printable(job.carried.read.head.record.run)} is carried on.", *self._carried[:2])
        opened = (opened_line(job.batch),) if job.opens_batch and job.batch is not None else ()
        return (*opened, *loss_beyond_lines(job.plan))

    @override
    def carry_on(self, serial: str) -> Prepared:
        asked = self._asked
        path = self._looked_up.journal_of(serial)
        try:
            prepared, self._carried = prepare_rest(
                path, confirmed=asked.confirmed, folder=asked.folder, store=asked.store
            )
        except StoreProblem as problem:
            raise problem.as_file_problem() from problem
        return prepared

    def _ran(self, job: Prepared, tell: Callable[[str], None]) -> Ran:
        asked, plan = job.asked, job.plan
        if plan.bench.path.resolve() != self._loaded.path.resolve():
            self._move_to(job)
        bench = self._bench
        opened = bench.take(asked.serial, plan.sequence)
        assert bench.parts is not None
        person = self._person
        given = GivenBeforehand()
        confirmer: Confirmer = given if asked.confirmed or person is None else person
        cables: Confirmer = given if (asked.confirmed and job.simulated) or person is None else person
        before = 0 if bench.parts.simulation is None else len(bench.parts.simulation.hazards)
        with (
            self._stopper.as_before(),
            Record(asked.folder, facts_of_run(job, bench.parts), store=asked.store) as record,
        ):
            runner = Runner(
                plan,
                bench.parts,
                record,
                confirmer,
                self._listeners(job, tell),
                cables=cables,
                enterer=job.people.enterer(person),
                bench=opened,
            )
            outcome = runner.run()
        simulation = bench.parts.simulation
        hazards = () if simulation is None else simulation.hazards[before:]
        self._stops = batch_stopped(job.batch, find_place(asked.folder, asked.store), record.facts.run)
        return Ran(
            facts=record.facts,
            outcome=outcome,
            record=record,
            hazards=tuple(hazards),
            batch_stopped=self._stops,
        )

    def _listeners(self, job: Prepared, tell: Callable[[str], None]) -> list[Listener]:
        """Return who hears a run beside its record."""
        listeners: list[Listener] = [_Progress(len(job.plan.steps), tell)]
        if self._teller is not None:
            self._teller.of_run(job.plan, batch=job.line.batch)
            listeners.append(self._teller.listen)
        return listeners

    def _move_to(self, job: Prepared) -> None:
        """Go to the position in which a unit lies: that of the unit before is made safe, its supply off, and let go of first."""
        self._bench.close()
        self._loaded = job.plan.bench
        self._bench = KeptBench(self._loaded, dry_run=job.asked.dry_run, person=self._person)

    def open_first(self) -> tuple[bool, str, str]:
        """Open the bench before the first unit and make it safe; returns as `open_again`, and what an earlier process left pressed."""
        safe, said = self.open_again()
        return safe, said, self._bench.left_keyed

    @override
    def open_again(self) -> tuple[bool, str]:
        self._bench.close()
        serial = any_serial(self._loaded) if self._loaded.bench.simulated else ""
        opened = self._bench.take(serial)
        try:
            opened.open()
            state = opened.make_safe(last=True)
        except (InstrumentFault, BenchBusy, BenchUnsafe) as fault:
            opened.close()
            return False, str(fault)
        except BaseException:
            opened.close()
            raise
        return state.confirmed, safe_words(state)

    @override
    def why_stop(self) -> str:
        return self._stops

    def close(self) -> SafeState | None:
        """Make the bench safe and let go of it; None where it was never opened."""
        return self._bench.close()


class _Progress:
    """Says at which check a run is, and how long it still takes."""

    def __init__(self, checks: int, tell: Callable[[str], None]) -> None:
        self._checks = checks
        self._tell = tell
        self._done = 0
        self._label = ""

    def __call__(self, event: Event) -> None:
        """Take one event of the run."""
        match event:
            case CheckStarted():
                self._label = event.label
            case CheckEnded():
                self._done += 1
            case StepTaken():
                pass
            case FaultMet():
                self._tell(
                    f"{event.fault.instrument}: {event.fault.what}. The bench is asked once more, or made safe."
                )
                return
            case _:
                return
        left = f", {time_text(event.remaining_s)} left" if event.remaining_s > 0.0 else ""
        self._tell(f"{self._label}, {min(self._done + 1, self._checks)} of {self._checks} checks{left}")


def unit_report(ran: Ran) -> UnitReport:
    """Return what is shown of a run."""
    report, state = report_of(ran), ran.outcome.safe_state
    wrong = not_met(ran.outcome.results)
    bench = report.bench_failed or not report.safe or report.lost
    counts_as = counted_as(
        ran.outcome.results,
        serial=report.serial,
        status=int(ran.status),
        outcome="done",
        bench_safe=state.confirmed,
    )
    without = Verdict.BENCH if bench else Verdict.NOT_MEASURED
    verdict = {Counted.PASSED: Verdict.PASS, Counted.FAILED: Verdict.FAIL}.get(counts_as, without)
    # what could not be confirmed safe is said by itself, first and short
    lines = tuple(line for line in wrong_lines(report) if not line.startswith(_UNSAFE))
    return UnitReport(
        serial=report.serial,
        model=report.model,
        verdict=verdict,
        status=ran.status,
        safe=report.safe,
        safe_why=safe_words(state),
        chamber=state.chamber,
        feels=state.feels,
        met=_met(ran, verdict),
        wrong=tuple(line.removeprefix("fail: ") for line in lines),
        look_at=look_at(wrong),
        bench=(lines[:MOST_FAULTS] or ("The bench could not be confirmed safe.",)) if bench else (),
        run=report.run,
        attempt=ran.facts.line.attempt,
    )


def _met(ran: Ran, verdict: Verdict) -> str:
    """Return how the limits were met, where not all of them were plainly, or that a unit failed without a limit that did."""
    results = ran.outcome.results
    if verdict is Verdict.FAIL and not any(one.decision in FAILED for one in results):
        return "The unit left something that could not be measured."
    return met_words(results) if verdict is Verdict.PASS and conditional_words(results) else ""


def look_at(wrong: list[Result]) -> str:
    """Return which check to look at first: the first that failed, else the first that was not measured."""
    failed = [one for one in wrong if one.decision is not Decision.NOT_MEASURED]
    first = next(iter(failed or wrong), None)
    if first is None:
        return ""
    where = "" if first.channel is None else f", channel {first.channel}"
    return f"check {first.check}{where}"


def safe_words(state: SafeState) -> str:
    """Return what of a bench was read back, or what could not be, as the station says it."""
    if state.problems:
        what = "; ".join(text.partition(" (")[0].rstrip(".") for text in state.problems)
        do = "Remove the supply from the unit: " if REMOVE_SUPPLY in state.first else ""
        return " ".join([f"{do}{what}.", *[SWITCH_CHAMBER_OFF] * (SWITCH_CHAMBER_OFF in state.first)])
    if not state.touched:
        return "nothing was sent to the bench."
    known = [f"{', '.join(state.off)}, {'each ' * (len(state.off) > 1)}read back"] if state.off else []
    known += [f"{', '.join(state.said)}, by your word"] if state.said else []
    return ("; ".join(known) or "nothing on this bench can transmit or be switched off") + "."
