"""Whether a batch stops itself: its runs as the stop rules see them, read from the store."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from sequencer.analysis.verdict import FAILED, Verdict, verdict_of
from sequencer.inputs.batch import BatchFile
from sequencer.results.line import BatchRecord
from sequencer.results.model import BENCH_HEALTH
from sequencer.results.stages import counting
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store, Wanted
from sequencer.results.stored import StoredResult, StoredRun
from sequencer.statistics.stop_rules import Stop, StopLimits, UnitOutcome, find_stop
from sequencer.uncertainty.decision import Decision

_JUDGED = (Decision.PASS, Decision.CONDITIONAL_PASS, *FAILED)


def stop_limits(rules: BatchFile | None) -> StopLimits | None:
    """Return what stops a batch by its file; None where nothing does."""
    if rules is None:
        return None
    stop = rules.stop
    if stop.failures_in_a_row is None and stop.first_pass is None and stop.chart is None:
        return None
    first = stop.first_pass
    return StopLimits(
        failures_in_a_row=stop.failures_in_a_row,
        yield_below=None if first is None else first.below_percent / 100.0,
        yield_after=10 if first is None else first.after,
        chart_after=None if stop.chart is None else stop.chart.after,
    )


def close_if_due(place: StorePlace, batch: str) -> Stop | None:
    """Close the batch if its rules say so after its newest run, and return why; None where it goes on.

    Raises StoreProblem where the store cannot be asked or written to.
    """
    with Store.open_to_read(place) as store:
        record = store.read_batch(batch)
        stop = None if record is None or record.closed is not None else find_batch_stop(store, record)
    if record is None or stop is None:
        return None
    with Store.open(place) as writing:
        before = f"{record.stopped}; " if record.stopped else ""
        now = datetime.now().astimezone()
        writing.write_batch_state(batch, closed=now, stopped=f"{before}{stop.sentence}"[-2000:])
    return stop


def find_batch_stop(store: Store, record: BatchRecord, *, until: datetime | None = None) -> Stop | None:
    """Return why the batch stops after its newest run (or that of ``until``), counted from when it was opened last."""
    rules = BatchFile.of_rules(record.rules)
    limits = stop_limits(rules)
    if rules is None or limits is None:
        return None
    wanted = Wanted(batch=record.batch, measured=True, since=record.went_on, until=until)
    watched = rules.stop.chart.checks if rules.stop.chart is not None else ()
    return find_stop(outcomes_of(store.iterate_runs(wanted, points=False), watched), limits)


def outcomes_of(runs: Iterable[StoredRun], watched: Sequence[str] = ()) -> list[UnitOutcome]:
    """Return what the first attempts came to, oldest first; runs without a verdict, and repeats of checks, are passed over."""
    found: dict[str, UnitOutcome] = {}
    for run in runs:
        verdict = verdict_of(run, run.results)
        if run.serial in found or run.again or verdict is Verdict.NONE:
            continue
        own = [one for one in counting(run.results) if one.serial == run.serial and one.check != BENCH_HEALTH]
        judged = [one for one in own if one.decision in _JUDGED]
        found[run.serial] = UnitOutcome(
            serial=run.serial,
            passed=verdict is Verdict.PASSED,
            failed={
                check: any(one.decision in FAILED for one in judged if one.check == check)
                for check in dict.fromkeys(one.check for one in judged)
            },
            values={_name(one): one.value for one in own if one.check in watched and one.value is not None},
        )
    return list(found.values())


def _name(row: StoredResult) -> str:
    channel = "" if row.channel is None else f", channel {row.channel}"
    axis = "" if row.axis_value is None else f" at {row.axis_value:g} {row.axis_unit}".rstrip()
    return f"{row.check}{channel}: {row.quantity}{axis}"
