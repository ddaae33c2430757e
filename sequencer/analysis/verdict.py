"""What a run says of its unit as a whole: passed, failed, or nothing."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

from sequencer.results.model import Result, RunRecord
from sequencer.results.stages import counting
from sequencer.results.stored import StoredResult
from sequencer.uncertainty.decision import Decision

_PASSED, _FAILED = 0, 1
"""The exit statuses that are verdicts on a unit; every other is one on the bench, or on nothing."""
FAILED = (Decision.FAIL, Decision.CONDITIONAL_FAIL)


class Verdict(Enum):
    """What a run says of its unit. `NONE`: it was broken off, or the bench failed, before a limit of the unit's was seen to fail."""

    PASSED = "passed"
    FAILED = "failed"
    NONE = "no verdict"


def verdict_of(run: RunRecord, rows: Iterable[StoredResult]) -> Verdict:
    """Return the verdict of a run by its own results: those that a repeat in another run has replaced since still count here.

    A limit that failed is a verdict also where the run was broken off afterwards, so that nobody stops a run that fails and begins anew
    as if it were the first. Where the run's own check of the bench failed, the bench is to blame and there is none.
    """
    return counted_as(
        (one for one in rows if one.replaced_by != one.run),
        serial=run.serial,
        status=run.status,
        outcome=run.outcome,
        bench_safe=run.bench_safe,
    )


def counted_as(
    own: Iterable[Result], *, serial: str, status: int | None, outcome: str, bench_safe: bool | None
) -> Verdict:
    """Return what a run of unit ``serial`` counts as, by its ``own`` results: the one answer of station, batch and rules."""
    rows = list(own)
    # Stores of before say 0 of a run whose supply or PTT read back as on at the end.
    if bench_safe is not False and status in (_PASSED, _FAILED):
        return Verdict.PASSED if status == _PASSED else Verdict.FAILED
    decisions = [one.decision for one in counting(one for one in rows if one.serial == serial)]
    if any(one in FAILED for one in decisions):
        bench_failed = any(one.serial != serial and one.decision in FAILED for one in rows)
        return Verdict.NONE if bench_failed else Verdict.FAILED
    # Of before the status was kept, when a run that ended as planned with every limit met was one that passed.
    is_old = status is None and bench_safe is not False and outcome == "done" and bool(decisions)
    return Verdict.PASSED if is_old and Decision.NOT_MEASURED not in decisions else Verdict.NONE
