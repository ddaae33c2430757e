"""What `resume` tells of a run that has ended with nothing left to measure: its own status and, as JSON, what came of it."""

from __future__ import annotations

from typing import Any

from sequencer.cli.screens.summary import verdict_line
from sequencer.results.journal import JournalRead
from sequencer.results.line import LineFacts
from sequencer.results.model import Result, facts_of
from sequencer.results.stages import counting
from sequencer.run.state import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.safety.state import SafeState
from sequencer.uncertainty.decision import Decision


def status_of(read: JournalRead) -> ExitStatus:
    """Return the status with which the run ended; where its journal says none (one from before), that of its results."""
    if (status := read.kept.status) is not None and status in list(ExitStatus):
        return ExitStatus(status)
    decisions = {one.decision for one in counting(_results(read))}
    if Decision.NOT_MEASURED in decisions:
        return ExitStatus.BENCH_FAILED
    is_failed = bool(decisions & {Decision.FAIL, Decision.CONDITIONAL_FAIL})
    return ExitStatus.FAILED if is_failed else ExitStatus.PASSED


def ended_as_plain(read: JournalRead) -> dict[str, Any]:
    """Return the run as plain values, for JSON: what `run` tells of it, as far as its journal holds it."""
    run, results = read.kept, _results(read)
    outcome = RunOutcome(
        status=status_of(read),
        results=results,
        safe_state=SafeState(),
        bench_s=run.bench_s or 0.0,
        problems=(),
    )
    return {
        "run": run.run,
        "time": run.time.isoformat(timespec="milliseconds"),
        "serial": run.serial,
        "model": run.model,
        "sequence": run.sequence,
        "sequence_hash": run.sequence_hash,
        "model_hash": run.model_hash,
        "simulated": run.simulated,
        "bench": run.bench,
        "bench_hash": run.bench_hash,
        "part": run.part,
        "again": run.again,
        "reason": run.reason,
        **LineFacts.of(run).as_plain(),
        "outcome": read.outcome,
        "status": int(outcome.status),
        "verdict": verdict_line(outcome),
        "bench_safe": run.bench_safe,
        "bench_s": None if run.bench_s is None else round(run.bench_s, 3),
        "results": [facts_of(one) for one in results],
    }


def _results(read: JournalRead) -> tuple[Result, ...]:
    return tuple(one for check in read.kept.checks for one in check.results)
