"""Jobs that have long been over are taken out, with all that is theirs, in a real server; what waits, or is new, stays."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.queue import clear as clearing
from sequencer.results.queue import statements
from sequencer.results.queue.claim import Claim, claim_job, give_back
from sequencer.results.queue.clear import clear_jobs, find_old_jobs
from sequencer.results.queue.connect import QueuePlace
from sequencer.results.queue.fence import JobFence
from sequencer.results.queue.jobs import NewJob, add_jobs, cancel_job, carrier_of
from sequencer.results.queue.seen import read_queue
from sequencer.results.queue.set_up import set_up
from sequencer.results.store.fence import FenceLost
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from tests.support.postgres_server import PostgresServer
from tests.support.stored_results import RUN, a_result

NEEDS = ("role:radio",)
AGE = "update job set ended = now() - interval '31 days' where id = any(%s)"


@pytest.fixture
def found(postgres: PostgresServer) -> QueuePlace:
    """A queue of each test's own."""
    return set_up(find_place(Path("unused"), postgres.address()))[0]


def added(found: QueuePlace, *serials: str) -> list[int]:
    """Jobs of these units."""
    return add_jobs(
        found,
        [NewJob(serial=one, sequence="quick-check", sequence_hash="0", needs=NEEDS) for one in serials],
    )


def taken(connection: Any, job: int) -> Claim:
    """A job's claim."""
    found = claim_job(connection, job, bench="North", host="h", lease_s=60.0, carriers=[carrier_of(NEEDS)])
    assert found is not None
    return found


def registered(connection: Any, bench: str, days: int) -> None:
    """A bench that was heard of so many days ago."""
    words = {"bench": bench, "host": "h", "can": [], "lease_s": 60.0}
    connection.execute(
        statements.REGISTER, words | dict.fromkeys(("own_check", "own_check_at")) | {"zone": "UTC"}
    )
    connection.execute(
        "update bench set seen = now() - make_interval(days => %s) where bench = %s", [days, bench]
    )


def test_what_has_long_been_over_goes_with_all_that_is_its(found: QueuePlace) -> None:
    """Attempts, refusals and what the task queue held go too; a run that was measured for it stays, with its results."""
    old, waits, new, mine = added(found, "A-1", "A-2", "A-3", "A-4")
    with found.connect(autocommit=True) as connection:
        claim = taken(connection, old)
        with Store.open(found.place, fence=JobFence(found, claim)) as store:
            store.write_run(RUN)
            store.write_check("r1", 0, [a_result()], [])
            store.write_end("r1", outcome="done", bench_safe=True, bench_s=1.0, status=0)
        cancel_job(found, new)
        held = taken(connection, mine)
        connection.execute(AGE, [[old, waits, mine]])
        for bench, days in (("Gone", 31), ("North", 31), ("Here", 29)):
            registered(connection, bench, days)
        seen = find_old_jobs(found, 30)
        assert (seen.over, seen.benches, seen.waiting, seen.newer) == ({"done": 1}, ("Gone",), 2, 1)
        assert len(read_queue(found.place).jobs) == 4
        assert clear_jobs(found, 30) == 1
        queue = read_queue(found.place)
        assert {one.id: one.state for one in queue.jobs} == {
            waits: "waiting",
            new: "cancelled",
            mine: "taken",
        }
        assert [one.bench for one in queue.benches] == ["Here", "North"]
        tables = ("attempt", "procrastinate_jobs")
        counts = [connection.execute(f"select count(*) from {one}").fetchone()[0] for one in tables]
        assert counts == [1, 3]  # the claim that is held; the entries of the three that stay
        assert give_back(connection, held, why="")
    with Store.open_to_read(found.place) as store:
        assert [one.run for one in store.read_runs()] == ["r1"]
        assert len(store.read_results("r1")) == 1


def test_a_run_that_comes_in_after_its_job_was_cleared_writes_nothing(found: QueuePlace) -> None:
    """Nobody can say any more whose the unit was: the fence holds it off as that of a job which went to another bench."""
    (job,) = added(found, "A-1")
    with found.connect(autocommit=True) as connection:
        claim = taken(connection, job)
        connection.execute("update job set state = 'failed' where id = %s", [job])
        connection.execute(AGE, [[job]])
    assert clear_jobs(found, 30) == 1
    with Store.open(found.place, fence=JobFence(found, claim)) as store, pytest.raises(FenceLost):
        store.write_run(RUN)
    with Store.open_to_read(found.place) as store:
        assert store.read_runs() == []


def test_more_than_one_transaction(found: QueuePlace, monkeypatch: pytest.MonkeyPatch) -> None:
    """All go, however many are taken at once."""
    monkeypatch.setattr(clearing, "AT_ONCE", 2)
    jobs = added(found, *(f"A-{number}" for number in range(5)))
    for one in jobs:
        cancel_job(found, one)
    with found.connect(autocommit=True) as connection:
        connection.execute(AGE, [jobs])
    assert clear_jobs(found, 30) == 5
    assert read_queue(found.place).jobs == ()


def test_the_command_changes_nothing_until_it_is_told_to(found: QueuePlace, postgres: PostgresServer) -> None:
    """It says what would go and what stays; with --delete that is gone. A day is too short: its own checks are asked for by the day."""
    jobs = added(found, "A-1", "A-2")
    cancel_job(found, jobs[0])
    with found.connect(autocommit=True) as connection:
        connection.execute(AGE, [jobs[:1]])
    address = postgres.address(schema=found.schema.removesuffix("_queue"))

    def clear(*words: str) -> Any:
        return CliRunner().invoke(main, ["jobs", "clear", "--store", address, *words], env={"NO_COLOR": "1"})

    said = clear("--older-than", "30")
    assert said.exit_code == 0, said.output
    assert "to clear: 1 job (1 cancelled)" in said.output
    assert "stay: 1 job waiting or taken, 0 over since" in said.output
    assert len(read_queue(found.place).jobs) == 2
    assert clear("--older-than", "1", "--delete").exit_code == 2
    assert len(read_queue(found.place).jobs) == 2
    assert json.loads(clear("--older-than", "30", "--delete", "--json").stdout)["cleared"] == 1
    assert [one.id for one in read_queue(found.place).jobs] == jobs[1:]
