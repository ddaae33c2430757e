"""What a run has come to so far, and whoever is told of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from drivers.faults import InstrumentFault
from sequencer.frozen import dataclass
from sequencer.results.model import Confirmation, FaultFacts, Result
from sequencer.results.stages import counting
from sequencer.run.events import Event, FaultMet, Listener
from sequencer.run.status import ExitStatus
from sequencer.safety.state import SafeState
from sequencer.uncertainty.decision import Decision


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOutcome:
    """How a run went."""

    status: ExitStatus
    results: tuple[Result, ...]
    safe_state: SafeState
    bench_s: float
    problems: tuple[str, ...]
    faults: tuple[FaultFacts, ...] = ()


class RunState:
    """Results, confirmations, faults and problems of one run, and its exit status, which only rises.

    ``gave_up`` says that making the bench safe has been tried for its whole patience in vain.
    """

    def __init__(self, listeners: Iterable[Listener] = ()) -> None:
        self._listeners = list(listeners)
        self._results: list[tuple[int, Result]] = []
        self.confirmed: list[Confirmation] = []
        self.faults: list[FaultFacts] = []
        self.problems: list[str] = []
        self.status = ExitStatus.PASSED
        self.gave_up = False

    def raise_status(self, status: ExitStatus) -> None:
        """Take over a status that is worse than the one so far."""
        self.status = max(self.status, status)

    def note_may_be_on(self) -> None:
        """Note that something may still be on: whoever reads only the status must learn that, also of a run that was interrupted."""
        self.status = ExitStatus.BENCH_FAILED

    def add(
        self, index: int, results: Sequence[Result], *, on_unit: Sequence[bool], of_bench: bool = False
    ) -> None:
        """Take in what the step with the number ``index`` came to, into the status too.

        ``on_unit`` says of each result whether what is missing is the unit's doing; ``of_bench``: they are the bench's own.
        """
        counted = {id(result) for result in counting(results)}
        for result, of_unit in zip(results, on_unit, strict=True):
            if id(result) in counted:
                self.count(result, on_unit=of_unit, of_bench=of_bench)
        if of_bench:
            self._bench_is_changed(results)
        if results and results[0].check == "confirm":  # asked for again when the run was resumed
            self._results = [one for one in self._results if one[0] != index]
        self._results += [(index, result) for result in results]

    @property
    def results(self) -> tuple[Result, ...]:
        """Every result so far, in the order of the sequence file, whatever order they were measured in."""
        return tuple(result for _, result in sorted(self._results, key=lambda one: one[0]))

    def count(self, result: Result, *, on_unit: bool, of_bench: bool = False) -> None:
        """Take a result's decision into the status; ``on_unit`` where nothing measured is the unit's doing, not the bench's.

        ``of_bench``: a result of the bench itself, which fails the bench.
        """
        if of_bench and result.decision in (Decision.FAIL, Decision.CONDITIONAL_FAIL):
            self.raise_status(ExitStatus.BENCH_FAILED)
            return
        if result.decision is Decision.NOT_MEASURED and not on_unit:
            self.raise_status(ExitStatus.BENCH_FAILED)
        elif result.decision in (Decision.FAIL, Decision.CONDITIONAL_FAIL, Decision.NOT_MEASURED):
            self.raise_status(ExitStatus.FAILED)

    def _bench_is_changed(self, results: Sequence[Result]) -> None:
        """Note what a check of the bench found wrong, in one sentence: the first in whole, and how many more."""
        wrong = [one for one in results if one.decision in (Decision.FAIL, Decision.CONDITIONAL_FAIL)]
        if not wrong:
            return
        first, check = wrong[0], wrong[0].check.replace("_", " ")
        where = "" if first.channel is None else f", channel {first.channel}"
        more = f" (and {len(wrong) - 1} more of {len(results)} results)" if len(wrong) > 1 else ""
        self.bench_failed(f"{check}: {first.quantity.removeprefix(f'{check}: ')}{where}: {first.note}{more}")

    def bench_failed(self, why: str) -> None:
        """Note why the bench, or the run itself, has failed."""
        self.raise_status(ExitStatus.BENCH_FAILED)
        if why not in self.problems:
            self.problems.append(why)

    def met(self, fault: InstrumentFault, index: int | None) -> FaultFacts:
        """Note a fault and tell it; ``index`` is the step's, None outside of all. Returns its facts, which its results carry."""
        facts = FaultFacts.of(fault)
        self.faults.append(facts)
        self.tell(FaultMet(index=index, fault=facts))
        return facts

    def tell(self, event: Event) -> None:
        """Tell every listener; one that fails is told no more, and never ends the run."""
        for listener in list(self._listeners):
            try:
                listener(event)
            except Exception as error:  # a screen that is gone must not end a run
                self._listeners.remove(listener)
                self.problems.append(f"{type(listener).__name__} failed and is sent nothing more: {error}")

    def outcome(self, safe_state: SafeState, bench_s: float) -> RunOutcome:
        """Return how the run went, ``bench_s`` being what it took on the bench's clock."""
        return RunOutcome(
            status=self.status,
            results=self.results,
            safe_state=safe_state,
            bench_s=bench_s,
            problems=tuple(self.problems),
            faults=tuple(self.faults),
        )
