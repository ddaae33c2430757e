"""What a worker's keeper puts right in the queue, in a real server: jobs that nobody would bring to a bench any more."""

from __future__ import annotations

import datetime
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from sequencer.fleet.keeper import ENDED, BenchTaken, Keeper, Why, lease_now_s, put_back
from sequencer.fleet.member import Member, OwnCheckDaily
from sequencer.fleet.own_check import add_own_checks
from sequencer.results.queue import statements
from sequencer.results.queue.claim import MOST_TRIES, Claim, claim_job
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.queue.jobs import NewJob, add_jobs, cancel_job, carrier_of
from sequencer.results.queue.seen import read_queue
from sequencer.results.queue.set_up import set_up
from sequencer.results.store.place import find_place
from tests.support.postgres_server import PostgresServer
from tests.support.workers import wait_for


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


class Kept:
    """A keeper of a bench that can do what needs nothing, asked from the test's own thread; ``told`` is why a run was to stop."""

    def __init__(
        self, found: QueuePlace, *, bench: str = "North", own_check: OwnCheckDaily | None = None
    ) -> None:
        self.told: list[Why] = []
        member = Member(bench=bench, host="h", can=("role:radio",), lease_s=9.0, own_check=own_check)
        self.keeper = Keeper(found, member, self._stop)

    def _stop(self, why: Why) -> None:
        self.told.append(why)
        self.keeper._wake.set()


@pytest.fixture
def kept(found: QueuePlace) -> Iterator[Kept]:
    """A keeper, and its line closed at the end."""
    made = Kept(found)
    yield made
    made.keeper._line.close()


def test_a_lease_that_holds_stops_nothing_and_a_cancelled_job_once(
    found: QueuePlace, connection: Any, kept: Kept
) -> None:
    """Without a claim nothing is renewed; with one it is, until somebody cancels the job: then the run is told, and not again."""
    kept.keeper._renew()
    job = job_of(found)
    claim = claimed(connection, job)
    kept.keeper.hold(claim, time.monotonic())
    connection.execute("update job set lease = now() where id = %s", [job])
    kept.keeper._renew()
    assert kept.told == []
    ahead = "select lease > now() + interval '5 s' from job where id = %s"
    assert connection.execute(ahead, [job]).fetchone() == (True,)
    assert cancel_job(found, job) is not None
    kept.keeper._renew()
    kept.keeper._renew()
    assert kept.told == [Why.CANCELLED]


def test_a_job_that_another_has_taken_is_lost(found: QueuePlace, connection: Any, kept: Kept) -> None:
    """The run is told once; whoever has let go of it is not told at all."""
    job = job_of(found)
    claim = claimed(connection, job)
    let_go_silent(connection, job)
    claimed(connection, job)
    kept.keeper.hold(claim, time.monotonic())
    kept.keeper._renew()
    kept.keeper._renew()
    assert kept.told == [Why.LOST]
    kept.keeper.hold(claim, time.monotonic())
    kept.keeper.let_go()
    kept.keeper._renew()
    assert kept.told == [Why.LOST]


def test_a_lease_that_ran_out_while_nobody_answered_ends_the_run(
    found: QueuePlace, connection: Any, kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By this machine's clock, counted from when it was asked for; what the server says afterwards of the job is told besides."""
    monkeypatch.setattr("sequencer.fleet.keeper.SILENT_LOOK_S", 0.0)
    job = job_of(found)
    kept.keeper.hold(claimed(connection, job), time.monotonic() - 10.0)
    kept.keeper._see_whether_silent()  # until the run is told, which ends it
    assert kept.told == [Why.SILENT]
    assert cancel_job(found, job) is not None
    kept.keeper._renew()
    assert kept.told == [Why.SILENT, Why.CANCELLED]


def test_a_bench_has_one_worker(found: QueuePlace, kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second one is refused by the bench's name as long as the first lives; another bench is free, and so is this one afterwards."""
    monkeypatch.setattr("sequencer.fleet.keeper.LOCK_WAIT_S", 0.0)
    kept.keeper.register()
    second, other = Kept(found), Kept(found, bench="South")
    with pytest.raises(BenchTaken, match="North"):
        second.keeper.register()
    other.keeper.register()
    kept.keeper.stop()
    second.keeper.register()
    for one in (second, other):
        one.keeper.stop()


def test_a_worker_that_finds_its_bench_taken_stops_and_leaves_the_other_alone(
    found: QueuePlace, connection: Any, kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its run is told why, by its thread; and that it ends is not said of a bench that is another's."""
    monkeypatch.setattr("sequencer.fleet.keeper.LOCK_WAIT_S", 0.0)
    kept.keeper.register()
    second = Kept(found)
    second.keeper.hold(claimed(connection, job_of(found)), time.monotonic())
    second.keeper.start()
    assert second.keeper._wake.wait(60.0)
    second.keeper.stop()
    assert second.told == [Why.BENCH_LOCKED]
    assert second.keeper.lost_bench
    assert connection.execute("select lacks from bench where bench = 'North'").fetchone() == ("",)


def test_its_thread_looks_by_itself_and_ends_when_told(found: QueuePlace, kept: Kept) -> None:
    """What is open is known soon after it began, without anybody asking."""
    kept.keeper.register()
    job_of(found)
    kept.keeper.start()
    until_s = time.monotonic() + 60.0
    while not kept.keeper.carriers and time.monotonic() < until_s:
        time.sleep(0.01)
    assert kept.keeper.carriers == (carrier_of(()),)
    kept.keeper.stop()
    assert not kept.keeper.is_alive()


def test_an_own_check_is_made_known_with_its_bench(found: QueuePlace, connection: Any) -> None:
    """What its jobs are made of, and when; a bench without one has none, and a zone all the same."""
    own = OwnCheckDaily(
        sequence="own-check",
        sequence_hash="0",
        serial="bench North",
        at=datetime.time(6, 30),
        zone="Pacific/Auckland",
        needs=("bench:North",),
    )
    row = "select own_check->>'serial', own_check_at::text, zone from bench where bench = 'North'"
    for one, known in ((own, ("bench North", "06:30:00", "Pacific/Auckland")), (None, (None, None, "UTC"))):
        kept = Kept(found, own_check=one)
        kept.keeper.register()
        assert connection.execute(row).fetchone() == known
        kept.keeper.stop()


def test_it_listens_for_what_its_bench_can_do_and_has_not_refused(
    found: QueuePlace, connection: Any, kept: Kept
) -> None:
    """Of the jobs that are open; and it is there until it says that it has ended."""
    kept.keeper.register()
    for needs in ((), ("role:radio",), ("role:recorder",)):
        add_jobs(found, [NewJob(serial=str(needs), sequence="s", sequence_hash="0", needs=needs)])
    kept.keeper.look()
    assert set(kept.keeper.carriers) == {carrier_of(()), carrier_of(("role:radio",))}
    connection.execute("update job set refused = array['North'] where needs = '{}'")
    connection.execute("update bench set lacks = 'taken to be gone' where bench = 'North'")
    kept.keeper.look()
    assert kept.keeper.carriers == (carrier_of(("role:radio",)),)
    lacks = "select lacks from bench where bench = 'North'"
    assert connection.execute(lacks).fetchone() == ("",)
    kept.keeper.stop()
    assert connection.execute(lacks).fetchone() == (ENDED,)


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


def test_a_lease_that_ran_out_says_why(found: QueuePlace, connection: Any) -> None:
    """By a server that was away, or because nothing of this process ran meanwhile; a short sleep within a long silence is the server's."""
    told: list[Why] = []
    keeper = Keeper(found, Member(bench="North", host="h", can=(), lease_s=9.0, own_check=None), told.append)
    claim = claimed(connection, job_of(found))
    began_s = lease_now_s()
    for looks, why in (([8.0, 0.5], None), ([8.0, 3.0], Why.ASLEEP), ([0.5] * 20, Why.SILENT)):
        keeper.hold(claim, began_s)
        now_s, found_why = began_s, None
        for since_s in looks:
            now_s += since_s
            found_why = keeper._why_late(now_s, since_s)
        assert found_why is why
    keeper.hold(claim, began_s)
    assert keeper._why_late(began_s + 30.0, 3.0) is Why.SILENT


@pytest.mark.parametrize("ahead_s", [3600.0, -3600.0])
def test_leases_know_no_clock_but_the_servers(
    found: QueuePlace, connection: Any, monkeypatch: pytest.MonkeyPatch, ahead_s: float
) -> None:
    """A bench an hour ahead or behind takes a job that is due, keeps it by renewing, for as long as was agreed; no other gets it."""
    own = time.time
    monkeypatch.setattr(time, "time", lambda: own() + ahead_s)
    stopped: list[Why] = []
    keeper = Keeper(found, Member(bench="North", host="h", can=(), lease_s=6.0), stopped.append)
    keeper.register()
    job = job_of(found)
    claim = claim_job(connection, job, bench="North", host="h", lease_s=6.0, carriers=[carrier_of(())])
    assert claim is not None

    def lease() -> Any:
        row = connection.execute(
            "select lease, extract(epoch from lease - now()) from job where id = %s", [job]
        ).fetchone()
        return row[0], float(row[1])

    first, left_s = lease()
    assert left_s <= 6.0
    keeper.hold(claim, lease_now_s())
    keeper.start()
    try:
        wait_for(lambda: lease()[0] > first, "a lease renewed")
        assert lease()[1] <= 6.0
        assert (
            claim_job(connection, job, bench="South", host="s", lease_s=6.0, carriers=[carrier_of(())])
            is None
        )
        assert stopped == []
    finally:
        keeper.let_go()
        keeper.stop()
