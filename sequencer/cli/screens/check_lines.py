"""A heading for each check with its place in the run, and what came of it when it ends: `3 of 11  carrier power, ch 20   3.71 W  pass`."""

from __future__ import annotations

from sequencer.problems import printable
from sequencer.results.text import value_in_words, with_minus
from sequencer.run.events import CheckEnded, CheckStarted, Event, RunStarted
from sequencer.uncertainty.decision import Decision
from sequencer.units.format import counted

MOST_LINES = 4
"""Results that have a line of their own; of more the decisions are counted."""
_WIDE = 44


class CheckLines:
    """Turns the events of a run into lines. ``headed``: a check's heading stands before it too, for a person who is asked meanwhile."""

    def __init__(self, *, headed: bool) -> None:
        self._headed = headed
        self._checks = 0
        self._begun: dict[int, int] = {}

    def of(self, event: Event) -> list[str]:
        """Return what an event says."""
        match event:
            case RunStarted():
                self._checks, self._begun = event.checks, {}
            case CheckStarted():
                place = self._place(event.index)
                return [f"{place}  {_label(event.label)}"] if self._headed else []
            case CheckEnded():
                return self._ended(event)
        return []

    def _place(self, index: int) -> str:
        """Return a check's place in the order in which they are made, however they stand in the file."""
        number = self._begun.setdefault(index, len(self._begun) + 1)
        return f"{number:{len(str(self._checks))}} of {self._checks}"

    def _ended(self, event: CheckEnded) -> list[str]:
        head = f"{self._place(event.index)}  {_label(event.label)}"
        if not event.results:
            return []
        if len(event.results) > MOST_LINES:
            decisions = [one.decision for one in event.results]
            kinds = [one for one in Decision if one in decisions]
            told = ", ".join(f"{decisions.count(one)} {one.value}" for one in kinds)
            return [f"{head:{_WIDE}}  {counted(len(decisions), 'result')}: {told}"]
        lines: list[str] = []
        for result in event.results:
            decision = "" if result.decision is Decision.NO_LIMIT else f"  {result.decision.value}"
            value = "" if result.unit == "" else with_minus(printable(value_in_words(result)))
            what = (
                head if not lines else " " * len(self._place(event.index)) + f"  {printable(result.quantity)}"
            )
            if value or decision:
                lines.append(f"{what:{_WIDE}}  {value}{decision}".rstrip())
        return lines


def _label(label: str) -> str:
    return printable(label).replace(", channel ", ", ch ")
