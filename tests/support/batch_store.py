"""A batch in a store, written as runs write theirs: units with values that the test chose, so that what should come out is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from sequencer.results.line import BatchRecord, CheckSeconds, LineFacts
from sequencer.results.model import Result, RunRecord
from sequencer.results.store.writer import StoreWriter
from sequencer.uncertainty.decision import SIMPLE, Decision, Limits, decide
from tests.support.stored_results import RUN, a_result

BEGAN = datetime(2027, 1, 4, 6, 0, tzinfo=UTC)
BATCH = BatchRecord(
    batch="Week 1", sequence="Line check", sequence_hash="c1", simulated=False, target=100, opened=BEGAN
)
POWER = Limits(lower=3.0, upper=4.0)


def a_run(number: int, serial: str, **changes: Any) -> RunRecord:
    """Return a run of a unit, six minutes after the one before, in the batch unless it is said otherwise."""
    facts: dict[str, Any] = {
        "run": f"r{number:04}",
        "time": BEGAN + timedelta(minutes=6 * number),
        "serial": serial,
        "sequence": BATCH.sequence,
        "sequence_hash": BATCH.sequence_hash,
        "bench": "Bench 2",
        "simulated": False,
        "outcome": "done",
        "bench_safe": True,
        "bench_s": 60.0,
        **LineFacts(batch=BATCH.batch, station="2", attempt=1).as_plain(),
    }
    return replace(RUN, **{**facts, **changes})


def power_row(run: RunRecord, value: float | None, limits: Limits = POWER, **changes: Any) -> Result:
    """Return the carrier power of a run in watts, decided by its limits."""
    facts: dict[str, Any] = {
        **{
            name: getattr(run, name)
            for name in ("run", "time", "serial", "sequence", "sequence_hash", "bench", "simulated")
        },
        **LineFacts.of(run).as_plain(),
        "check": "carrier_power",
        "quantity": "carrier power",
        "unit": "W",
        "mode": "FM",
        "value": value,
        "uncertainty": 0.1,
        "lower_limit": limits.lower,
        "upper_limit": limits.upper,
        "decision": decide(value, 0.1, limits, SIMPLE).decision,
    }
    return a_result(**{**facts, **changes})


def write_unit(
    store: StoreWriter, number: int, serial: str, value: float | None, *, repeats: str = "", **changes: Any
) -> RunRecord:
    """Write a run of one unit whose carrier power is ``value``; its status follows from that unless it is given."""
    run = a_run(number, serial, again=repeats, **changes)
    row = power_row(run, value)
    wrong = {Decision.FAIL: 1, Decision.CONDITIONAL_FAIL: 1, Decision.NOT_MEASURED: 3}
    status = changes.get("status", wrong.get(row.decision, 0))
    store.write_run(run, batch=BATCH)
    seconds = CheckSeconds(bench_s=40.0, settling_s=10.0, resting_s=15.0, person_s=5.0)
    store.write_check(run.run, 0, [row], [], seconds=seconds, repeats=repeats)
    store.write_end(
        run.run, outcome=run.outcome, bench_safe=run.bench_safe is not False, bench_s=60.0, status=status
    )
    return run


def write_batch(store: StoreWriter, values: Sequence[float]) -> None:
    """Write a run a unit, in order."""
    for at, value in enumerate(values):
        write_unit(store, at, f"M40-{at:04}", value)
