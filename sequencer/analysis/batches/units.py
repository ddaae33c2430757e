"""The units of a batch: of each its attempts in order, what the first came to, and what the last.

*First pass* is a unit's first run that gave a verdict, by what it found itself: what a later repeat or retest found changes nothing of it.
*Final* is its last run that gave a verdict, with the repeats of its checks. A unit counts once in each, however often it was tested.
"""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime

from sequencer.analysis.verdict import FAILED, Verdict, verdict_of
from sequencer.frozen import dataclass
from sequencer.results.line import BatchRecord
from sequencer.results.stages import counting
from sequencer.results.store.store import Store, Wanted
from sequencer.results.stored import StoredResult, StoredRun
from sequencer.uncertainty.decision import Decision

_OTHER_SEQUENCE = "with another sequence, or the file as it is no more"


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One run of a unit, with the runs that repeat checks of it, and its verdict by itself.

    ``rows`` are what the run itself found of its unit, whatever has replaced it since.
    """

    run: StoredRun
    repeats: tuple[StoredRun, ...]
    verdict: Verdict
    rows: tuple[StoredResult, ...]

    @property
    def verdict_now(self) -> Verdict:
        """The verdict with what the repeats have replaced."""
        if not self.repeats:
            return self.verdict
        every = [row for run in (self.run, *self.repeats) for row in run.results]
        found = [
            row.decision
            for row in counting(row for row in every if row.counts and row.serial == self.run.serial)
        ]
        if any(one in FAILED for one in found):
            return Verdict.FAILED
        if Decision.NOT_MEASURED in found or any(
            verdict_of(one, one.results) is Verdict.NONE for one in self.repeats
        ):
            return self.verdict
        return Verdict.PASSED if self.run.outcome == "done" else Verdict.NONE


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchUnit:
    """One unit of a batch with all its attempts, oldest first."""

    serial: str
    attempts: tuple[Attempt, ...]

    @property
    def first(self) -> Attempt | None:
        """The first attempt that gave a verdict; None where none did."""
        return next((one for one in self.attempts if one.verdict is not Verdict.NONE), None)

    @property
    def final(self) -> Verdict:
        """The verdict of the last attempt that gave one."""
        given = (one.verdict_now for one in reversed(self.attempts))
        return next((one for one in given if one is not Verdict.NONE), Verdict.NONE)


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchUnits:
    """A batch as its statistics see it: ``units`` in the order in which they were first judged, those without a verdict at the end.

    ``left_out`` says of how many runs nothing was counted, by why: never mixed in are runs of the other kind of bench and of another
    sequence.
    """

    record: BatchRecord
    units: tuple[BatchUnit, ...]
    left_out: tuple[tuple[str, int], ...]

    @property
    def judged(self) -> tuple[BatchUnit, ...]:
        """The units that have a verdict."""
        return tuple(one for one in self.units if one.first is not None)

    @property
    def runs(self) -> tuple[StoredRun, ...]:
        """Every run that is counted, repeats too, oldest first."""
        every = (run for unit in self.units for one in unit.attempts for run in (one.run, *one.repeats))
        return tuple(sorted(every, key=lambda run: run.time))


def read_batch_units(store: Store, record: BatchRecord, *, since: datetime | None = None) -> BatchUnits:
    """Return the units of a batch, from the store; of runs that began ``since`` then, where that is given."""
    wanted = Wanted(batch=record.batch, measured=True, since=since)
    with _no_collecting():
        return units_of(record, store.iterate_runs(wanted, brief=True))


@contextmanager
def _no_collecting() -> Iterator[None]:
    """Look for no circles of references meanwhile.

    Rows make none, and to look through all of them time and again takes a quarter of the time of reading them [measured].
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def units_of(record: BatchRecord, runs: Iterable[StoredRun]) -> BatchUnits:
    """Return the units that ``runs`` (oldest first, with their results) are of."""
    counted: list[StoredRun] = []
    left_out: Counter[str] = Counter()
    for run in runs:
        if why := why_left_out(record, run):
            left_out[why] += 1
        else:
            counted.append(run)
    repeats: dict[str, list[StoredRun]] = {}
    for run in counted:
        if run.again:
            repeats.setdefault(run.again, []).append(run)
    by_serial: dict[str, list[Attempt]] = {}
    for run in counted:
        if not run.again:
            one = Attempt(
                run=run,
                repeats=tuple(repeats.get(run.run, ())),
                verdict=verdict_of(run, run.results),
                rows=_own_rows(run),
            )
            by_serial.setdefault(run.serial, []).append(one)
    units = [BatchUnit(serial=serial, attempts=tuple(found)) for serial, found in by_serial.items()]
    return BatchUnits(
        record=record,
        units=tuple(sorted(units, key=_when_judged)),
        left_out=tuple(sorted(left_out.items(), key=lambda one: one[0] == _OTHER_SEQUENCE)),
    )


def _own_rows(run: StoredRun) -> tuple[StoredResult, ...]:
    name, serial = run.run, run.serial
    return tuple(counting([one for one in run.results if one.replaced_by != name and one.serial == serial]))


def why_left_out(record: BatchRecord, run: StoredRun) -> str:
    """Return why a run that carries the batch's name is counted nowhere in it: no yield, no rule, no attempt; empty where it counts."""
    if run.simulated != record.simulated:
        return "on a real bench" if record.simulated else "on a simulated bench"
    return _OTHER_SEQUENCE if run.sequence_hash != record.sequence_hash else ""


def _when_judged(unit: BatchUnit) -> tuple[bool, float]:
    first = unit.first
    return first is None, (first or unit.attempts[0]).run.time.timestamp()


def record_of_runs(batch: str, runs: Iterable[StoredRun]) -> BatchRecord | None:
    """Return a batch that the store knows by its runs alone, as its oldest run began it; None without any."""
    oldest = min(runs, key=lambda run: run.time, default=None)
    if oldest is None:
        return None
    return BatchRecord(
        batch=batch,
        sequence=oldest.sequence,
        sequence_hash=oldest.sequence_hash,
        simulated=oldest.simulated,
        opened=oldest.time,
    )
