"""Counts what the runs of a series came to."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from sequencer.run.series.events import Summary
from sequencer.run.series.turn import RunReport
from sequencer.run.status import ExitStatus


@dataclass(slots=True)
class Tally:
    """What has come so far; ``longest_s`` is the longest run of each unit, bench time."""

    statuses: Counter[ExitStatus] = field(default_factory=Counter)
    longest_s: dict[str, float] = field(default_factory=dict)
    tried_again: int = 0
    skipped: int = 0
    left_out: int = 0
    left_safe: bool = True
    before: int = 0

    @property
    def made(self) -> int:
        """How many runs were made, tries of one counted once."""
        return self.statuses.total()

    def count(self, report: RunReport, *, asleep_s: float = 0.0) -> None:
        """Take in a run, by its last try; ``asleep_s`` is for how long the machine was suspended in it, which says nothing of the next."""
        self.statuses[report.status] += 1
        self.left_safe = report.safe
        awake_s = max(0.0, report.bench_s - asleep_s)
        self.longest_s[report.serial] = max(awake_s, self.longest_s.get(report.serial, 0.0))

    def summary(self, *, interrupted: bool) -> Summary:
        """Return it all; ``interrupted`` where a signal ended the series, between two runs too.

        Where the last run left something that may still be on, the status says that, as of a single run.
        """
        worst = max(self.statuses, default=ExitStatus.PASSED)
        worst = max(worst, ExitStatus.INTERRUPTED) if interrupted else worst
        return Summary(
            status=worst if self.left_safe else ExitStatus.BENCH_FAILED,
            made=self.made,
            passed=self.statuses[ExitStatus.PASSED],
            failed=self.statuses[ExitStatus.FAILED],
            bench_failed=self.statuses[ExitStatus.BENCH_FAILED] + self.statuses[ExitStatus.INPUT_WRONG],
            interrupted=self.statuses[ExitStatus.INTERRUPTED],
            tried_again=self.tried_again,
            skipped=self.skipped,
            left_out=self.left_out,
            before=self.before,
        )
