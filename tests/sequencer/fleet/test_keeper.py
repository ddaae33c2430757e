"""What a worker's keeper puts right in the queue, in a real server: jobs that nobody would bring to a bench any more."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from sequencer.fleet.keeper import put_back
from sequencer.fleet.own_check import add_own_checks
from sequencer.results.queue import statements
from sequencer.results.queue.claim import MOST_TRIES, Claim, claim_job
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.queue.jobs import NewJob, add_jobs, cancel_job, carrier_of
from sequencer.results.queue.seen import read_queue
from sequencer.results.queue.set_up import set_up
from sequencer.results.store.place import find_place
from tests.support.postgres_server import PostgresServer


@pytest.fixture(scope="module")
def found(postgres: PostgresServer) -> QueuePlace:
    """The queue of this module's tests."""
    return set_up(find_place(Path("unused"), postgres.address()))[0]


@pytest.fixture
def connection(found: QueuePlace) -> Iterator[Any]:
    """A connection to it, which leaves no job that is open."""
    with closing(found.connect(autocommit=True)) as made:
        yield made
        made.execute("delete from bench")
        made.execute("update job set state = 'cancelled' where state in ('waiting', 'taken')")


def job_of(found: QueuePlace) -> int:
    """A job."""
    return add_jobs(found, [NewJob(serial="A-1", sequence="s", sequence_hash="0", needs=())])[0]


def claimed(connection: Any, job: int) -> Claim:
    """What a bench gets that takes it."""
    claim = claim_job(connection, job, bench="North", host="h", lease_s=9.0, carriers=[carrier_of(())])
    assert claim is not None
    return claim


def entries(connection: Any, job: int) -> list[tuple[str, bool]]:
    """The entries of a job in the task queue that its bench may be brought: state, and whether it is due."""
    rows = connection.execute(
        "select status::text, scheduled_at <= now() from procrastinate_jobs "
        "where args = jsonb_build_object('job', %s::bigint) and status in ('todo', 'doing') order by id",
        [job],
    ).fetchall()
    return [tuple(row) for row in rows]


def let_go_silent(connection: Any, job: int) -> None:
    """Let the worker of a job go silent: its lease has run out."""
    connection.execute("update job set lease = now() - interval '1 s' where id = %s", [job])


def test_a_job_without_an_entry_gets_one(found: QueuePlace, connection: Any) -> None:
    """As where one that had lost its lease ended it."""
    job = job_of(found)
    connection.execute("delete from procrastinate_jobs")
    put_back(connection)
    assert entries(connection, job) == [("todo", True)]
    put_back(connection)
    assert entries(connection, job) == [("todo", True)]


def test_an_entry_that_a_late_clock_put_off_is_mended(found: QueuePlace, connection: Any) -> None:
    """A bench whose clock is an hour ahead put it off by an hour; the job is due by the server's."""
    job = job_of(found)
    connection.execute("update procrastinate_jobs set scheduled_at = now() + interval '1 hour'")
    put_back(connection)
    assert entries(connection, job) == [("todo", True)]


def test_a_job_for_later_is_left_alone(found: QueuePlace, connection: Any) -> None:
    """It is not due: its entry neither."""
    job = job_of(found)
    connection.execute("update job set due = now() + interval '1 hour' where id = %s", [job])
    connection.execute("update procrastinate_jobs set scheduled_at = now() + interval '1 hour'")
    put_back(connection)
    assert entries(connection, job) == [("todo", False)]


def test_a_job_whose_worker_went_silent_comes_back(found: QueuePlace, connection: Any) -> None:
    """Also where the task queue takes its process to be alive; while the lease holds nothing is done."""
    job = job_of(found)
    claimed(connection, job)
    connection.execute("insert into procrastinate_workers default values")
    connection.execute(
        "update procrastinate_jobs set status = 'doing', worker_id = (select max(id) from procrastinate_workers)"
    )
    put_back(connection)
    assert entries(connection, job) == [("doing", True)]
    let_go_silent(connection, job)
    job_of(found)
    put_back(connection)
    assert entries(connection, job) == [("todo", True)]
    first = "select (args->>'job')::bigint from procrastinate_jobs where status = 'todo' order by priority desc, id limit 1"
    assert connection.execute(first).fetchone() == (job,)  # before what was added meanwhile


def test_what_was_cancelled_or_lost_too_often_ends(found: QueuePlace, connection: Any) -> None:
    """A job that was cancelled while its worker was gone, and one that took five workers with it."""
    job = job_of(found)
    claimed(connection, job)
    assert cancel_job(found, job) is not None
    let_go_silent(connection, job)
    put_back(connection)
    assert read_queue(found.place, job=job).jobs[0].state == "cancelled"
    other = job_of(found)
    for _ in range(MOST_TRIES):
        claimed(connection, other)
        let_go_silent(connection, other)
    put_back(connection)
    failed = read_queue(found.place, job=other).jobs[0]
    assert (failed.state, failed.said) == ("failed", f"its worker was lost {MOST_TRIES} times")


def test_an_own_check_is_due_once_a_day_in_its_zone(found: QueuePlace, connection: Any) -> None:
    """By the server's clock: one whose hour has come is there once, one whose hour never comes is not."""
    words = {"host": "h", "can": [], "lease_s": 9.0, "zone": "Pacific/Auckland"}
    own = '{"sequence": "own-check", "sequence_hash": "0", "serial": "bench %s", "needs": ["bench:%s"]}'
    for bench, at in (("Early", "00:00"), ("Never", "24:00")):
        connection.execute(
            statements.REGISTER,
            {**words, "bench": bench, "own_check": own % (bench, bench), "own_check_at": at},
        )
    assert len(add_own_checks(found)) == 1
    assert add_own_checks(found) == []
    day = connection.execute("select (now() at time zone 'Pacific/Auckland')::date::text").fetchone()[0]
    keys = [row[0] for row in connection.execute("select key from job where key is not null").fetchall()]
    assert keys == [f"own check of Early on {day}"]
    connection.execute("update job set key = replace(key, %s, '2001-01-01') where key is not null", [day])
    assert len(add_own_checks(found)) == 1
