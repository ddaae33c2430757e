"""Measures one step: hands its check the side it asks for, and makes findings of whatever goes wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import field, replace
from functools import partial

from drivers.faults import InstrumentFault, SettingLost
from drivers.operator.dial import Dial
from drivers.roles import Reading
from drivers.trace import Direction, Exchange
from sequencer.bench.further import taken
from sequencer.bench.open_bench import OpenBench
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.live import CautiousOnce, LivePerson
from sequencer.checks.shared.budgets.level_budget import with_level_step
from sequencer.checks.shared.readings.after_fault import again_after
from sequencer.checks.unit.confirm import Confirm
from sequencer.frozen import dataclass
from sequencer.inputs.bench import check_rating_dbm
from sequencer.planning.plan import Plan
from sequencer.planning.step import Step
from sequencer.run.events import Warned
from sequencer.run.facts import RunFacts
from sequencer.run.interrupt import Interrupted, Stopper
from sequencer.run.keeping.keeper import Keeper
from sequencer.run.measuring.adjusted import made_old, noted, with_found
from sequencer.run.measuring.dead_side import DeadReceiver
from sequencer.run.measuring.entry import transmit_side, under_conditions, where_of
from sequencer.run.measuring.missing import not_measured, refused_by_unit, traceback_of
from sequencer.run.measuring.proved import with_proof
from sequencer.run.measuring.retries import Retries, noted_each, noted_first
from sequencer.run.people.confirm import Confirmer
from sequencer.run.people.confirm_step import confirmed_by_person, squelch_after
from sequencer.run.people.entered import CALLED, Enterer
from sequencer.run.people.live_record import RecordedLive
from sequencer.run.state import RunState
from sequencer.safety.control.channel import ChannelRefused
from sequencer.safety.proofs.plausible import UnitFacts
from sequencer.safety.transmit import TransmitSide


@dataclass(frozen=True, slots=True, kw_only=True)
class People:
    """Who answers: ``steps`` a confirmation that is a step, ``cables`` what a person connects, ``enterer`` what a display shows.

    ``live`` is who turns presets; None where nobody can.
    """

    steps: Confirmer
    cables: Confirmer
    enterer: Enterer
    live: LivePerson | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """What came of steps that shared a key-down: ``found`` by the number of the step; what is missing there is to be measured by itself.

    ``why`` says what ended the key-down before its time, ``stop`` why the run must stop, if it must.
    """

    found: dict[int, list[Finding]] = field(default_factory=dict)
    why: str = ""
    stop: str = ""


class Measurer:
    """Measures the steps of one plan on one open bench; ``say`` is told what the check of a step is at."""

    def __init__(
        self,
        *,
        plan: Plan,
        bench: OpenBench,
        record: Keeper,
        people: People,
        state: RunState,
        stopper: Stopper,
        say: Callable[[Step, str], None],
        retries: Retries | None = None,
    ) -> None:
        self._retries = retries or Retries()
        self._plan = plan
        self._bench = bench
        self._record = record
        self._people = people
        self._state = state
        self._stopper = stopper
        self._say = say
        self._kept: list[Finding] = []
        self._dead = DeadReceiver(ends=plan.sequence.sequence.dead_receiver == "end")
        self._live = None
        if people.live is not None:
            self._live = CautiousOnce(RecordedLive(people.live, self._keep_said))

    @property
    def _facts(self) -> RunFacts:
        return self._record.facts

    def measured(self, step: Step) -> tuple[list[Finding], str]:
        """Return what the check found, and why the run must stop, if it must."""
        self._kept.clear()
        if (left_out := self._dead.left_out(step)) is not None:
            return left_out, ""
        findings, stop = self._measured(step)
        findings = with_found(self._kept, findings)
        self._dead.look(step, findings)
        if old := made_old(step, findings, self._plan.steps):
            self._state.tell(Warned(text=old))
        return noted(findings, old), stop

    @property
    def found_before(self) -> list[Finding]:
        """What the step that is under way, or ended last, found before anything was adjusted."""
        return with_found(self._kept, [])

    def _measured(self, step: Step) -> tuple[list[Finding], str]:
        try:
            if isinstance(step.check, Confirm):
                return self._confirm(step)
            return self._tried(step)
        except ChannelRefused as refused:  # a fact about the unit: the bench did what it should
            return refused_by_unit(step, self._state.met(refused, step.index)), self._made_safe()
        except InstrumentFault as fault:
            facts = self._state.met(fault, step.index)
            self._state.bench_failed(str(fault))
            return not_measured(step, str(fault), facts), self._made_safe()
        except (Exception, SystemExit) as error:  # a defect in a check must not lose the results before it
            return self.defect(step, error), self._made_safe()

    def together(self, steps: Sequence[Step], begin: Callable[[Step], None]) -> Together:
        """Measure steps that share a key-down; ``begin`` is told of each before it is made.

        What proves them (the carrier seen to come and to go, every instrument's other figure once released, every setting as it was made)
        is done once, after the last: nothing is found before that. A fault in a check is that check's, which is not measured; the others,
        and all of them after a fault of the proof or a setting that got lost, are to be measured by themselves. So are those that come
        after one that could not measure something. Interrupted between two of them or in a later one, those that were finished are proved
        like the rest, PTT released, and stand; in the first nothing is, and it is raised.
        """
        began_s = self._bench.clock.now_s()

        def ended(fault: object) -> str:
            # its heat is the next one's: a reading meant cold is to say so
            return f"after {self._bench.clock.now_s() - began_s:.0f} s: {fault}"

        at: Step | None = steps[0]
        found: dict[int, list[Finding]] = {}
        why = ""
        roles = frozenset[str]().union(*(step.check.roles_of(step.settings) for step in steps))
        first = steps[0].conditions
        try:
            begin(steps[0])  # before its side is entered: a fault there is its own
            with (
                under_conditions(self._bench.safe, self._conditions(steps[0]), check=self._stopper.check),
                self._bench.safe.transmit_side(
                    **where_of(first), roles=roles, unit=self._unit_facts(first)
                ) as side,
            ):
                before: frozenset[str] | None = None
                for at in steps:
                    after = at.check.roles_of(at.settings)
                    try:
                        if before is not None:
                            begin(at)
                            self._bench.safe.begin_next(side, mode=first.mode, before=before, after=after)
                        side.share_key(further=at is not steps[-1])
                        findings = at.check.transmit(side, at.settings, self._conditions(at))
                        self._stopper.check()  # a check may have swallowed it
                    except Interrupted:
                        if not found:
                            raise
                        why = ended("interrupted")
                        break
                    found[at.index] = noted_first(with_proof(self._plan, at, findings), side.take_retaken())
                    before = after
                    if missing := next((one for one in findings if one.value is None), None):
                        why = ended(f"{at.label}: {missing.note}")
                        break  # what it lacked the next might lack too, PTT for one
                at = None
            last = max(found)
            found[last] = noted_first(found[last], side.take_retaken())
            return Together(found=found, why=why)
        except (SettingLost, ChannelRefused) as fault:  # both are told apart by the check that is made again
            why = ended(fault)
            self._state.met(fault, None if at is None else at.index)
            return Together(stop=self._stopped_by(fault), why=why)
        except InstrumentFault as fault:
            why = ended(fault)
            facts = self._state.met(fault, None if at is None else at.index)
            if at is None or self._may_repeat(at, fault):
                return Together(stop=self._stopped_by(fault), why=why)
            self._state.bench_failed(str(fault))
            lost = {at.index: not_measured(at, str(fault), facts)}
            return Together(found=lost, stop=self._made_safe(), why=why)
        except (Exception, SystemExit) as error:
            of = at or steps[-1]
            return Together(
                found={of.index: self.defect(of, error)}, stop=self._made_safe(), why=ended(error)
            )

    def by_itself(self, step: Step, why: str) -> tuple[list[Finding], str]:
        """Measure a step by itself whose shared key-down ended by a fault, as `measured` does; each result says so, and ``why``."""
        self._say(step, f"measured by itself, because the key-down that it shared ended {why}")
        findings, stop = self.measured(step)
        note = f"measured in a key-down of its own, because the one that it shared with others ended {why}"
        return [
            replace(one, note="; ".join(filter(None, (one.note, note))))
            if isinstance(one, Finding) and one.value is not None
            else one  # what a check from elsewhere returned is found out when it is judged
            for one in findings
        ], stop

    def defect(self, step: Step, error: BaseException) -> list[Finding]:
        """Return the findings of a check that failed by itself, and note where it did."""
        why = f"the check itself failed: {type(error).__name__}: {error}"
        self._state.bench_failed(f"{step.label}: {why}\n{traceback_of(error)}")
        return not_measured(step, why)

    def cables_confirmed(self, text: str) -> bool:
        """Ask the person who moves the cables; return whether they are as ``text`` says."""
        self._said_by_person(Direction.SENT, text)
        yes = self._people.cables.confirm(text)
        self._said_by_person(Direction.RECEIVED, "yes" if yes else "no")
        self._stopper.check()
        self._record.note("cables confirmed", text=text, confirmed=yes, how=self._people.cables.how)
        return yes

    def _said_by_person(self, direction: Direction, text: str) -> None:
        self._keep_said(direction, text.encode("utf-8", "replace"))

    def _keep_said(self, direction: Direction, content: bytes) -> None:
        now_s = self._bench.clock.now_s()
        self._bench.keep_exchange(
            Exchange(time_s=now_s, instrument=CALLED, direction=direction, content=content)
        )

    def _tried(self, step: Step) -> tuple[list[Finding], str]:
        """Measure a step, and once more from its start after a fault that may pass. Raises the one that does not."""
        notes: list[str] = []
        while True:
            try:
                return noted_each(with_proof(self._plan, step, self._on_side(step)), notes), ""
            except InstrumentFault as fault:
                if not self._may_repeat(step, fault):
                    raise
                facts = self._state.met(fault, step.index)
                if stop := self._stopped_by(fault):
                    return not_measured(step, str(fault), facts), stop
                notes.append(again_after(fault))
                self._say(step, notes[-1])

    def _repeat_part(self, step: Step, fault: InstrumentFault) -> bool:
        """Say whether a check does a part of its own again, with PTT released before it; the fault is told."""
        if not self._may_repeat(step, fault):
            return False
        self._state.met(fault, step.index)
        return True

    def _may_repeat(self, step: Step, fault: InstrumentFault) -> bool:
        """Say whether the check is measured again: nothing of what a person did, or what was adjusted, can be had a second time."""
        if self._kept or isinstance(fault, ChannelRefused) or self._bench.safe.keys_no_more:
            return False
        by_hand = any(one.manual for one in self._bench.instruments.values())
        if (by_hand or step.check.moves_cables(step.settings)) and not isinstance(fault, SettingLost):
            return False
        return self._retries.take(step.index, fault)

    def _stopped_by(self, fault: InstrumentFault) -> str:
        """Make the bench safe after a fault that was met; return why the run must stop, if it must, and then the fault is the bench's."""
        if stop := self._made_safe():
            self._state.bench_failed(str(fault))
        return stop

    def _made_safe(self) -> str:
        """Make the bench safe after a fault; return why the run must stop, if it must."""
        state = self._bench.make_safe()
        if not state.confirmed:
            self._state.gave_up = True
            return "stopped: the bench could not be confirmed safe"
        if self._bench.safe.supply_cut:
            return "stopped: the unit's supply was cut, because it could not be shown that PTT is released and the transmitter off"
        return ""

    def _on_side(self, step: Step) -> list[Finding]:
        conditions = self._conditions(step)
        with under_conditions(self._bench.safe, conditions, check=self._stopper.check):
            return self._found_on_side(step, conditions)

    def _found_on_side(self, step: Step, conditions: Conditions) -> list[Finding]:
        safe, check = self._bench.safe, step.check
        if step.side == "none":
            return check.inspect(step.settings, conditions)
        if step.side == "loss":
            path = check.hand_path(step.settings)
            if path == "check":
                with safe.check_side(rating_dbm=check_rating_dbm(self._bench.bench)) as joined:
                    return check.measure_loss(joined, step.settings, conditions)
            with safe.loss_side(
                path,
                confirm=self.cables_confirmed,
                connected=lambda connection: self._bench.confirm_connection(path, connection),
            ) as loss:
                losses = check.measure_loss(loss, step.settings, conditions)
            return noted_first(losses, loss.take_retaken())
        roles = check.roles_of(step.settings)
        if step.side == "receive":
            with safe.receive_side(**where_of(conditions), roles=roles) as receive:
                found = check.receive(receive, step.settings, conditions)
                found = [with_level_step(one, receive.level_off_db) for one in found]
            return noted_first(found, receive.take_retaken())
        with transmit_side(safe, step, conditions, unit=self._unit_facts(conditions)) as transmit:
            by_hand = replace(
                conditions, make_connection_anew=partial(self._make_connection_anew, transmit, step)
            )
            found = check.transmit(transmit, step.settings, by_hand)
        return noted_first(found, transmit.take_retaken())

    def _conditions(self, step: Step) -> Conditions:
        def say(text: str) -> None:
            self._stopper.check()
            self._say(step, text)

        return replace(
            step.conditions,
            run=self._facts.run,
            simulated=self._facts.simulated,
            identities=self._bench.identities,
            say=say,
            keep_file=lambda name, content: self._record.keep_file(step.index, name, content),
            enter=partial(self._entered, step),
            live=self._live,
            keep_found=partial(self._keep_found, step),
            find_earlier=self._record.find_earlier,
            results_so_far=lambda: self._state.results,
            read_preset=self._bench.safe.read_preset,
            write_preset=self._bench.safe.write_preset,
            warn=lambda text: self._state.tell(Warned(text=text)),
            glance=self._bench.glance,
            find_turner=self._bench.find_turner,
            repeat=partial(self._repeat_part, step),
            further=taken if self._bench.parts.tape is None else self._bench.parts.tape.further,
        )

    def _keep_found(self, step: Step, findings: Iterable[Finding]) -> None:
        """Keep what was found before anything is adjusted, also for whoever comes after this process was killed."""
        found = list(findings)
        self._kept.extend(found)
        told = [{"quantity": one.quantity, "value": one.value, "unit": one.unit} for one in found]
        self._record.note("as found", check_index=step.index, found=told)

    def _unit_facts(self, conditions: Conditions) -> UnitFacts:
        channels_hz = conditions.plan.frequencies_hz.values() if conditions.plan is not None else ()
        rated_w = self._plan.sequence.sequence.rated_power_w
        return UnitFacts.of(conditions.carrier_hz, rated_w, channels_hz)

    def _make_connection_anew(self, side: TransmitSide, step: Step, text: str) -> None:
        self._bench.safe.make_connection_anew(
            side,
            text,
            channel=step.conditions.channel,
            mode=step.conditions.mode,
            confirm=self.cables_confirmed,
            made=self._bench.confirm_connection_made_anew,
        )

    def _entered(self, step: Step, name: str, what: str, dial: Dial) -> tuple[Reading, str]:
        entered = self._people.enterer.enter(
            name, what, dial, clock=self._bench.clock, trace=self._bench.keep_exchange
        )
        self._stopper.check()
        reading, how = entered
        self._record.note("entered", check_index=step.index, name=name, text=reading.raw, how=how)
        return entered

    def _confirm(self, step: Step) -> tuple[list[Finding], str]:
        asked = confirmed_by_person(step, self._people.steps, self._stopper)
        self._record.note("confirmed", check_index=step.index, confirmation=asked)
        self._state.confirmed.append(asked)
        finding = Finding(
            quantity=f"confirmed: {asked.text}",
            value=1.0 if asked.confirmed else None,
            unit="",
            note=asked.how
            if asked.confirmed
            else "it was not confirmed, so that nothing is said of the unit",
        )
        if not asked.confirmed:
            return [finding], f"stopped: not confirmed: {asked.text}"
        self._bench.confirm_knobs(squelch=squelch_after(step, self._plan.steps))
        return [finding], ""
