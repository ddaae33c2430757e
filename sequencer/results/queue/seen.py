"""The queue as it is looked at: what waits, who has what since when, what is done, refused or failed. Opens no bench and writes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import field
from datetime import datetime

from sequencer.frozen import dataclass
from sequencer.results.queue.connect import find_queue
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import Doing

STATES = ("waiting", "taken", "done", "failed", "cancelled")


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A bench whose plan refused a job, and why."""

    bench: str
    why: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSeen:
    """A job as it stands: one of `STATES`. ``bench`` has it, or had it last; ``lease_left_s`` is below 0 where its worker has gone silent.

    ``line`` is what its results carry: batch, operator, lot.

    ``run`` is the run that counts, or that was cut short; ``status`` as the command line has it. ``said``: why it failed, or waits again.
    """

    id: int
    serial: str
    model: str
    sequence: str
    needs: tuple[str, ...]
    priority: int
    due: datetime
    added: datetime
    state: str
    bench: str
    host: str
    taken: datetime | None
    lease_left_s: float | None
    ended: datetime | None
    is_due: bool
    stop: bool
    run: str
    status: int | None
    tries: int
    said: str
    line: Mapping[str, str] = field(default_factory=dict)
    refusals: tuple[Refused, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSeen:
    """A bench whose worker has registered.

    ``silent_s`` since it was heard, ``is_there`` whether that is within its lease; ``lacks`` says why it takes no job.
    """

    bench: str
    host: str
    can: tuple[str, ...]
    seen: datetime
    silent_s: float
    is_there: bool
    lacks: str
    job: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueSeen:
    """The queue at the server's time ``now``: how many jobs are in each state, the jobs asked for, and the benches."""

    now: datetime
    counts: Mapping[str, int]
    jobs: tuple[JobSeen, ...]
    benches: tuple[BenchSeen, ...]


_JOBS = """
select id, serial, model, sequence, needs, priority, due, added, state, bench, host, taken,
    case when state = 'taken' then extract(epoch from lease - now())::float end as lease_left_s,
    ended, due <= now() as is_due, stop, run, status, tries, said, line
from job where state = any(%(states)s) and (%(job)s::bigint is null or id = %(job)s)
order by array_position(array['taken', 'waiting', 'failed', 'done', 'cancelled'], state),
    case when state in ('taken', 'waiting') then -priority end, case when state in ('taken', 'waiting') then due end, ended desc, id
limit %(most)s
"""
_BENCHES = """
select b.bench, b.host, b.can, b.seen, extract(epoch from now() - b.seen)::float as silent_s,
    now() - b.seen <= make_interval(secs => b.lease_s) as is_there, b.lacks, j.id as job
from bench b left join job j on j.bench = b.bench and j.state = 'taken' order by b.bench
"""


def read_queue(
    place: StorePlace, *, states: Sequence[str] = STATES, most: int = 200, job: int | None = None
) -> QueueSeen:
    """Return the queue of the store at ``place``, at most ``most`` jobs: taken first, then as they will be taken, then the newest ended.

    ``job`` asks for one. Raises StoreProblem, its kind NoQueue where the store has none; InputError where the store is a file.
    """
    from psycopg.rows import dict_row

    found = find_queue(place)
    with Doing(str(place), "read"), closing(found.connect()) as connection:
        cursor = connection.cursor(row_factory=dict_row)
        cursor.execute("set transaction isolation level repeatable read, read only")
        now = cursor.execute("select now() as now").fetchone()
        assert now is not None
        counts = {
            row["state"]: row["n"]
            for row in cursor.execute("select state, count(*) as n from job group by state").fetchall()
        }
        rows = cursor.execute(_JOBS, {"states": list(states), "most": most, "job": job}).fetchall()
        refusals: dict[int, list[Refused]] = {}
        said = "select job, bench, why, at from refusal where job = any(%s) order by at"
        for row in cursor.execute(said, [[row["id"] for row in rows]]).fetchall():
            refusals.setdefault(row["job"], []).append(
                Refused(bench=row["bench"], why=row["why"], at=row["at"])
            )
        benches = cursor.execute(_BENCHES).fetchall()
    return QueueSeen(
        now=now["now"],
        counts={state: counts.get(state, 0) for state in STATES},
        jobs=tuple(
            JobSeen(**{**row, "needs": tuple(row["needs"])}, refusals=tuple(refusals.get(row["id"], ())))
            for row in rows
        ),
        benches=tuple(BenchSeen(**{**row, "can": tuple(row["can"])}) for row in benches),
    )
