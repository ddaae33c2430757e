"""The bench's check of itself each day: a job that is due once a day, by the server's clock, in the zone of whoever asked for it.

Its key holds bench and day, so that it is there once however often it is asked for: by several workers, by one whose clock is late, or
after the day's has been done.
"""

from __future__ import annotations

from contextlib import closing

from sequencer.results.queue import statements
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.queue.jobs import NewJob, insert_jobs

PRIORITY = 100
"""Before the units of that day."""


def add_own_checks(found: QueuePlace) -> list[int]:
    """Add the check of this day of each bench where it is due and not there yet; returns their numbers. Raises psycopg's errors."""
    with closing(found.connect()) as connection:
        jobs = [
            NewJob(
                serial=own["serial"],
                sequence=own["sequence"],
                sequence_hash=own["sequence_hash"],
                needs=tuple(own["needs"]),
                priority=PRIORITY,
                key=f"own check of {bench} on {day.isoformat()}",
            )
            for bench, own, day in connection.execute(statements.OWN_CHECKS_DUE).fetchall()
        ]
        added = insert_jobs(connection, jobs)
        connection.commit()
    return added
