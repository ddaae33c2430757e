"""Clears jobs that have long been over, with what the task queue holds of them, and benches that nobody has heard of since."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing

from sequencer.frozen import dataclass
from sequencer.results.queue import statements
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.queue.jobs import TASK
from sequencer.results.store.problems import Doing

AT_ONCE = 500
"""Jobs in one transaction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OldJobs:
    """Jobs that have been over for ``days``, by how they ended, and ``benches`` not heard of for as long.

    What stays: ``waiting`` (and taken) jobs, and ``newer`` ones that are over.
    """

    days: int
    over: Mapping[str, int]
    benches: tuple[str, ...]
    waiting: int
    newer: int

    @property
    def count(self) -> int:
        """How many jobs that are."""
        return sum(self.over.values())


def find_old_jobs(found: QueuePlace, days: int) -> OldJobs:
    """Return what clearing would take out, by the server's clock, and change nothing. Raises StoreProblem."""
    words = {"days": days}
    with Doing(str(found.place), "read"), closing(found.connect()) as connection:
        connection.execute("set transaction isolation level repeatable read, read only")
        over = dict(connection.execute(statements.COUNT_OLD, words).fetchall())
        left = connection.execute(statements.COUNT_LEFT, words).fetchone()
        benches = connection.execute(statements.COUNT_BENCHES, words).fetchall()
    assert left is not None
    return OldJobs(
        days=days, over=over, benches=tuple(row[0] for row in benches), waiting=left[0], newer=left[1]
    )


def clear_jobs(found: QueuePlace, days: int) -> int:
    """Take them out; returns how many jobs. Cut short anywhere, each job is there whole or gone. Raises StoreProblem.

    A run that was measured for such a job stays, with its results; one that comes in later than this writes nothing.
    """
    cleared = 0
    with Doing(str(found.place), "write to"), closing(found.connect()) as connection:
        while True:
            with connection.transaction():
                words = {"days": days, "most": AT_ONCE}
                jobs = [row[0] for row in connection.execute(statements.CHOOSE_OLD, words).fetchall()]
                for one in (statements.CLEAR_ATTEMPTS, statements.CLEAR_REFUSALS, statements.CLEAR_JOBS):
                    connection.execute(one, {"jobs": jobs})
            cleared += len(jobs)
            if len(jobs) < AT_ONCE:
                break
        with connection.transaction():
            connection.execute(statements.CLEAR_ENTRIES, {"task": TASK})
            connection.execute(statements.CLEAR_BENCHES, {"days": days})
    return cleared
