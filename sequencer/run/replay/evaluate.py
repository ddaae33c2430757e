"""Keeps a re-evaluation as a run of its own: what was never asked is not measured, and no exchange is its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from typing_extensions import override

from drivers.roles import Identity
from drivers.trace import Exchange
from sequencer.bench.tape import Tape
from sequencer.results.line import CheckSeconds
from sequencer.results.model import Result
from sequencer.run.keeping.keeper import Earlier, InMemory
from sequencer.run.measuring.judge import evaluated_mark
from sequencer.run.record import Record
from sequencer.uncertainty.decision import Decision

NEVER_ASKED = "no verdict: this was never asked, so that the readings of the stored run do not answer it"
MOST_SHOWN = 100
MEASURE = "measure the check again on the bench"


class Anew(InMemory):
    """Keeps what a re-evaluation finds, in memory and in ``record``: the files that its checks would keep were kept by the run itself."""

    def __init__(self, record: Record, tape: Tape, *, earlier: Earlier | None = None) -> None:
        super().__init__(record.facts, earlier)
        self._record = record
        self._tape = tape

    @override
    def keep_instruments(self, identities: dict[str, Identity]) -> None:
        self._record.keep_instruments(identities)

    @override
    def mark_simulated(self) -> None:
        self._record.mark_simulated()
        self.facts = self._record.facts

    @override
    def keep(
        self,
        index: int,
        results: Sequence[Result],
        said: Sequence[Exchange],
        *,
        on_unit: Sequence[bool] = (),
        whole: bool = True,
        seconds: CheckSeconds | None = None,
    ) -> None:
        if not results:
            return
        if index in self._tape.lost:
            mark = evaluated_mark(self._record.facts)
            asked = self._tape.unanswered.get(index, "")
            results = [_not_measured(one, asked, mark) for one in results]
        super().keep(index, results, ())
        self._record.keep(index, results, (), on_unit=on_unit, whole=whole)

    @override
    def end(self, *, outcome: str, bench_safe: bool, bench_s: float, status: int = 0) -> None:
        super().end(outcome=outcome, bench_safe=bench_safe, bench_s=bench_s)
        self._record.end(outcome=f"re-evaluated: {outcome}", bench_safe=True, bench_s=0.0, status=status)
        self.problems += self._record.problems


def _not_measured(one: Result, asked: str, mark: str) -> Result:
    why = f"{NEVER_ASKED} ({asked[:MOST_SHOWN]})" if asked else NEVER_ASKED
    return replace(
        one,
        value=None,
        uncertainty=None,
        decision=Decision.NOT_MEASURED,
        note=f"{why}; {MEASURE}; {mark}",
        points=(),
        budget=None,
        fault=None,
    )
