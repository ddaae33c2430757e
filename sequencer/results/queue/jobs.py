"""Jobs added and cancelled, each with its entry in the task queue in one transaction."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from contextlib import closing
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.results.queue import statements
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.store.problems import Doing

if TYPE_CHECKING:
    from psycopg import Connection

TASK = "measure"
"""The task queue's name for a job."""
ON_LINE = ("batch", "operator", "lot")
"""What a job says of the line; station and fixture are the bench's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewJob:
    """A unit and a sequence that wait for a bench. ``needs`` is what a bench must have; of one ``key`` there is one job at most.

    ``batch``, ``operator`` and ``lot`` are what its results carry of the line.
    """

    serial: str
    sequence: str
    sequence_hash: str
    needs: tuple[str, ...]
    model: str = ""
    priority: int = 0
    due: datetime | None = None
    key: str | None = None
    batch: str = ""
    operator: str = ""
    lot: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cancelled:
    """A job that was cancelled; ``bench`` is measuring it yet, and stops; empty where it waited."""

    job: int
    serial: str
    bench: str


def carrier_of(needs: Iterable[str], refused: Iterable[str] = ()) -> str:
    """Return under which name the task queue carries jobs of these needs: workers listen to the names that their bench can do.

    Short: a name of more than 40 bytes makes the task queue's notification fail.
    """
    text = "\n".join((*sorted(needs), "", *sorted(refused)))
    return f"needs-{hashlib.sha256(text.encode()).hexdigest()[:16]}"


def add_jobs(found: QueuePlace, jobs: Sequence[NewJob]) -> list[int]:
    """Add all of them or none; returns their numbers, without those whose key is there already. Raises StoreProblem."""
    with Doing(str(found.place), "write to"), closing(found.connect()) as connection:
        added = insert_jobs(connection, jobs)
        connection.commit()
    return added


def insert_jobs(connection: Connection[Any], jobs: Sequence[NewJob]) -> list[int]:
    """Add jobs in the connection's transaction."""
    added: list[int] = []
    for job in jobs:
        words = {
            "serial": job.serial,
            "model": job.model,
            "sequence": job.sequence,
            "sequence_hash": job.sequence_hash,
            "needs": sorted(job.needs),
            "carrier": carrier_of(job.needs),
            "key": job.key,
            "priority": job.priority,
            "due": job.due,
            "line": json.dumps({name: text for name in ON_LINE if (text := getattr(job, name))}),
        }
        if (row := connection.execute(statements.ADD, words).fetchone()) is not None:
            added.append(int(row[0]))
    if added:
        connection.execute(statements.DEFER, {"task": TASK, "jobs": added, "again": 0})
    return added


def cancel_job(found: QueuePlace, job: int) -> Cancelled | None:
    """Cancel a job that waits, or have the bench that measures it stop; None where there is none, or it is over. Raises StoreProblem."""
    with Doing(str(found.place), "write to"), closing(found.connect()) as connection:
        row = connection.execute(statements.CANCEL, {"job": job}).fetchone()
        if row is None:
            return None
        state, bench, token, serial = row
        connection.execute(statements.TOKEN_CANCELLED, {"token": token})
        connection.commit()
    return Cancelled(job=job, serial=serial, bench=bench if state == "taken" else "")
