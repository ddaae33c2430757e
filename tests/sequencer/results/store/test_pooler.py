"""A pooler (PgBouncer, a real one) between a store and its server: what it drops is found out; results go through where none is lost."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sequencer.results.queue.seen import read_queue
from sequencer.results.queue.set_up import set_up
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.store import Store
from tests.support.batch_store import write_unit
from tests.support.pooler import IGNORE, NoPooler, Pooler, find_pooler
from tests.support.postgres_server import PostgresServer

Begin = Callable[[str, str], Pooler]


@pytest.fixture
def pooler(postgres: PostgresServer) -> Iterator[Begin]:
    """Begin a pooler in a mode, with one connection to the server; without the program a test says so, and in CI it fails."""
    try:
        find_pooler()
    except NoPooler as missing:
        if os.environ.get("SEQUENCER_TEST_ALL"):
            pytest.fail(str(missing), pytrace=False)
        pytest.skip(str(missing))
    begun: list[Pooler] = []

    def begin(mode: str, more: str) -> Pooler:
        begun.append(Pooler(postgres, mode, more, size=1))
        return begun[-1]

    yield begin
    for one in begun:
        one.close()


@pytest.fixture
def database(postgres: PostgresServer) -> Iterator[str]:
    """A database of the test's own."""
    postgres.execute("DROP DATABASE IF EXISTS pooled", "CREATE DATABASE pooled")
    yield "pooled"
    postgres.execute("DROP DATABASE pooled WITH (FORCE)")


def _place(pooler: Pooler, database: str, more: str = "") -> StorePlace:
    return find_place(Path(), pooler.address(database) + more)


def _tables(postgres: PostgresServer, database: str) -> list[Any]:
    import psycopg

    with psycopg.connect(host=str(postgres.folder), user="bench", dbname=database) as straight:
        asked = (
            "select schemaname from pg_tables where schemaname not in ('pg_catalog', 'information_schema')"
        )
        return straight.execute(asked).fetchall()


@pytest.mark.parametrize("mode", ["session", "transaction"])
def test_settings_that_are_dropped_are_found_out(
    pooler: Begin, postgres: PostgresServer, database: str, mode: str
) -> None:
    """Neither a store nor a queue is made: a page could write, a write would wait for ever, and tables stood in another schema."""
    place = _place(pooler(mode, IGNORE), database)
    for attempt in (lambda: Store.open(place), lambda: set_up(place), lambda: read_queue(place)):
        with pytest.raises(StoreProblem, match=r"a pooler between here and"):
            attempt()
    assert _tables(postgres, database) == []


def test_a_pooler_that_takes_no_settings_is_named(pooler: Begin, database: str) -> None:
    """What it says ("unsupported startup parameter") is no server that is away."""
    with pytest.raises(StoreProblem, match=r"That is a pooler, not a server.*ignore_startup_parameters"):
        Store.open(_place(pooler("transaction", ""), database))


def test_results_go_through_where_the_database_has_the_settings(
    pooler: Begin, postgres: PostgresServer, database: str
) -> None:
    """Two benches share one session of the server, each with statements of its own; a page, which asks for more, is refused."""
    postgres.execute(f"ALTER DATABASE {database} SET lock_timeout = '5s'")
    place = _place(pooler("transaction", IGNORE), database)
    with Store.open(place) as one, Store.open(place) as other:
        for number in range(12):
            write_unit((one, other)[number % 2], number, f"M40-{number:04}", 3.5)
    with Store.open_to_read(place) as store:
        assert len(store.read_runs(limit=None)) == 12
        assert sum(len(store.read_results(run.run)) for run in store.read_runs(limit=None)) == 12
    with pytest.raises(StoreProblem, match=r"default_transaction_read_only = on"):
        Store.open_to_watch(place)
    with pytest.raises(StoreProblem, match=r"jobs need the server itself|Jobs need the server itself"):
        set_up(place)


def test_an_address_with_settings_of_its_own_is_not_believed(
    pooler: Begin, postgres: PostgresServer, database: str
) -> None:
    """Its schema would be dropped with the rest, and the store made in another."""
    postgres.execute(f"ALTER DATABASE {database} SET lock_timeout = '5s'")
    place = _place(pooler("transaction", IGNORE), database, "&options=-csearch_path%3Dnorth")
    with pytest.raises(StoreProblem, match="a pooler between here and there drops it"):
        Store.open(place)
    assert _tables(postgres, database) == []
