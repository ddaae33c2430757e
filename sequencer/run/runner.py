"""Executes a plan on an open bench: hands each check its side, judges what it found, keeps it, tells it."""

from __future__ import annotations

import traceback
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from drivers.faults import InstrumentFault, SettingLost
from drivers.operator.dial import Dial
from drivers.roles import Reading
from sequencer.bench.locks import BenchBusy
from sequencer.bench.open_bench import BenchParts, BenchUnsafe, OpenBench
from sequencer.checks.confirm import Confirm, ConfirmSettings, squelch_wanted
from sequencer.checks.finding import Finding
from sequencer.checks.shared.level_budget import with_level_step
from sequencer.planning.plan import Plan
from sequencer.planning.step import Step
from sequencer.results.model import Confirmation, FaultFacts, Result
from sequencer.run.confirm import Confirmer
from sequencer.run.entered import EnteredBeforehand, Enterer
from sequencer.run.events import (
    CheckEnded,
    CheckStarted,
    Event,
    FaultMet,
    Listener,
    RunEnded,
    RunStarted,
    StepTaken,
    Warned,
)
from sequencer.run.interrupt import Interrupted, Stopper, stoppable
from sequencer.run.judge import judged
from sequencer.run.record import Record, RunFacts
from sequencer.run.status import ExitStatus
from sequencer.run.time_left import TimeLeft
from sequencer.run.warned import warned
from sequencer.safety.cables import BACK
from sequencer.safety.channel import ChannelRefused
from sequencer.safety.plausible import UnitFacts
from sequencer.safety.state import SafeState
from sequencer.safety.supply import SUPPLY_SETTLE_S
from sequencer.safety.way_out import PATIENCE_S
from sequencer.uncertainty.decision import Decision, Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOutcome:
    """How a run went."""

    status: ExitStatus
    results: tuple[Result, ...]
    safe_state: SafeState
    bench_s: float
    trouble: tuple[str, ...]
    faults: tuple[FaultFacts, ...] = ()


class _Stopped(Exception):
    """The run cannot go on; the text says why."""


class Runner:
    """One run of one plan."""

    def __init__(
        self,
        plan: Plan,
        parts: BenchParts,
        record: Record,
        confirmer: Confirmer,
        listeners: Iterable[Listener] = (),
        *,
        cables: Confirmer | None = None,
        enterer: Enterer | None = None,
    ) -> None:
        """Take the plan and the bench. ``cables`` confirms what a person connects in the middle of a check, if ``confirmer`` may not."""
        self._plan = plan
        self._bench = OpenBench(parts)
        self._record = record
        self._facts: RunFacts = record.facts
        self._confirmer = confirmer
        self._cables = cables or confirmer
        self._enterer = enterer or EnteredBeforehand()
        self._listeners = list(listeners)
        self._results: list[Result] = []
        self._confirmed: list[Confirmation] = []
        self._faults: list[FaultFacts] = []
        self._trouble: list[str] = []
        self._status = ExitStatus.PASSED
        self._stopper = Stopper()
        self._index = 0
        self._gave_up = False
        self._start_s = self._bench.clock.now_s()
        self._left = TimeLeft({step.index: step.forecast_s for step in plan.steps})

    def run(self) -> RunOutcome:
        """Execute the plan; whatever happens, the bench is made safe and what was measured is kept."""
        with stoppable() as stopper:
            self._stopper = stopper
            return self._run(stopper)

    def _run(self, stopper: Stopper) -> RunOutcome:
        # An interruption is raised once at most, and not at all once signals are held: what follows this block runs to its end.
        try:
            how = self._executed(stopper)
            stopper.hold()
        except Interrupted:
            stopper.hold()
            how = ""
        state = self._close()
        if stopper.requests:
            how = f"interrupted ({stopper.signal_name})"
            self._raise_status(ExitStatus.INTERRUPTED)
        return self._finish(how, state)

    def _executed(self, stopper: Stopper) -> str:
        """Do everything up to the way out; return how it ended."""
        try:
            stopper.check()
            self._tell(self._started())
            self._execute()
        except _Stopped as stop:
            return str(stop)
        except (InstrumentFault, BenchBusy, BenchUnsafe) as fault:
            if isinstance(fault, InstrumentFault):
                self._met(fault, None)
            self._bench_failed(str(fault))
            return "the bench failed"
        except Exception as error:  # a full disk, or a defect of ours: the way out is the same
            where = "" if isinstance(error, OSError) else f"\n{_traceback_of(error)}"
            self._bench_failed(f"the run itself failed: {type(error).__name__}: {error}{where}")
            return f"the run itself failed: {type(error).__name__}"
        return "done"

    def _execute(self) -> None:
        try:
            self._bench.open()
        finally:
            if text := self._bench.left_keyed:
                self._tell(Warned(text=text))
        self._record.keep_instruments(self._bench.identities)
        self._look_whether_simulated()
        self._cables_back()
        if (supply_v := self._plan.sequence.sequence.supply_v) is not None:
            self._bench.safe.set_supply(supply_v)
            self._bench.clock.wait_s(SUPPLY_SETTLE_S)
        for step in self._plan.steps:
            self._step(step)

    def _look_whether_simulated(self) -> None:
        """See that a run on simulated instruments is marked so, also where the bench file does not say it. Raises _Stopped for a repeat."""
        said = [name for name, one in self._bench.identities.items() if one.simulated]
        if self._facts.simulated or not said:
            return
        self._record.mark_simulated()
        self._facts = self._record.facts
        if self._facts.again is not None:
            self._bench_failed(
                f"{', '.join(said)} of this bench say that they are simulated, and run {self._facts.again.run} was on a real one: "
                "a simulated result cannot take its place. Write 'simulated: true' into the bench file to repeat simulated runs."
            )
            raise _Stopped("stopped: a simulated bench cannot repeat a run on a real one")

    def _step(self, step: Step) -> None:
        self._stopper.check()
        self._index = step.index
        began_s = self._bench.clock.now_s()
        self._left.begin(step.index, began_s)
        self._tell(CheckStarted(index=step.index, label=step.label, remaining_s=self._remaining_s()))
        findings, stop = self._measured(step)
        # A check, or a release that failed on the way out, may have swallowed the interruption.
        self._stopper.check()
        with self._stopper.held():
            results = self._kept(step, findings)
        self._left.end(self._bench.clock.now_s())
        self._tell(
            CheckEnded(
                index=step.index,
                label=step.label,
                results=results,
                bench_s=self._bench.clock.now_s() - began_s,
                remaining_s=self._remaining_s(),
            )
        )
        if stop:
            raise _Stopped(stop)

    def _kept(self, step: Step, findings: list[Finding]) -> tuple[Result, ...]:
        try:
            findings = warned(findings, self._bench.instruments.values())
            results = tuple(self._judged(step, finding) for finding in findings)
        except Exception as error:  # what a check from elsewhere returned cannot be judged
            results = tuple(self._judged(step, finding) for finding in self._defect(step, error))
        self._results += results
        self._record.keep(step.index, results, self._bench.drain_exchanges())
        return results

    def _measured(self, step: Step) -> tuple[list[Finding], str]:
        """Return what the check found, and why the run must stop, if it must."""
        try:
            if isinstance(step.check, Confirm):
                return self._confirm(step)
            try:
                return list(self._on_side(step)), ""
            except SettingLost as lost:
                self._met(lost, step.index)
                if stop := self._made_safe():
                    self._bench_failed(str(lost))
                    return self._not_measured(step, str(lost), FaultFacts.of(lost)), stop
                return self._again(step, lost), ""
        except ChannelRefused as refused:  # a fact about the unit: the bench did what it should
            self._met(refused, step.index)
            return self._refused(step, refused), self._made_safe()
        except InstrumentFault as fault:
            self._met(fault, step.index)
            self._bench_failed(str(fault))
            return self._not_measured(step, str(fault), FaultFacts.of(fault)), self._made_safe()
        except (Exception, SystemExit) as error:  # a defect in a check must not lose the results before it
            return self._defect(step, error), self._made_safe()

    def _again(self, step: Step, lost: SettingLost) -> list[Finding]:
        """Measure once more what was measured while a setting got lost: nothing of it can be used."""
        note = f"measured again, because {lost.instrument} lost a setting: {lost.what}"
        self._tell(StepTaken(index=step.index, remaining_s=self._remaining_s(), text=note))
        return [
            replace(found, note="; ".join(part for part in (found.note, note) if part))
            for found in self._on_side(step)
        ]

    def _defect(self, step: Step, error: BaseException) -> list[Finding]:
        why = f"the check itself failed: {type(error).__name__}: {error}"
        self._bench_failed(f"{step.label}: {why}\n{_traceback_of(error)}")
        return self._not_measured(step, why)

    def _made_safe(self) -> str:
        """Make the bench safe after a fault; return why the run must stop, if it must."""
        state = self._bench.make_safe()
        if not state.confirmed:
            self._gave_up = True
            return "stopped: the bench could not be confirmed safe"
        if self._bench.safe.supply_cut:
            return "stopped: the unit's supply was cut, because it could not be shown that its key is open and it is silent"
        return ""

    def _on_side(self, step: Step) -> list[Finding]:
        def say(text: str) -> None:
            self._stopper.check()
            self._tell(StepTaken(index=step.index, remaining_s=self._remaining_s(), text=text))

        conditions = replace(
            step.conditions,
            run=self._facts.run,
            simulated=self._facts.simulated,
            identities=self._bench.identities,
            say=say,
            keep_file=lambda name, content: self._record.keep_file(step.index, name, content),
            enter=self._entered,
        )
        safe, check = self._bench.safe, step.check
        if step.side == "none":
            return check.inspect(step.settings, conditions)
        if step.side == "loss":
            path = check.hand_path(step.settings)
            with safe.loss_side(
                path,
                confirm=self._cables_confirmed,
                connected=lambda connection: self._bench.confirm_connection(path, connection),
            ) as loss:
                return check.measure_loss(loss, step.settings, conditions)
        where: dict[str, Any] = {
            "channel": conditions.channel,
            "mode": conditions.mode,
            "frequency_hz": conditions.carrier_hz,
            "roles": check.roles_of(step.settings),
        }
        if step.side == "receive":
            with safe.receive_side(**where) as receive:
                found = check.receive(receive, step.settings, conditions)
                return [with_level_step(one, receive.level_off_db) for one in found]
        channels_hz = conditions.plan.frequencies_hz.values() if conditions.plan is not None else ()
        rated_w = self._plan.sequence.sequence.rated_power_w
        unit = UnitFacts.of(conditions.carrier_hz, rated_w, channels_hz)
        with safe.transmit_side(**where, unit=unit) as transmit:
            return check.transmit(transmit, step.settings, conditions)

    def _cables_back(self) -> None:
        """See that cables which an earlier run had moved are back, before the unit is fed. Raises _Stopped if nobody says so."""
        cables = self._bench.safe.cables
        if not cables.moved:
            return
        if not self._cables_confirmed(f"Cables were moved by hand in an earlier run. {BACK}"):
            self._bench_failed(
                "cables were moved by hand in an earlier run, and nobody has confirmed that they are back"
            )
            raise _Stopped("stopped: cables not confirmed back")
        cables.note("normal")

    def _cables_confirmed(self, text: str) -> bool:
        yes = self._cables.confirm(text)
        self._stopper.check()
        return yes

    def _entered(self, name: str, what: str, dial: Dial) -> tuple[Reading, str]:
        entered = self._enterer.enter(
            name, what, dial, clock=self._bench.clock, trace=self._bench.keep_exchange
        )
        self._stopper.check()
        return entered

    def _confirm(self, step: Step) -> tuple[list[Finding], str]:
        assert isinstance(step.settings, ConfirmSettings)
        text = step.settings.text
        yes = self._confirmer.confirm(text)
        self._stopper.check()
        if not yes:  # a knob that stands wrong is no fault of the unit: it can be set
            yes = self._confirmer.confirm(f"Please set it now: {text}")
        # A prompt library may take Ctrl-C for an answer.
        self._stopper.check()
        asked = Confirmation(
            text=text,
            confirmed=yes,
            how=self._confirmer.how,
            when=datetime.now().astimezone(),
            who=getattr(self._confirmer, "who", ""),
            knob=step.settings.knob or "",
        )
        self._confirmed.append(asked)
        finding = Finding(
            quantity=f"confirmed: {text}",
            value=1.0 if yes else None,
            unit="",
            note=self._confirmer.how if yes else "it was not confirmed, so that nothing is said of the unit",
        )
        if not yes:
            return [finding], f"stopped: not confirmed: {text}"
        following = (later.check for later in self._plan.steps if later.index > step.index)
        self._bench.confirm_knobs(squelch=squelch_wanted(step.settings, following))
        return [finding], ""

    def _met(self, fault: InstrumentFault, index: int | None) -> None:
        facts = FaultFacts.of(fault)
        self._faults.append(facts)
        self._tell(FaultMet(index=index, fault=facts))

    def _not_measured(self, step: Step, why: str, fault: FaultFacts | None = None) -> list[Finding]:
        return [
            Finding(quantity=quantity, value=None, unit=unit, note=why, fault=fault)
            for quantity, unit in step.check.quantities(step.settings)
        ]

    def _refused(self, step: Step, refused: ChannelRefused) -> list[Finding]:
        """Return the finding of a unit that refuses the channel it should be measured on, and what could not be measured for that."""
        quantity, limits = "channel accepted", Limits(lower=1.0)
        fact = Finding(quantity=quantity, value=0.0, unit="", exact=True, limits=limits, note=refused.what)
        missing = self._not_measured(step, refused.what, FaultFacts.of(refused))
        return [fact, *(replace(one, on_unit=True) for one in missing)]

    def _judged(self, step: Step, finding: Finding) -> Result:
        result = judged(finding, step, self._facts, self._confirmed, self._bench.safe.supply_facts)
        if result.decision is Decision.NOT_MEASURED and not finding.on_unit:
            self._raise_status(ExitStatus.BENCH_FAILED)
        elif result.decision in (Decision.FAIL, Decision.CONDITIONAL_FAIL, Decision.NOT_MEASURED):
            self._raise_status(ExitStatus.FAILED)
        return result

    def _close(self) -> SafeState:
        """Make the bench safe, its supply off too, and let go."""
        # Where it has just been tried for some seconds in vain, once more is enough.
        state = self._bench.make_safe(last=True, patience_s=0.0 if self._gave_up else PATIENCE_S)
        try:
            self._bench.close(state)
        except Exception as error:
            self._bench_failed(f"the bench was not let go of in good order: {error}")
        return state

    def _finish(self, how: str, state: SafeState) -> RunOutcome:
        bench_s = self._bench.clock.now_s() - self._start_s
        if not state.confirmed:
            self._raise_status(ExitStatus.BENCH_FAILED)
        try:
            # What was said since the last check that ended: of one that was cut short, and of the way out.
            self._record.keep(self._index, (), self._bench.drain_exchanges())
            self._record.end(outcome=how, bench_safe=state.confirmed, bench_s=bench_s)
        except Exception as error:
            self._bench_failed(f"the end of the run could not be kept: {error}")
        if self._record.trouble:
            self._raise_status(ExitStatus.BENCH_FAILED)
            self._trouble += dict.fromkeys(self._record.trouble)
        self._tell(
            RunEnded(
                run=self._facts.run,
                time=datetime.now().astimezone(),
                outcome=how,
                bench_safe=state.confirmed,
                last_line=state.last_line(),
                bench_s=bench_s,
            )
        )
        return RunOutcome(
            status=self._status,
            results=tuple(self._results),
            safe_state=state,
            bench_s=bench_s,
            trouble=tuple(self._trouble),
            faults=tuple(self._faults),
        )

    def _started(self) -> RunStarted:
        facts, plan = self._facts, self._plan
        return RunStarted(
            run=facts.run,
            time=facts.time,
            serial=facts.serial,
            model=facts.model,
            sequence=plan.sequence.sequence.sequence,
            bench=facts.bench_name,
            simulated=facts.simulated,
            checks=len(plan.steps),
            forecast_s=plan.forecast_s,
        )

    def _remaining_s(self) -> float:
        return self._left.left_s(self._bench.clock.now_s())

    def _bench_failed(self, why: str) -> None:
        self._raise_status(ExitStatus.BENCH_FAILED)
        if why not in self._trouble:
            self._trouble.append(why)

    def _raise_status(self, status: ExitStatus) -> None:
        self._status = max(self._status, status)

    def _tell(self, event: Event) -> None:
        for listener in list(self._listeners):
            try:
                listener(event)
            except Exception as error:  # a screen that is gone must not end a run
                self._listeners.remove(listener)
                self._trouble.append(f"{type(listener).__name__} failed and is told no more: {error}")


def _traceback_of(error: BaseException) -> str:
    return "".join(traceback.format_exception(error)).rstrip()
