"""A run that was carried on, taken apart into what each opening of its bench left: each is gone through by itself.

A run that is carried on says so in its trace (`sequencer.run.resuming.mark`), and what stands from there on is one part; a trace from
before that was so is taken apart where the whole bench is opened. An attempt that left nothing in the trace (the program was killed before
its first check ended, or before it opened the bench) left no results either, and is no part.

A result that has a value is of a part in which its check spoke to instruments; of those the one that had begun last when it was found. What
was not measured may be of any. A part that was cut short is gone through as far as it went, and what its results say of that is said again.
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
from sequencer.run.resuming.mark import read_mark, whole_milliseconds
from sequencer.run.resuming.resume import note_in


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """What one opening of the bench left: a run of its own for a replay, and where in the trace of the whole it begins."""

    source: Source
    begins: int = 0
    before: frozenset[int] = frozenset()
    """The numbers of the checks that have results of earlier openings."""
    made: frozenset[int] | None = None
    """The numbers of the checks that were to be made; None where that was not kept."""
    mark: Taped | None = None
    """The entry that begins it, where the trace has one; it is no exchange, and stands before those of ``source``."""

    def plan(self, plan: Plan) -> Plan:
        """Return what of ``plan`` was to be made: as it was kept, else all that had no result yet, and what was measured again."""
        if self.made is not None:
            return replace(plan, steps=tuple(step for step in plan.steps if step.index in self.made))
        here = {index for index, _ in self.source.results} | {one.check_index for one in self.source.entries}
        steps = tuple(step for step in plan.steps if step.index in here or step.index not in self.before)
        return replace(plan, steps=steps)

    @property
    def said_then(self) -> dict[int, str]:
        """Return what stands in the results of their run having been cut short, by the number of the check."""
        notes = {index: note_in(one.note) for index, one in reversed(self.source.results)}
        return {index: note for index, note in notes.items() if note}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """What one attempt left in the trace: which attempt, its entries, and how the one before it had ended, where that was kept."""

    attempt: int
    begins: int
    entries: tuple[Taped, ...]
    before: str = ""
    made: frozenset[int] | None = None
    mark: Taped | None = None


def openings(source: Source) -> tuple[Opening, ...]:
    """Return the parts of a run, in order. Raises InputError where the trace does not tell them apart."""
    if not source.run.resumed:
        return (Opening(source=source),)
    parts = _marked(source) or _unmarked(source)
    belongs = _belongs(source, parts)
    found: list[Opening] = []
    before: set[int] = set()
    for at, part in enumerate(parts):
        results = tuple(one for one, of in zip(source.results, belongs, strict=True) if of == at)
        run = replace(source.run, resumed=(), outcome=_outcome(source, parts, at))
        of_part = replace(source, run=run, results=results, entries=part.entries)
        found.append(
            Opening(
                source=of_part, begins=part.begins, before=frozenset(before), made=part.made, mark=part.mark
            )
        )
        before |= {index for index, _ in results}
    return tuple(found)


def _marked(source: Source) -> list[_Part]:
    """Return the parts as the trace says where it was carried on; none where it does not."""
    entries = source.entries
    marks = [(at, mark) for at, one in enumerate(entries) if (mark := read_mark(one.exchange)) is not None]
    if not marks:
        return []
    resumed = whole_milliseconds(source.run.resumed)
    found = [_Part(attempt=0, begins=0, entries=entries[: marks[0][0]])] if marks[0][0] else []
    for (at, mark), (until, _) in pairwise([*marks, (len(entries), None)]):
        assert mark is not None
        attempt = resumed.index(mark.at) + 1 if mark.at in resumed else len(found)
        here = _Part(
            attempt=attempt,
            begins=at + 1,
            entries=entries[at + 1 : until],
            before=mark.before,
            made=mark.steps,
            mark=entries[at],
        )
        found.append(here)
    return found


def _unmarked(source: Source) -> list[_Part]:
    """Return the parts of a trace from before it said where it was carried on. Raises InputError where they cannot be told apart."""
    begins = _begins(source.entries)
    resumed = source.run.resumed
    if len(begins) != len(resumed) + 1:
        raise about_file(
            f"run {source.run.run}",
            f"cannot be replayed: it was carried on {len(resumed)} times, and its trace holds {len(begins)} whole openings of the bench",
            allowed="a run that was carried on by this sequencer, whose trace says where",
        )
    return [
        _Part(attempt=at, begins=first, entries=source.entries[first:last])
        for at, (first, last) in enumerate(pairwise([*begins, len(source.entries)]))
    ]


def _outcome(source: Source, parts: Sequence[_Part], at: int) -> str:
    """Return how a part ended: by the word of the attempt that came next, if that has one, else by whether its links were closed."""
    attempt = parts[at].attempt
    if attempt == len(source.run.resumed):
        return source.run.outcome
    after = parts[at + 1] if at + 1 < len(parts) else None
    if after is not None and after.before and after.attempt == attempt + 1:
        return after.before
    return _ended(parts[at].entries)


def _belongs(source: Source, parts: Sequence[_Part]) -> list[int]:
    """Return for each result of which part it is. Somebody may have set the clock back meanwhile: the order of the parts is the trace's."""
    checks = [{one.check_index for one in part.entries} for part in parts]
    moments = (source.run.time, *source.run.resumed)
    began = [moments[part.attempt] for part in parts]
    found = []
    for index, one in source.results:
        spoke = [at for at, those in enumerate(checks) if index in those] if one.value is not None else []
        may_be = spoke or list(range(len(parts)))
        had_begun = [at for at in may_be if began[at] <= one.time] or may_be[:1]
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
