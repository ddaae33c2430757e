"""A run that was carried on, taken apart into what each opening of its bench left: each is gone through by itself.

What stands in the trace between two openings is one part; a result is of the part in which its check spoke to instruments, and of those,
where there are several or none, of the one that had begun last when it was found. A part that was cut short is gone through as far as it
went, and what its results say of that is said again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from drivers.trace import Direction
from sequencer.bench.taped import Taped
from sequencer.frozen import dataclass
from sequencer.planning.plan import Plan
from sequencer.problems import about_file
from sequencer.results.model import INTERRUPTED, NOT_ENDED
from sequencer.run.replay.source import Source
from sequencer.run.resuming.resume import note_in


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """What one opening of the bench left: a run of its own for a replay, and where in the trace of the whole it begins."""

    source: Source
    begins: int = 0
    before: frozenset[int] = frozenset()
    """The numbers of the checks that have results of earlier openings."""

    def plan(self, plan: Plan) -> Plan:
        """Return what of ``plan`` was to be made: all that had no result yet, and what was measured again."""
        here = {index for index, _ in self.source.results} | {one.check_index for one in self.source.entries}
        steps = tuple(step for step in plan.steps if step.index in here or step.index not in self.before)
        return replace(plan, steps=steps)

    @property
    def said_then(self) -> dict[int, str]:
        """Return what stands in the results of their run having been cut short, by the number of the check."""
        notes = {index: note_in(one.note) for index, one in reversed(self.source.results)}
        return {index: note for index, note in notes.items() if note}


def openings(source: Source) -> tuple[Opening, ...]:
    """Return the parts of a run, in order. Raises InputError where the trace does not tell them apart."""
    if not source.run.resumed:
        return (Opening(source=source),)
    begins = _begins(source.entries)
    resumed = source.run.resumed
    if len(begins) != len(resumed) + 1:
        raise about_file(
            f"run {source.run.run}",
            f"cannot be replayed: it was carried on {len(resumed)} times, and its trace holds {len(begins)} whole openings of the bench",
            allowed="a run of which each part has measured something",
        )
    parts = [source.entries[first:last] for first, last in pairwise([*begins, len(source.entries)])]
    belongs = _belongs(source, parts)
    found: list[Opening] = []
    before: set[int] = set()
    for at, (first, entries) in enumerate(zip(begins, parts, strict=True)):
        results = tuple(one for one, part in zip(source.results, belongs, strict=True) if part == at)
        outcome = source.run.outcome if at == len(resumed) else _ended(entries)
        run = replace(source.run, resumed=(), outcome=outcome)
        part = replace(source, run=run, results=results, entries=entries)
        found.append(Opening(source=part, begins=first, before=frozenset(before)))
        before |= {index for index, _ in results}
    return tuple(found)


def _belongs(source: Source, parts: Sequence[Sequence[Taped]]) -> list[int]:
    """Return for each result of which part it is. Somebody may have set the clock back meanwhile: the order of the parts is the trace's."""
    checks = [{one.check_index for one in entries} for entries in parts]
    began = (source.run.time, *source.run.resumed)
    found = []
    for index, one in source.results:
        spoke = [at for at, those in enumerate(checks) if index in those] or list(range(len(parts)))
        had_begun = [at for at in spoke if began[at] <= one.time] or spoke[:1]
        found.append(max(had_begun, key=lambda at: (began[at], at)))
    return found


def _begins(entries: Sequence[Taped]) -> list[int]:
    """Return where openings of the whole bench begin: all its instruments one after another, from the first of them on."""
    opened = [
        (at, one.exchange.instrument)
        for at, one in enumerate(entries)
        if one.exchange.direction is Direction.OPENED
    ]
    names = {name for _, name in opened}
    found: list[int] = []
    for place, (at, name) in enumerate(opened):
        following = {one for _, one in opened[place : place + len(names)]}
        if name == opened[0][1] and following == names:
            found.append(at)
    return [0, *found[1:]] if found else []


def _ended(entries: Sequence[Taped]) -> str:
    """Return how a part ended: its links were closed, or nobody closed them."""
    return INTERRUPTED if entries and entries[-1].exchange.direction is Direction.CLOSED else NOT_ENDED
