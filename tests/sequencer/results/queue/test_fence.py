"""Claims, leases and the fence in a real server: a job is one bench's at a time, and what counts is written by the newest claim alone."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer.results.queue.claim import (
    MOST_TRIES,
    Claim,
    Lease,
    claim_job,
    give_back,
    refuse,
    renew_lease,
)
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.queue.fence import JobFence
from sequencer.results.queue.jobs import NewJob, add_jobs, cancel_job, carrier_of
from sequencer.results.queue.seen import JobSeen, read_queue
from sequencer.results.queue.set_up import set_up
from sequencer.results.store.fence import FenceLost
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from tests.support.postgres_server import PostgresServer
from tests.support.stored_results import RUN, a_result

NEEDS = ("role:radio",)


@pytest.fixture(scope="module")
def found(postgres: PostgresServer) -> QueuePlace:
    """The queue of this module's tests."""
    return set_up(find_place(Path("unused"), postgres.address()))[0]


@pytest.fixture
def connection(found: QueuePlace) -> Iterator[Any]:
    """A connection to it, each statement a transaction."""
    with closing(found.connect(autocommit=True)) as made:
        yield made
        made.execute(f"truncate job, {found.schema.removesuffix('_queue')}.run cascade")


def added(found: QueuePlace, *serials: str) -> list[int]:
    """Jobs of these units."""
    return add_jobs(
        found,
        [NewJob(serial=one, sequence="quick-check", sequence_hash="0", needs=NEEDS) for one in serials],
    )


def claimed(connection: Any, job: int, bench: str = "North", lease_s: float = 60.0) -> Claim | None:
    """What a bench gets that asks for a job."""
    return claim_job(connection, job, bench=bench, host="h", lease_s=lease_s, carriers=[carrier_of(NEEDS)])


def run_out(connection: Any, job: int) -> None:
    """Let a lease end: its worker has gone silent."""
    connection.execute("update job set lease = now() - interval '1 s' where id = %s", [job])


def seen(found: QueuePlace, job: int) -> JobSeen:
    """How the job stands."""
    return read_queue(found.place, job=job).jobs[0]


def test_a_job_is_one_benchs_and_a_unit_on_one_bench(found: QueuePlace, connection: Any) -> None:
    """What one bench has another does not get, nor another job of the same unit; a bench has one job at a time."""
    first, of_same_unit, other = added(found, "A-1", "A-1", "A-2")
    assert claimed(connection, first) is not None
    assert claimed(connection, first, "South") is None
    assert claimed(connection, of_same_unit, "South") is None
    assert claimed(connection, other) is None
    assert claimed(connection, other, "South") is not None


def test_a_claim_says_what_was_asked_for_each_thing_in_its_place(found: QueuePlace, connection: Any) -> None:
    """What a worker measures by: as it was added; the fence and the tries count claims."""
    job = add_jobs(
        found,
        [
            NewJob(
                serial="A-7",
                model="m40",
                sequence="quick-check",
                sequence_hash="5a",
                needs=NEEDS,
                priority=3,
                batch="trial",
                operator="Quarry shift",
                lot="L 7",
            )
        ],
    )[0]
    connection.execute("""update job set line = line || '{"of a newer version": "x"}' where id = %s""", [job])
    claim = claimed(connection, job)
    assert claim == Claim(
        job=job,
        serial="A-7",
        model="m40",
        sequence="quick-check",
        sequence_hash="5a",
        fence=1,
        run="",
        tries=1,
        priority=3,
        needs=NEEDS,
        refused=(),
        batch="trial",
        operator="Quarry shift",
        lot="L 7",
    )
    assert give_back(connection, claim, why="w" * 500)
    again = claimed(connection, job)
    assert again == replace(claim, fence=2, tries=2)
    assert read_queue(found.place, job=job).jobs[0].said == ""
    assert not give_back(connection, claim, why="too late")
    assert refuse(connection, claim, bench="North", why="too late") is None
    carrier = refuse(connection, again, bench="North", why="no analyser")
    assert carrier == carrier_of(NEEDS, ["North"])
    assert claimed(connection, job) is None  # this bench has refused it


def test_a_job_for_later_or_of_other_needs_is_not_taken(found: QueuePlace, connection: Any) -> None:
    """A job is due by the server's clock, and goes to a bench that listens to its needs."""
    job = added(found, "A-1")[0]
    assert claim_job(connection, job, bench="North", host="h", lease_s=9.0, carriers=["needs-other"]) is None
    connection.execute("update job set due = now() + interval '1 hour' where id = %s", [job])
    assert claimed(connection, job) is None


def test_a_lease_that_ran_out_lets_another_take_the_job(found: QueuePlace, connection: Any) -> None:
    """Then the first holds it no more: its renewal says so, and so does giving it back."""
    job = added(found, "A-1")[0]
    first = claimed(connection, job)
    assert first is not None
    assert renew_lease(connection, first, 60.0) is Lease.KEPT
    run_out(connection, job)
    second = claimed(connection, job, "South")
    assert second is not None
    assert second.fence == first.fence + 1
    assert renew_lease(connection, first, 60.0) is Lease.LOST
    assert not give_back(connection, first, why="late")
    assert seen(found, job).bench == "South"


def test_results_and_the_jobs_end_are_one_transaction(found: QueuePlace, connection: Any) -> None:
    """While the claim is the newest a run writes, and its end ends the job; told twice, the second only mends the status."""
    job = added(found, "A-1")[0]
    claim = claimed(connection, job)
    assert claim is not None
    fence = JobFence(found, claim)
    assert fence.run == ""  # none before it has begun in the store
    attempt = "select run, ended is not null, outcome from attempt where job = %s"
    with Store.open(found.place, fence=fence) as store:
        store.write_run(RUN)
        store.write_check(RUN.run, 0, [a_result()], [])
        assert fence.run == seen(found, job).run == RUN.run
        assert JobFence(found, replace(claim, run=RUN.run)).run == RUN.run  # one that is carried on
        assert connection.execute(attempt, [job]).fetchall() == [(RUN.run, False, "")]
        assert seen(found, job).state == "taken"
        store.write_end(RUN.run, outcome="done", bench_safe=True, bench_s=1.0, status=0)
        store.write_end(RUN.run, outcome="done", bench_safe=True, bench_s=1.0, status=3)
    ended = seen(found, job)
    assert (ended.state, ended.status, ended.run) == ("done", 3, RUN.run)
    assert connection.execute(attempt, [job]).fetchall() == [(RUN.run, True, "done")]
    assert renew_lease(connection, claim, 60.0) is Lease.LOST


def test_who_lost_the_job_writes_nothing(found: QueuePlace, connection: Any) -> None:
    """A zombie's results, and its end, are refused whole; what it had written before counts no more once the other is done."""
    job = added(found, "A-1")[0]
    first = claimed(connection, job)
    assert first is not None
    with Store.open(found.place, fence=JobFence(found, first)) as zombie:
        zombie.write_run(RUN)
        zombie.write_check(RUN.run, 0, [a_result()], [])
        run_out(connection, job)
        second = claimed(connection, job, "South")
        assert second is not None
        with pytest.raises(FenceLost, match=rf"job {job} is another bench's"):
            zombie.write_check(RUN.run, 1, [a_result()], [])
        other = replace(RUN, run="r2")
        fence = JobFence(found, second)
        fence.take_anew()
        with Store.open(found.place, fence=fence) as store:
            store.write_run(other)
            store.write_check("r2", 0, [replace(a_result(), run="r2")], [])
            store.write_end("r2", outcome="done", bench_safe=True, bench_s=1.0, status=0)
        with pytest.raises(FenceLost):
            zombie.write_end(RUN.run, outcome="done", bench_safe=True, bench_s=1.0, status=0)
        with Store.open_to_read(found.place) as store:
            lost, counts = store.read_run(RUN.run), store.read_run("r2")
            assert [one.replaced_by for one in store.read_results(RUN.run)] == ["r2"]
            assert [one.replaced_by for one in store.read_results("r2")] == [""]
    assert lost is not None
    assert counts is not None
    assert lost.outcome == f"cut short: job {job} was measured anew as run r2"
    assert counts.outcome == "done"
    assert seen(found, job).run == "r2"


def test_a_bench_that_failed_leaves_its_job_to_wait(found: QueuePlace, connection: Any) -> None:
    """It waits for half a minute, and says why; after the last try it has failed."""
    job = added(found, "A-1")[0]
    for number in range(MOST_TRIES):
        claim = claimed(connection, job)
        assert claim is not None, number
        fence = JobFence(found, claim)
        fence.take_anew()
        with Store.open(found.place, fence=fence) as store:
            store.write_run(replace(RUN, run=f"r{number}"))
            store.write_end(f"r{number}", outcome="the bench failed", bench_safe=True, bench_s=1.0, status=3)
        waiting = seen(found, job)
        assert waiting.said == "the bench failed"
        if number < MOST_TRIES - 1:
            assert waiting.state == "waiting"
            assert not waiting.is_due
            connection.execute("update job set due = now()")
    assert seen(found, job).state == "failed"


def test_a_refusal_stands_with_the_job_and_sends_it_elsewhere(found: QueuePlace, connection: Any) -> None:
    """The bench does not get it again; its entry in the task queue goes under a name that the bench does not listen to."""
    job = added(found, "A-1")[0]
    claim = claimed(connection, job)
    assert claim is not None
    carrier = refuse(connection, claim, bench="North", why="it has no power meter")
    assert carrier == carrier_of(NEEDS, ("North",)) != carrier_of(NEEDS)
    refused = seen(found, job)
    assert refused.state == "waiting"
    assert [(one.bench, one.why) for one in refused.refusals] == [("North", "it has no power meter")]
    both = [carrier, carrier_of(NEEDS)]
    assert claim_job(connection, job, bench="North", host="h", lease_s=9.0, carriers=both) is None
    assert claim_job(connection, job, bench="South", host="h", lease_s=9.0, carriers=both) is not None


def test_a_job_is_cancelled_while_it_waits_or_is_measured(found: QueuePlace, connection: Any) -> None:
    """One that waits is over at once; one that is measured is asked to stop, and is over when its run was cut short."""
    waits, measured = added(found, "A-1", "A-2")
    claim = claimed(connection, measured)
    assert claim is not None
    said = cancel_job(found, waits), cancel_job(found, measured)
    assert [one.bench for one in said if one is not None] == ["", "North"]
    assert seen(found, waits).state == "cancelled"
    assert renew_lease(connection, claim, 60.0) is Lease.STOP
    with Store.open(found.place, fence=JobFence(found, claim)) as store:
        store.write_run(RUN)
        store.write_end(RUN.run, outcome="interrupted (cancelled)", bench_safe=True, bench_s=1.0, status=4)
    assert seen(found, measured).state == "cancelled"
