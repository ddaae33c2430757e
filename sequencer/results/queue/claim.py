"""A job taken by a bench under a lease and a fence, kept, and given back. The fence counts claims: who holds an older one has lost it."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.results.queue import statements
from sequencer.results.queue.jobs import ON_LINE, carrier_of

if TYPE_CHECKING:
    from psycopg import Connection

MOST_TRIES = 5
"""Claims of one job, after which it has failed: one that ends each worker would otherwise go round for ever."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A job that a bench has taken. ``run`` is the run of an earlier claim that was cut short; empty for none."""

    job: int
    serial: str
    model: str
    sequence: str
    sequence_hash: str
    fence: int
    run: str
    tries: int
    priority: int
    needs: tuple[str, ...]
    refused: tuple[str, ...]
    batch: str = ""
    operator: str = ""
    lot: str = ""


class Lease(Enum):
    """What becomes of a lease when it is renewed."""

    KEPT = "kept"
    STOP = "stop"
    """It is kept, and somebody has cancelled the job."""
    LOST = "lost"


def claim_job(
    connection: Connection[Any],
    job: int,
    *,
    bench: str,
    host: str,
    lease_s: float,
    carriers: Sequence[str],
) -> Claim | None:
    """Take a job for ``bench``; None where it is not to be had now. Raises psycopg's errors.

    It is this bench's where it waits and is due, or its lease has run out, or this bench had it before it ended; where the bench has not
    refused it and the unit is on no other bench.
    """
    from psycopg.errors import UniqueViolation

    words = {"job": job, "bench": bench, "host": host, "lease_s": lease_s, "carriers": list(carriers)}
    try:
        with connection.transaction():
            row = connection.execute(statements.CLAIM, words).fetchone()
            if row is None:
                return None
            connection.execute(
                statements.ATTEMPT, {"job": job, "fence": row[5], "bench": bench, "host": host}
            )
    except UniqueViolation:  # another took a job of the same unit in this moment
        return None
    return Claim(
        job=row[0],
        serial=row[1],
        model=row[2],
        sequence=row[3],
        sequence_hash=row[4],
        fence=row[5],
        run=row[6],
        tries=row[7],
        priority=row[8],
        needs=tuple(row[9]),
        refused=tuple(row[10]),
        **{name: str(text) for name, text in row[11].items() if name in ON_LINE},
    )


def renew_lease(connection: Connection[Any], claim: Claim, lease_s: float) -> Lease:
    """Renew the lease of a claim, and return whether it is still ours. Raises psycopg's errors."""
    words = {"job": claim.job, "fence": claim.fence, "lease_s": lease_s}
    row = connection.execute(statements.RENEW, words).fetchone()
    if row is None:
        return Lease.LOST
    return Lease.STOP if row[0] else Lease.KEPT


def give_back(connection: Connection[Any], claim: Claim, *, why: str, after_s: float = 0.0) -> bool:
    """Let a job wait again, or fail where it was tried too often, or be cancelled where that was asked; false where it is not ours."""
    words = _words(claim, why=why, after_s=after_s)
    with connection.transaction():
        return connection.execute(statements.GIVE_BACK, words).fetchone() is not None


def refuse(connection: Connection[Any], claim: Claim, *, bench: str, why: str) -> str | None:
    """Record that the bench cannot do a job, and let it wait for another; returns its carrier from now on, None where it is not ours."""
    carrier = carrier_of(claim.needs, (*claim.refused, bench))
    words = _words(claim, why="", refuses=True, carrier=carrier)
    with connection.transaction():
        if connection.execute(statements.GIVE_BACK, words).fetchone() is None:
            return None
        connection.execute(statements.REFUSE, {"job": claim.job, "bench": bench, "why": why[:2000]})
    return carrier


def _words(
    claim: Claim, *, why: str, after_s: float = 0.0, refuses: bool = False, carrier: str | None = None
) -> dict[str, Any]:
    return {
        "job": claim.job,
        "fence": claim.fence,
        "said": why[:400],
        "after_s": after_s,
        "refuses": refuses,
        "carrier": carrier,
        "last": not refuses and claim.tries >= MOST_TRIES,
    }
