"""What is measured again after a fault that may pass: a check from its start, on a bench that was made safe and read back in between.

A message is never sent twice by itself: a key that was pressed, or a switch that was moved, may be pressed or moved though its answer
was lost. What is repeated is the whole check. It begins as every check does, with PTT released, the generators off, the switch set and
read, every setting made anew, so that nothing is taken for granted of what the fault left. Readings alone are taken again where they were
taken (`sequencer/safety/proofs/watch.py`).

Not repeated: what we refused ourselves; what a person holds or reads, who would be asked again; what was adjusted since; a unit that stays
on the air, or that the power meter does not see, and readings that do not follow the unit, for these are no faults that pass; and a fault
that was met again when it was repeated. A number that cannot be is repeated: where an instrument answers late, with the reading before,
those before it may be wrong too, so that the whole check is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from drivers.faults import (
    ImpossibleReading,
    InstrumentError,
    InstrumentFault,
    LinkFault,
    NotConfirmed,
    UnexpectedReply,
)
from sequencer.checks.finding import Finding
from sequencer.frozen import dataclass

PER_CHECK = 2
"""How often one check is measured again, at most."""
PER_RUN = 10
"""How often in a run, all its checks and the opening of its instruments together. A bench that needs more is to be looked at."""
_MAY_PASS = (LinkFault, UnexpectedReply, InstrumentError, NotConfirmed)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """What makes two faults the same one."""

    kind: str
    instrument: str
    what: str


class Retries:
    """The budget of one run; ``per_run`` 0 repeats nothing."""

    def __init__(self, *, per_check: int = PER_CHECK, per_run: int = PER_RUN) -> None:
        self._per_check = per_check
        self._left = per_run
        self._taken: dict[int | None, int] = {}
        self._came_again: set[_Seen] = set()
        self._last: dict[int | None, _Seen] = {}

    def take(self, index: int | None, fault: InstrumentFault) -> bool:
        """Say whether what met ``fault`` is done again, and count it. ``index`` is the check's number, None for the opening."""
        if not isinstance(fault, _MAY_PASS) or _is_of_the_unit(fault):
            return False
        seen = _Seen(kind=type(fault).__name__, instrument=fault.instrument, what=fault.what)
        if self._last.get(index) == seen:
            self._came_again.add(seen)
        self._last[index] = seen
        if seen in self._came_again or self._left <= 0 or self._taken.get(index, 0) >= self._per_check:
            return False
        self._left -= 1
        self._taken[index] = self._taken.get(index, 0) + 1
        return True


def _is_of_the_unit(fault: InstrumentFault) -> bool:
    """Say whether readings show it, and no single answer: the unit may be why. A number that cannot be is of no unit."""
    return (
        isinstance(fault, UnexpectedReply) and not fault.command and not isinstance(fault, ImpossibleReading)
    )


def noted_each(findings: list[Finding], notes: Sequence[str]) -> list[Finding]:
    """Return the findings, each with the notes; what a check from elsewhere returned otherwise is found out when it is judged."""
    return [_with(one, notes) for one in findings] if notes else findings


def noted_first(findings: list[Finding], note: str) -> list[Finding]:
    """Return the findings, the first of them with the note."""
    return [_with(findings[0], [note]), *findings[1:]] if note and findings else findings


def _with(finding: Any, notes: Sequence[str]) -> Any:
    if not isinstance(finding, Finding):
        return finding
    return replace(finding, note="; ".join(filter(None, (finding.note, *notes))))
