"""A run with those that repeat its checks: what was found first, what was found again, and what counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sequencer.results.model import NOTHING_SENT
from sequencer.results.store.store import Store
from sequencer.results.stored import StoredResult, StoredRun
from sequencer.results.text import value_in_words


def read_whole(run: StoredRun, store: Store, *, points: bool = True) -> list[StoredRun]:
    """Return the run that ``run`` is or repeats, and all that repeat it, oldest first, each with its results."""
    first = (store.read_run(run.again) if run.again else None) or run
    members = [first, *store.read_repeats(first.run)]
    return [replace(one, results=tuple(store.read_results(one.run, points=points))) for one in members]


def in_order(members: Sequence[StoredRun]) -> list[StoredResult]:
    """Return all results of a run and its repeats in the order of the sequence, a repeat below what it replaces.

    One that counts no more says so in its note.
    """
    first = members[0].run
    rows = [_marked(row, first) for member in members for row in member.results]
    return sorted(rows, key=lambda row: row.check_index)


def as_one(members: Sequence[StoredRun]) -> StoredRun:
    """Return a run and its repeats as one run whose results are those that count, for a report.

    A result that has replaced others says in its note what was found before. Confirmations are the first run's; each result carries its
    own. ``repeats`` holds the other runs, without their results.
    """
    first, *repeats = members
    every = [row for member in members for row in member.results]
    counting = [
        _with_those_before(row, every)
        for row in every
        if row.counts and (row.check != "confirm" or row.run == first.run)
    ]
    others = [
        replace(one, name=f"{one.name}, in run {repeat.run}")
        for repeat in repeats
        for one in repeat.instruments
        if one not in first.instruments
    ]
    unsafe = any(member.was_left_unsafe for member in members)
    outcome = first.outcome.removesuffix(NOTHING_SENT) if unsafe else first.outcome
    return replace(
        first,
        results=tuple(sorted(counting, key=lambda row: row.check_index)),
        instruments=(*first.instruments, *others),
        outcome=outcome,
        bench_safe=False if unsafe else first.bench_safe,
        repeats=tuple(replace(repeat, results=()) for repeat in repeats),
    )


def _marked(row: StoredResult, first: str) -> StoredResult:
    told = "" if row.counts else f"does not count: {_replaced(row)}"
    if row.check == "confirm" and row.run != first:
        told = f"for run {row.run}"
    return replace(row, note=_joined(row.note, told)) if told else row


def _replaced(row: StoredResult) -> str:
    if row.replaced_by == row.run:
        if row.check == "confirm":
            return "asked for again when the run was resumed"
        return "measured again when the run was resumed"
    return f"repeated in run {row.replaced_by}"


def _with_those_before(row: StoredResult, every: Sequence[StoredResult]) -> StoredResult:
    if row.check == "confirm":  # nothing was found
        return row
    before = [one for one in every if one.replaced_by == row.run and _key(one) == _key(row)]
    if not before:
        return row
    said = (
        f"{value_in_words(one) or 'no value'} ({one.decision.value}) "
        + ("before the run was resumed" if one.run == row.run else f"in run {one.run}")
        for one in before
    )
    return replace(row, note=_joined(row.note, f"found before: {', '.join(said)}"))


def _key(row: StoredResult) -> tuple[Any, ...]:
    return (row.check_index, row.quantity, row.channel, row.mode)


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)
