"""What the runs of a series come to: counts, the longest run of each unit, and the status that the whole ends with."""

from __future__ import annotations

import pytest

from sequencer.run.series.tally import Tally
from sequencer.run.series.turn import RunReport
from sequencer.run.status import ExitStatus


def _report(status: ExitStatus, *, serial: str = "A", bench_s: float = 0.5, safe: bool = True) -> RunReport:
    return RunReport(status=status, serial=serial, bench_s=bench_s, safe=safe, verdict="")


def test_a_series_without_a_run_passed_and_is_safe() -> None:
    """Nothing was measured and nothing is on."""
    summary = Tally().summary(interrupted=False)
    assert (summary.status, summary.made, summary.passed) == (ExitStatus.PASSED, 0, 0)
    assert (summary.tried_again, summary.skipped, summary.left_out) == (0, 0, 0)


def test_the_longest_run_of_each_unit_is_kept() -> None:
    """Also where it is shorter than a second, and the last is not the longest."""
    tally = Tally()
    for serial, bench_s in (("A", 0.5), ("A", 0.25), ("B", 64.0), ("B", 65.0)):
        tally.count(_report(ExitStatus.PASSED, serial=serial, bench_s=bench_s))
    assert tally.longest_s == {"A": 0.5, "B": 65.0}
    assert tally.made == 4


@pytest.mark.parametrize(
    ("statuses", "safe", "interrupted", "meant"),
    [
        ((ExitStatus.PASSED, ExitStatus.FAILED), True, False, ExitStatus.FAILED),
        ((ExitStatus.FAILED, ExitStatus.PASSED), True, True, ExitStatus.INTERRUPTED),
        ((ExitStatus.FAILED, ExitStatus.BENCH_FAILED), True, False, ExitStatus.BENCH_FAILED),
        ((ExitStatus.PASSED, ExitStatus.INTERRUPTED), False, True, ExitStatus.BENCH_FAILED),
    ],
)
def test_the_whole_ends_with_the_worst_and_with_what_may_still_be_on(
    statuses: tuple[ExitStatus, ...], safe: bool, interrupted: bool, meant: ExitStatus
) -> None:
    """A bench that was not left safe goes before everything."""
    tally = Tally()
    for status in statuses:
        tally.count(_report(status, safe=safe))
    assert tally.summary(interrupted=interrupted).status is meant


def test_what_could_not_begin_counts_with_the_bench() -> None:
    """An input that became wrong between two runs is no unit's doing."""
    tally = Tally()
    for status in (ExitStatus.BENCH_FAILED, ExitStatus.INPUT_WRONG, ExitStatus.INPUT_WRONG):
        tally.count(_report(status))
    summary = tally.summary(interrupted=False)
    assert (summary.bench_failed, summary.passed, summary.failed) == (3, 0, 0)
