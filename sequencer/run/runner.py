"""Executes a plan on an open bench: hands each check its side, judges what it found, keeps it, tells it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from drivers.faults import InstrumentFault
from drivers.trace import Exchange
from sequencer.bench.locks import BenchBusy
from sequencer.bench.open_bench import BenchParts, BenchUnsafe, OpenBench
from sequencer.checks import find_check
from sequencer.checks.finding import Finding
from sequencer.checks.live import LivePerson
from sequencer.planning.doubts.calibration import Doubt
from sequencer.planning.plan import Plan
from sequencer.planning.step import Step
from sequencer.results.model import Result, interrupted_by, nothing_sent
from sequencer.results.store.server_line import hurried
from sequencer.run.before_checks import BeforeChecks, keep_doubts
from sequencer.run.bench_health.doubted import AIR_READ, CLOCK_SET, FOUND_LATER, is_changed, is_sound
from sequencer.run.bench_health.time_of_day import RAN_ON, TimeOfDay
from sequencer.run.events import CheckEnded, CheckStarted, Listener, RunEnded, StepTaken, Warned
from sequencer.run.facts import RunFacts
from sequencer.run.interrupt import Interrupted, Stopper, stoppable
from sequencer.run.keeping.keeper import Keeper
from sequencer.run.measuring.judge import judged
from sequencer.run.measuring.measure import Measurer, People
from sequencer.run.measuring.missing import not_measured, traceback_of
from sequencer.run.measuring.owed import Owed, Stopped
from sequencer.run.measuring.retries import Retries
from sequencer.run.measuring.seconds import CheckWatch, person_s
from sequencer.run.measuring.time_left import TimeLeft
from sequencer.run.measuring.warned import warned
from sequencer.run.people.confirm import Confirmer
from sequencer.run.people.entered import EnteredBeforehand, Enterer
from sequencer.run.started import started
from sequencer.run.state import RunOutcome, RunState
from sequencer.run.status import ExitStatus
from sequencer.safety.ending.way_out import PATIENCE_S
from sequencer.safety.state import SafeState

__all__ = ["RunOutcome", "Runner"]


class Runner:
    """One run of one plan."""

    def __init__(
        self,
        plan: Plan,
        parts: BenchParts,
        record: Keeper,
        confirmer: Confirmer,
        listeners: Iterable[Listener] = (),
        *,
        cables: Confirmer | None = None,
        enterer: Enterer | None = None,
        live: LivePerson | None = None,
        retries: Retries | None = None,
        bench: OpenBench | None = None,
        time_of_day: TimeOfDay | None = None,
    ) -> None:
        """Take the plan and the bench. ``cables`` confirms what a person connects in the middle of a check, if ``confirmer`` may not.

        ``live`` is who turns presets, None where nobody can. ``retries`` is how often something is done again after a fault that may pass.
        ``bench`` is one that another run may have opened: it is made safe before and after this one, and left open while it is sound.
        """
        self._time_of_day = time_of_day or TimeOfDay()
        self._retries = retries or Retries()
        self._plan, self._keeps_open = plan, bench is not None
        self._parts, self._hazards = parts, parts.hazards_seen
        self._bench = bench or OpenBench(replace(parts, announce=record.announce))
        self._bench.tell(record.announce)
        self._record = record
        self._people = People(
            steps=confirmer,
            cables=cables or confirmer,
            enterer=enterer or EnteredBeforehand(),
            live=live,
        )
        # the record first: what is told is written down before anybody acts on it
        self._state = RunState([record.listen, *listeners])
        for done in self._facts.carried.finished if self._facts.carried is not None else ():
            of_bench = find_check(done.results[0].check).of_bench
            self._state.add(done.index, done.results, on_unit=done.on_unit, of_bench=of_bench)
        self._stopper, self._owed = Stopper(), Owed(plan.steps)
        self._index, self._watch, self._start_s = 0, CheckWatch(self._bench), self._bench.clock.now_s()
        self._by_hand = {name for name, one in plan.bench.bench.instruments.items() if one.manual}
        self._said: dict[int, list[Exchange]] = {}
        self._doubted = ""
        self._left = TimeLeft({step.index: step.forecast_s for step in plan.steps})

    @property
    def _facts(self) -> RunFacts:
        return self._record.facts  # they change where instruments turn out to be simulated

    def run(self) -> RunOutcome:
        """Execute the plan; whatever happens, the bench is made safe and what was measured is kept."""
        with stoppable() as stopper:
            self._stopper = stopper
            if self._bench.standstill is not None:
                stopper.on_continue = self._bench.standstill.note_stopped
            return self._run(stopper)

    def _run(self, stopper: Stopper) -> RunOutcome:
        # An interruption is raised once at most, and not at all once signals are held: what follows this block runs to its end.
        try:
            with hurried(lambda: stopper.requests > 0):
                how = self._executed(stopper)
            stopper.hold()
        except Interrupted:
            stopper.hold()
            how = ""
        state = self._close(listen=how == "done")
        if stopper.requests:
            how = interrupted_by(stopper.signal_name)
            self._state.raise_status(ExitStatus.INTERRUPTED)
        else:
            self._owed.count(how, self._state)
        return self._finish(how, state)

    def _executed(self, stopper: Stopper) -> str:
        """Do everything up to the way out; return how it ended."""
        try:
            stopper.check()
            self._state.tell(started(self._facts, self._plan))
            self._execute()
        except Stopped as stop:
            return str(stop)
        except (InstrumentFault, BenchBusy, BenchUnsafe) as fault:
            if isinstance(fault, InstrumentFault):
                self._state.met(fault, None)
            self._state.bench_failed(str(fault))
            return "the bench failed"
        except Exception as error:  # a full disk, or a defect of ours: the way out is the same
            where = "" if isinstance(error, OSError) else f"\n{traceback_of(error)}"
            self._state.bench_failed(f"the run itself failed: {type(error).__name__}: {error}{where}")
            return f"the run itself failed: {type(error).__name__}"
        return "done"

    def _execute(self) -> None:
        before = BeforeChecks(
            plan=self._plan,
            bench=self._bench,
            record=self._record,
            state=self._state,
            stopper=self._stopper,
            retries=self._retries,
        )
        before.open()
        before.look()
        measurer = Measurer(
            plan=self._plan,
            bench=self._bench,
            record=self._record,
            people=self._people,
            state=self._state,
            stopper=self._stopper,
            say=self._say,
            retries=self._retries,
        )
        before.make_ready(measurer)
        try:
            for together in self._plan.parts:
                if len(together) == 1:
                    self._step(together[0], measurer)
                else:
                    self._together(together, measurer)
        except Stopped as stop:
            if stop.by_fault:
                self._leave_out(stop, measurer)
            raise

    def _step(self, step: Step, measurer: Measurer, *, after: str = "") -> None:
        """Measure one step; ``after`` says what ended the key-down that it was to share, if it was."""
        self._begin(step)
        try:
            findings, stop = measurer.by_itself(step, after) if after else measurer.measured(step)
            # A check, or a release that failed on the way out, may have swallowed the interruption.
            self._stopper.check()
        except Interrupted:
            if found := measurer.found_before:  # nothing can find it again
                with self._stopper.held():
                    self._end(step, measurer, found, whole=False)
            raise
        with self._stopper.held():
            results = self._end(step, measurer, findings)
        if stop:
            raise Stopped(stop, by_fault=step.check.name != "confirm")
        if step.check.of_bench and is_changed(results) and (told := self._record.find_measured_since()):
            self._state.bench_failed(told)
        if step.check.stops_run(step.settings) and step is not self._plan.steps[-1] and not is_sound(results):
            raise Stopped("stopped: the bench is not as it was")

    def _together(self, steps: Sequence[Step], measurer: Measurer) -> None:
        """Measure steps in one key-down; their results are kept, and told, once what proves them all is there."""
        took = measurer.together(steps, self._begin)
        with self._stopper.held():
            for step in steps:
                if (findings := took.found.get(step.index)) is not None:
                    self._end(step, measurer, findings)
        self._stopper.check()
        if took.stop:
            raise Stopped(took.stop, by_fault=True)
        for step in steps:
            if step.index not in took.found:
                self._step(step, measurer, after=took.why)

    def _leave_out(self, stop: Stopped, measurer: Measurer) -> None:
        """Keep and tell of each check that is still owed a result that it was not measured, and why."""
        why, fault = stop.told(self._state.faults)
        with self._stopper.held():
            for step in self._owed.steps:
                self._end(step, measurer, not_measured(step, why, fault))

    def _begin(self, step: Step) -> None:
        self._stopper.check()
        if text := self._bench.watchdog_news():
            self._state.tell(Warned(text=text))
        self._set_aside()
        self._index = step.index
        self._watch.begin(step.index)
        self._left.begin(step.index, self._bench.clock.now_s())
        self._state.tell(CheckStarted(index=step.index, label=step.label, remaining_s=self._remaining_s()))

    def _set_aside(self) -> None:
        """Keep in memory what the step under way has said, until what it found may be kept too: see `_together`."""
        if self._watch.set_aside(self._index):
            self._said.setdefault(self._index, []).extend(self._bench.drain_exchanges())

    def _end(
        self, step: Step, measurer: Measurer, findings: list[Finding], *, whole: bool = True
    ) -> tuple[Result, ...]:
        """Judge what a step found, keep it, tell it, return it. To be called with interruptions held."""
        self._set_aside()
        results = self._kept(step, measurer, findings, whole=whole)
        self._doubt_later()
        self._left.end(self._bench.clock.now_s())
        self._state.tell(
            CheckEnded(
                index=step.index,
                label=step.label,
                results=results,
                bench_s=self._watch.took(step.index).bench_s,
                remaining_s=self._remaining_s(),
            )
        )
        return results

    def _doubt_later(self) -> None:
        """Tell and keep, once, that a chamber was found to answer with its setting, and that the computer's clock was set."""
        chamber, was_set = (
            self._bench.safe.chamber_doubt(self._facts.carried_c),
            self._time_of_day.set_meanwhile(),
        )
        if chamber and chamber != self._doubted:
            self._doubted = chamber
            self._keep_doubt(AIR_READ, chamber, FOUND_LATER)
        if was_set:
            self._keep_doubt(RAN_ON, was_set, CLOCK_SET)

    def _keep_doubt(self, sentence: str, why: str, index: int) -> None:
        keep_doubts([Doubt(sentence=sentence, why_not=why)], self._record, self._state, index=index)

    def _kept(
        self, step: Step, measurer: Measurer, findings: list[Finding], *, whole: bool
    ) -> tuple[Result, ...]:
        try:
            findings = warned(findings, self._bench.instruments.values())
            results = tuple(self._judged(step, finding) for finding in findings)
        except Exception as error:  # what a check from elsewhere returned cannot be judged
            findings = measurer.defect(step, error)
            results = tuple(self._judged(step, finding) for finding in findings)
        on_unit = tuple(one.on_unit for one in findings)
        self._owed.note(step, results)
        self._state.add(step.index, results, on_unit=on_unit, of_bench=step.check.of_bench)
        said = self._said.pop(step.index, [])
        took = self._watch.took(step.index)
        waited_s = person_s(step.check.name, took.bench_s, said, self._by_hand)
        seconds = replace(took, person_s=waited_s)
        self._record.keep(step.index, results, said, on_unit=on_unit, whole=whole, seconds=seconds)
        return results

    def _judged(self, step: Step, finding: Finding) -> Result:
        safe = self._bench.safe
        return judged(
            finding, step, self._facts, self._state.confirmed, safe.supply_facts, safe.chamber_facts
        )

    def _close(self, *, listen: bool) -> SafeState:
        """Make the bench safe, its supply off too, and let go. ``listen``: nothing hurries, so that the unit is heard to fall silent."""
        # Where it has just been tried for some seconds in vain, once more is enough.
        patience_s = 0.0 if self._state.gave_up else PATIENCE_S
        state = self._bench.make_safe(last=True, patience_s=patience_s, listen=listen)
        if self._keeps_open and state.confirmed and self._bench.is_sound:
            return state
        try:
            self._bench.close(state)
        except Exception as error:
            self._state.bench_failed(f"the bench was not closed properly: {error}")
        return state

    def _finish(self, how: str, state: SafeState) -> RunOutcome:
        carried = self._facts.carried
        bench_s = (
            self._bench.clock.now_s() - self._start_s + (carried.read.bench_s if carried is not None else 0.0)
        )
        unsafe = state.touched and not state.confirmed
        how = how if state.touched else nothing_sent(how)
        if unsafe:  # before it is kept: that is what counts
            self._state.note_may_be_on()
        elif self._parts.hazards_seen > self._hazards:
            self._state.raise_status(ExitStatus.BENCH_FAILED)
        try:
            # What was said since the last check that ended: of those that were cut short, and of the way out.
            for index, said in self._said.items():
                self._record.keep(index, (), said)
            self._record.keep(self._index, (), self._bench.drain_exchanges())
            self._record.end(
                outcome=how, bench_safe=state.confirmed, bench_s=bench_s, status=int(self._state.status)
            )
        except Exception as error:
            self._state.bench_failed(f"the end of the run could not be kept: {error}")
        if self._record.problems:
            self._state.raise_status(ExitStatus.BENCH_FAILED)
            self._state.problems += dict.fromkeys(self._record.problems)
        self._state.tell(
            RunEnded(
                run=self._facts.run,
                time=datetime.now().astimezone(),
                outcome=how,
                bench_safe=state.confirmed,
                last_line=state.last_line(),
                feels=state.feels,
                bench_s=bench_s,
            )
        )
        return self._state.outcome(state, bench_s)

    def _say(self, step: Step, text: str) -> None:
        self._state.tell(StepTaken(index=step.index, remaining_s=self._remaining_s(), text=text))

    def _remaining_s(self) -> float:
        return self._left.left_s(self._bench.clock.now_s())
