"""A run in a batch: whether the batch takes it, and as which attempt at its unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from sequencer.analysis.batches.units import why_left_out
from sequencer.analysis.verdict import Verdict, verdict_of
from sequencer.frozen import dataclass
from sequencer.inputs.batch import BatchFile
from sequencer.problems import FileProblems, about_file, printable
from sequencer.results.line import BatchRecord, LineFacts
from sequencer.results.model import NOT_ENDED
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import EmptyStore
from sequencer.results.store.store import Store, Wanted
from sequencer.results.stored import StoredRun
from sequencer.units.format import counted

UNDER_WAY_H = 12
"""How long a run on another bench that has not ended counts as one that will: nobody can tell from here whether it was cut short."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InBatch:
    """What a run says of its batch: ``record`` is the batch, as it stands or as it is opened now (``is_new``).

    ``verdicts`` are those on the unit so far, oldest first; ``seen_runs`` is how many runs of it the batch has, whatever came of them.
    """

    line: LineFacts
    record: BatchRecord
    is_new: bool
    verdicts: tuple[Verdict, ...] = ()
    seen_runs: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """The batch in the store, None where it is not there, its runs of the unit, newest first, and the verdicts on that, oldest first."""

    record: BatchRecord | None = None
    runs: tuple[StoredRun, ...] = ()
    verdicts: tuple[Verdict, ...] = ()


def opened(
    line: LineFacts, *, sequence: str, sequence_hash: str, simulated: bool, file: BatchFile | None = None
) -> BatchRecord:
    """Return the batch that a run opens, should it not be there yet."""
    return BatchRecord(
        batch=line.batch,
        sequence=sequence,
        sequence_hash=sequence_hash,
        model="" if file is None else file.model or "",
        simulated=simulated,
        target=None if file is None else file.target,
        rules="" if file is None else file.as_rules(),
        opened=datetime.now().astimezone(),
    )


def in_batch(
    line: LineFacts,
    new: BatchRecord,
    *,
    serial: str,
    model: str,
    place: StorePlace,
    bench_name: str,
    reason: str = "",
) -> InBatch:
    """Return what a run of unit ``serial`` on a bench is in its batch; ``new`` is the batch as it would be opened by it.

    Raises InputError where the batch does not take it (another sequence, another kind of bench, closed, not its unit, tested often
    enough), StoreProblem where the store cannot be asked.
    """
    found = _read(place, new.batch, serial)
    record = found.record or new
    _refuse_other(record, new)
    rules = _rules(record)
    if record.closed is not None:
        why = f": {record.stopped}" if record.stopped else ""
        raise _refused(
            f"batch '{printable(record.batch)}' was {record.state()}{printable(why)}",
            f"another batch, or 'sequencer batch \"{printable(record.batch)}\" --open REASON' first",
        )
    _refuse_unit(record, rules, serial, model)
    attempt = len(found.verdicts) + 1
    if rules is not None:
        _refuse_retest(record, rules, serial, attempt, reason)
        _refuse_beside(record, rules, attempt, _under_way(found.runs, bench_name))
    if reason and attempt == 1:
        raise about_file(
            "--reason",
            f"unit {serial} has no verdict in this batch yet, and nothing is repeated",
            allowed="no reason",
        )
    return InBatch(
        line=replace(line, batch=record.batch, attempt=attempt, retest_reason=reason),
        record=record,
        is_new=found.record is None,
        verdicts=found.verdicts,
        seen_runs=len(found.runs),
    )


def _read(place: StorePlace, batch: str, serial: str) -> _Found:
    if place.path is not None and not place.path.exists():
        return _Found()
    try:
        with Store.open_to_read(place) as store:
            record = store.read_batch(batch)
            if record is None:
                return _Found()
            runs = store.read_runs(Wanted(batch=batch, serials=(serial,)), limit=None)
            said = [
                verdict_of(one, store.read_results(one.run, points=False))
                for one in reversed(runs)
                if not one.evaluated_from and not one.again and not why_left_out(record, one)
            ]
    except EmptyStore:
        return _Found()
    return _Found(
        record=record, runs=tuple(runs), verdicts=tuple(one for one in said if one is not Verdict.NONE)
    )


def _under_way(runs: Sequence[StoredRun], bench_name: str) -> StoredRun | None:
    """Return the newest run that has not ended on another bench: a process drives this one alone, so that one here was cut short."""
    began = datetime.now().astimezone() - timedelta(hours=UNDER_WAY_H)
    return next(
        (
            one
            for one in runs
            if one.outcome == NOT_ENDED and not one.again and one.bench != bench_name and one.time > began
        ),
        None,
    )


def _rules(record: BatchRecord) -> BatchFile | None:
    try:
        return BatchFile.of_rules(record.rules)
    except ValueError as error:
        raise about_file(
            f"batch '{printable(record.batch)}'",
            "its rules in the store cannot be read",
            found=printable(str(error).splitlines()[0]),
            allowed="rules that this sequencer wrote",
            hint="the store was changed by something else; open another batch",
        ) from error


def _refuse_other(record: BatchRecord, new: BatchRecord) -> None:
    name = printable(record.batch)
    if record.sequence_hash != new.sequence_hash:
        same = record.sequence == new.sequence
        raise _refused(
            f"batch '{name}' is tested with the sequence '{printable(record.sequence)}' ({record.sequence_hash}), and this is "
            f"'{printable(new.sequence)}' ({new.sequence_hash}){': the file was changed since' if same else ''}",
            "the sequence as the batch began with it, or another batch",
        )
    if record.simulated != new.simulated:
        kinds = ("a real bench", "a simulated bench")
        raise _refused(
            f"batch '{name}' is of {kinds[record.simulated]}, and this is {kinds[new.simulated]}",
            "the same kind of bench: measured and simulated units are never counted together",
        )
    if new.rules and new.rules != record.rules:
        raise _refused(
            f"batch '{name}' was opened with other rules than the batch file says now",
            "the batch file as it was, the batch by its name alone, or another batch",
        )


def _refuse_unit(record: BatchRecord, rules: BatchFile | None, serial: str, model: str) -> None:
    if rules is not None and not rules.holds(serial):
        which = (
            f"those that fit '{rules.serials}'"
            if rules.serials is not None
            else "the units that its file lists"
        )
        raise _refused(
            f"unit '{printable(serial)}' does not belong to batch '{printable(record.batch)}'", which
        )
    if record.model and model and model.casefold() != record.model.casefold():
        raise _refused(
            f"batch '{printable(record.batch)}' is of model '{printable(record.model)}', and unit '{printable(serial)}' is "
            f"'{printable(model)}'",
            "units of that model, or another batch",
        )


def _refuse_retest(record: BatchRecord, rules: BatchFile, serial: str, attempt: int, reason: str) -> None:
    most, name = rules.retest.attempts, printable(record.batch)
    if most is not None and attempt > most:
        raise _refused(
            f"unit '{printable(serial)}' was tested {most} times in batch '{name}', as often as its rule allows",
            f"at most {most} attempts at a unit (retest.attempts)",
        )
    if attempt > 1 and rules.retest.reason == "required" and not reason:
        raise about_file(
            "--reason",
            f"unit '{printable(serial)}' is tested again in batch '{name}' (attempt {attempt}), and its rule asks why",
            allowed="--reason TEXT, such as 'plug was loose'",
        )


def _refuse_beside(record: BatchRecord, rules: BatchFile, attempt: int, other: StoredRun | None) -> None:
    """Refuse a run that would be one too many once the one that is under way has its verdict."""
    most = rules.retest.attempts
    if other is None or most is None or attempt < most:
        return
    serial, until = printable(other.serial), (other.time + timedelta(hours=UNDER_WAY_H)).astimezone()
    raise _refused(
        f"unit '{serial}' is tested in batch '{printable(record.batch)}' by run {printable(other.run)} on "
        f"'{printable(other.bench)}', which has not ended, and its rule allows {counted(most, 'attempt')}",
        f"a run once that one has ended; where it was cut short, 'sequencer resume {printable(other.run)}' there ends it. "
        f"It counts until {until:%Y-%m-%d %H:%M}",
    )


def _refused(message: str, allowed: str) -> FileProblems:
    return about_file("--batch", message, allowed=allowed)
