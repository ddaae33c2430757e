"""Whether a batch stops itself: its runs as the stop rules see them, read from the store."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from sequencer.analysis.batches.units import why_left_out
from sequencer.analysis.verdict import FAILED, Verdict, verdict_of
from sequencer.inputs.batch import BatchFile
from sequencer.results.line import BY_RULE, BatchRecord, with_reason
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


def close_if_due(place: StorePlace, batch: str, run: str) -> str:
    """Close the batch if its rules say so now that ``run`` is over, and return why; empty where it goes on.

    Where another station's run has stopped it meanwhile, that is returned: one of two that end at once writes it, and both say so.

    Raises StoreProblem where the store cannot be asked or written to.
    """
    with Store.open_to_read(place) as store:
        record = store.read_batch(batch)
        stop = None if record is None or record.closed is not None else find_batch_stop(store, record, run)
    if record is None or (record.closed is not None and not record.stopped_itself):
        return ""
    if record.closed is not None:
        return record.stopped
    if stop is None:
        return ""
    now = datetime.now().astimezone()
    why = with_reason(record.stopped, "stopped", now, stop.sentence)
    with Store.open(place) as writing:
        writing.write_batch_state(batch, closed=now, closed_by=BY_RULE, stopped=why, was=record)
    return stop.sentence


def find_batch_stop(store: Store, record: BatchRecord, run: str = "") -> Stop | None:
    """Return why the batch stops with ``run`` (without one, its newest), counted from when it was opened last.

    Where other stations have ended a run since, that run's end and each later one are looked at: what was reached then stays reached.
    """
    rules = BatchFile.of_rules(record.rules)
    limits = stop_limits(rules)
    if rules is None or limits is None:
        return None
    wanted = Wanted(batch=record.batch, measured=True, since=record.went_on)
    watched = rules.stop.chart.checks if rules.stop.chart is not None else ()
    counted = (one for one in store.iterate_runs(wanted, points=False) if not why_left_out(record, one))
    outcomes = outcomes_of(counted, watched)
    last = next((at for at, one in enumerate(outcomes, 1) if one.run == run), len(outcomes))
    ends = (find_stop(outcomes[:end], limits) for end in range(last, len(outcomes) + 1))
    return next(filter(None, ends), None)


def outcomes_of(runs: Iterable[StoredRun], watched: Sequence[str] = ()) -> list[UnitOutcome]:
    """Return what the first attempts came to, in the order in which they ended; ``runs`` are in that in which they began.

    Of two stations the one that began first may end last: its unit is the newest then. Runs without a verdict, and repeats of checks, are
    passed over.
    """
    found: dict[str, UnitOutcome] = {}
    ended: dict[str, datetime] = {}
    for run in runs:
        verdict = verdict_of(run, run.results)
        if run.serial in found or run.again or verdict is Verdict.NONE:
            continue
        own = [one for one in counting(run.results) if one.serial == run.serial and one.check != BENCH_HEALTH]
        judged = [one for one in own if one.decision in _JUDGED]
        ended[run.serial] = max((one.time for one in run.results), default=run.time)
        found[run.serial] = UnitOutcome(
            serial=run.serial,
            run=run.run,
            passed=verdict is Verdict.PASSED,
            failed={
                check: any(one.decision in FAILED for one in judged if one.check == check)
                for check in dict.fromkeys(one.check for one in judged)
            },
            values={
                _name(one): one.value
                for one in own
                if one.check in watched and one.value is not None and one.is_measured
            },
        )
    return sorted(found.values(), key=lambda one: ended[one.serial])


def _name(row: StoredResult) -> str:
    channel = "" if row.channel is None else f", channel {row.channel}"
    axis = "" if row.axis_value is None else f" at {row.axis_value:g} {row.axis_unit}".rstrip()
    return f"{row.check}{channel}: {row.quantity}{axis}"
