"""The fence of a job: what a run writes is written only while its claim is the newest, and the run's end ends the job with it."""

from __future__ import annotations

from typing_extensions import override

from sequencer.problems import printable
from sequencer.results.model import NOT_ENDED
from sequencer.results.queue import statements
from sequencer.results.queue.claim import MOST_TRIES, Claim
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.store.fence import Fence, FenceLost
from sequencer.results.store.server_line import ANSWER_S
from sequencer.results.store.transaction import Writing

DONE = "done"
"""The outcome of a run that went through; whatever its verdict, the job is done with it."""
CUT_SHORT = "interrupted"
"""How the outcome of a run begins that somebody stopped."""


class JobFence(Fence):
    """The fence of one claim, asked within the store's own transactions, in the same database."""

    def __init__(self, found: QueuePlace, claim: Claim) -> None:
        self._where = str(found.place)
        self._claim = claim
        self._run = claim.run if claim.run else None
        self._names = {one: f'"{found.schema}".{one}' for one in ("job", "attempt")}

    @property
    def run(self) -> str:
        """The run that the job knows of; empty before it has begun in the store."""
        return self._run or ""

    def take_anew(self) -> None:
        """Say that a new run takes the place of the one that was cut short."""
        self._run = None

    @override
    def hold(self, transaction: Writing) -> None:
        job, fence = self._claim.job, self._claim.fence
        # A process that is stopped here would keep the job's row to itself: its machine goes on acknowledging. At the transaction's
        # end, because the server does not count the time of one that is stopped in a pipeline of many rows [measured: 15].
        transaction.run(f"SET LOCAL idle_in_transaction_session_timeout = '{ANSWER_S}s'")
        text = statements.HOLD.format(**self._names)
        if transaction.run(text, job=job, fence=fence, run=self._run).fetchone() is None:
            raise FenceLost(
                self._where,
                f"job {job} is another bench's by now, or was ended there",
                "Nothing of this run is added to the store; its journal beside the results table has all of it.",
            )

    @override
    def begun(self, transaction: Writing, run: str) -> None:
        words = {"job": self._claim.job, "fence": self._claim.fence, "run": run}
        transaction.run(statements.BEGUN.format(**self._names), **words)
        transaction.run(statements.BEGUN_BY.format(**self._names), **words)
        self._run = run

    @override
    def ended(self, transaction: Writing, run: str, *, outcome: str, status: int | None) -> None:
        claim = self._claim
        is_done = outcome == DONE
        words = {
            "job": claim.job,
            "fence": claim.fence,
            "run": run,
            "status": status,
            "outcome": printable(outcome)[:400],
            "done": is_done,
            "cut_short": outcome.startswith(CUT_SHORT),
            "last": claim.tries >= MOST_TRIES,
        }
        transaction.run(statements.END_ATTEMPT.format(**self._names), **words)
        if transaction.run(statements.END.format(**self._names), **words).fetchone() is None:
            transaction.run(statements.END_AGAIN.format(**self._names), **words)
        elif is_done:
            self._set_aside_others(transaction, run)

    def _set_aside_others(self, transaction: Writing, run: str) -> None:
        """Let what earlier attempts at the job found count no more: the store keeps it, and says by which run it was replaced."""
        text = statements.OTHERS.format(**self._names)
        for (other,) in transaction.run(text, job=self._claim.job, run=run).fetchall():
            transaction.run(
                "UPDATE result SET replaced_by = :run WHERE run = :other AND replaced_by = ''",
                run=run,
                other=other,
            )
            said = f"cut short: job {self._claim.job} was measured anew as run {run}"
            transaction.run(
                "UPDATE run SET outcome = :said WHERE run = :other AND (outcome = :not_ended OR outcome LIKE :cut_short)",
                said=said,
                other=other,
                not_ended=NOT_ENDED,
                cut_short=f"{CUT_SHORT}%",
            )
