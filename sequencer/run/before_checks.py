"""What a run does before its first check: opens the bench, sees who answers, has cables put back, and feeds the unit."""

from __future__ import annotations

from collections.abc import Iterable

from drivers.faults import InstrumentFault
from sequencer.bench.open_bench import OpenBench
from sequencer.planning.doubts.calibration import Doubt
from sequencer.planning.plan import Plan
from sequencer.run.bench_health.doubted import BEFORE_ALL, doubt_results
from sequencer.run.bench_health.simulated import refused_as_simulated
from sequencer.run.events import Warned
from sequencer.run.interrupt import Stopper
from sequencer.run.keeping.keeper import Keeper
from sequencer.run.measuring.measure import Measurer
from sequencer.run.measuring.owed import Stopped
from sequencer.run.measuring.retries import Retries
from sequencer.run.resuming.mark import mark_of
from sequencer.run.resuming.resume import others_now
from sequencer.run.state import RunState
from sequencer.safety.control.supply import SUPPLY_SETTLE_S
from sequencer.safety.remembered.cables import BACK
from sequencer.safety.transmitting.carriers import HeldCarrier


def keep_doubts(doubts: Iterable[Doubt], record: Keeper, state: RunState, *, index: int = BEFORE_ALL) -> None:
    """Tell what speaks against the bench, and keep it as results of the bench."""
    doubts = list(doubts)
    for one in doubts:
        state.tell(Warned(text=str(one)))
    if results := doubt_results(doubts, record.facts):
        state.add(index, results, on_unit=(False,) * len(results))
        record.keep(index, results, [])


class BeforeChecks:
    """What comes before the first check, in this order: `open`, `look`, `make_ready`. Each raises Stopped where it ends the run."""

    def __init__(
        self,
        *,
        plan: Plan,
        bench: OpenBench,
        record: Keeper,
        state: RunState,
        stopper: Stopper,
        retries: Retries,
    ) -> None:
        self._plan, self._bench, self._record = plan, bench, record
        self._state, self._stopper, self._retries = state, stopper, retries

    def open(self) -> None:
        """Open the bench, and tell in what state an earlier run had left it."""
        if self._record.facts.refused:
            self._state.bench_failed(self._record.facts.refused)
            raise Stopped("stopped: nothing is measured on this bench as it is")
        self._record.note("bench to be opened")
        if (facts := self._record.facts).carried is not None:
            mark = mark_of(facts, self._record.began, time_s=self._bench.clock.now_s())
            self._bench.keep_exchange(mark)
        try:
            self._bench.open(again=self._again)
        finally:
            if self._bench.left_keyed:
                self._state.tell(Warned(text=self._bench.left_keyed))
            self._record.catch_up()
            if self._record.at_start:
                self._state.tell(Warned(text=self._record.at_start))

    def look(self) -> None:
        """See who answered: the instruments of a run that is carried on, simulated ones, and what speaks against the bench."""
        self._refuse_others()
        self._record.keep_instruments(self._bench.identities)
        self._look_whether_simulated()
        self._doubt()

    def make_ready(self, measurer: Measurer) -> None:
        """See that cables are back, then feed the unit."""
        self._cables_back(measurer)
        self._feed()

    def _refuse_others(self) -> None:
        """See that a run is carried on with the instruments that it began with. Raises Stopped."""
        carried = self._record.facts.carried
        if carried is not None and (
            changed := others_now(carried.read.kept.instruments, self._bench.identities)
        ):
            self._state.bench_failed(
                f"{changed}: a run is carried on with the instruments that it began with. Put them back, or begin a new run."
            )
            raise Stopped("stopped: the instruments are not those that the run began with")
        if carried is not None and (held := carried.read.held) is not None:
            self._bench.safe.recall_held(
                HeldCarrier(shown_dbm=held.shown_dbm, meter_dbm=held.meter_dbm, agrees=held.agrees)
            )

    def _look_whether_simulated(self) -> None:
        """See that a run on simulated instruments is marked so, also where the bench file does not say it.

        Raises Stopped for a repeat, and in a batch, which was admitted as one of a real bench.
        """
        said = [name for name, one in self._bench.identities.items() if one.simulated]
        if self._record.facts.simulated or not said:
            return
        self._record.mark_simulated()
        self._state.tell(Warned(text="The instruments say that they are simulated: so is this run marked."))
        if (refused := refused_as_simulated(self._record.facts, said)) is not None:
            why, outcome = refused
            self._state.bench_failed(why)
            raise Stopped(outcome)

    def _doubt(self) -> None:
        """Tell and keep what speaks against the bench: known beforehand, or by who answered now and in the run before."""
        doubts = (*self._record.facts.doubts, *self._record.find_changes())
        keep_doubts(doubts, self._record, self._state)

    def _cables_back(self, measurer: Measurer) -> None:
        """See that cables which an earlier run had moved are back, before the unit is fed. Raises Stopped if nobody says so."""
        cables = self._bench.safe.cables
        if not cables.moved:
            return
        if not measurer.cables_confirmed(f"Cables were moved by hand in an earlier run. {BACK}"):
            self._state.bench_failed(
                "cables were moved by hand in an earlier run, and nobody has confirmed that they are back"
            )
            raise Stopped("stopped: cables not confirmed back")
        cables.note("normal")

    def _feed(self) -> None:
        """Feed the unit as the sequence states it; once more, after the bench was made safe, where a fault may have passed."""
        if (supply_v := self._plan.sequence.sequence.supply_v) is None:
            return
        while True:
            try:
                self._bench.safe.set_supply(supply_v)
                break
            except InstrumentFault as fault:
                if not (self._again(fault) and self._bench.make_safe(last=True).confirmed):
                    raise
        self._bench.clock.wait_s(SUPPLY_SETTLE_S)

    def _again(self, fault: InstrumentFault) -> bool:
        """Say whether what failed outside of all checks is done again, and tell it."""
        self._stopper.check()
        if not self._retries.take(None, fault):
            return False
        self._state.met(fault, None)
        self._state.tell(Warned(text=f"Done again, because {fault.instrument} failed once: {fault.what}."))
        return True
