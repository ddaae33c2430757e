"""The checks that a run owes a result: one that leaves any without, or that was stopped, has not passed, whatever else it found."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sequencer.planning.step import Step
from sequencer.results.model import FaultFacts, Result
from sequencer.run.state import RunState
from sequencer.run.status import ExitStatus


class Stopped(Exception):
    """The run cannot go on; the text says why. ``by_fault`` where something happened on the bench while a check was made."""

    def __init__(self, why: str, *, by_fault: bool = False) -> None:
        super().__init__(why)
        self.by_fault = by_fault

    def told(self, faults: Sequence[FaultFacts]) -> tuple[str, FaultFacts]:
        """Return the note, and the fault, of a check that was not made for it; the last of ``faults`` is what stopped the run."""
        why = f"not measured, because the run was {self}"
        if not faults:  # a check that failed by itself left the bench so
            return why, FaultFacts(kind="NotConfirmed", what=str(self), instrument="bench", address="")
        return f"{why}; {faults[-1].instrument}: {faults[-1].what}", faults[-1]


class Owed:
    """What is planned and has no result yet; a confirmation is owed by a person, and not counted."""

    def __init__(self, steps: Iterable[Step]) -> None:
        self._due = {step.index: step for step in steps if step.check.name != "confirm"}

    @property
    def steps(self) -> tuple[Step, ...]:
        """The steps that are still owed a result."""
        return tuple(self._due.values())

    def note(self, step: Step, results: Sequence[Result]) -> None:
        """Take note that a step has ended with ``results``: none are no result."""
        if results:
            self._due.pop(step.index, None)

    def count(self, how: str, state: RunState) -> None:
        """Take into the status of a run that nobody interrupted ``how`` it ended, and what it still owes.

        Here alone it is seen to that status 0, and so "All limits met.", means that every planned check was made.
        """
        if how != "done":
            if state.status < ExitStatus.BENCH_FAILED:
                state.bench_failed(how)
        elif self._due:
            named = ", ".join(step.label for step in self.steps)
            state.bench_failed(f"{len(self._due)} of the planned checks left no result: {named}")
