"""Several processes at one store: all is there afterwards, whoever is killed meanwhile. On SQLite and on PostgreSQL."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store, Wanted
from tests.support.postgres_server import PostgresServer
from tests.support.stored_results import RUN, a_result

WRITER = Path(__file__).parents[3] / "support" / "store_writer.py"


def _writer(store_name: str, run: str, checks: int, results: int) -> subprocess.Popen[str]:
    words = [sys.executable, str(WRITER), store_name, run, str(checks), str(results)]
    process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def _go(*processes: subprocess.Popen[str]) -> None:
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("\n")
        process.stdin.flush()


@pytest.mark.slow
def test_two_processes_write_ten_thousand_results_and_none_is_lost(
    store_name: str, place: StorePlace
) -> None:
    """Each of two processes writes 5000 results at the same time, ten a check, to a store that neither has made yet."""
    processes = [_writer(store_name, run, 500, 10) for run in ("a", "b")]
    _go(*processes)
    for process in processes:
        process.communicate(timeout=100)
        assert process.returncode == 0
    with Store.open_to_read(place) as store:
        for run in ("a", "b"):
            rows = store.read_results(run)
            assert [row.value for row in rows] == [float(number) for number in range(5000)]
            assert all(len(row.points) == 1 for row in rows)
            assert len(store.read_exchanges(run)) == 500
        assert {run.outcome for run in store.read_runs()} == {"done"}


@pytest.mark.parametrize("after", [1, 17, 60])
def test_a_killed_writer_loses_nothing_that_was_committed(
    store_name: str, place: StorePlace, after: int
) -> None:
    """After kill -9 every check that was said to be in is in, whole; the one being written is in whole or not at all."""
    process = _writer(store_name, "a", 0, 3)
    _go(process)
    assert process.stdout is not None
    for _ in range(after):
        process.stdout.readline()
    process.send_signal(signal.SIGKILL)
    # read(), not communicate(): that one passes over lines which stand in the reader's buffer already
    said = after + len(process.stdout.read().splitlines())
    process.wait(timeout=30)
    process.stdout.close()
    assert process.stdin is not None
    process.stdin.close()
    with Store.open_to_read(place) as store:
        rows, lines = store.read_results("a"), store.read_exchanges("a")
        assert said <= len(lines) <= said + 1
        assert [row.value for row in rows] == [float(number) for number in range(3 * len(lines))]
        assert [line.content for line in lines] == [b"%d" % index for index in range(len(lines))]
        assert all(len(row.points) == 1 for row in rows)
    with Store.open(place) as store:  # and whoever comes next writes at once
        store.write_run(replace(RUN, run="next"))
        store.write_check("next", 0, [a_result(run="next")], [])
    if place.path is not None:
        with closing(sqlite3.connect(place.path)) as other:
            assert other.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_processes_that_find_no_store_make_it_once(store_name: str, place: StorePlace) -> None:
    """Four processes open a store that is not there at the same moment: one makes it, all write to it."""
    processes = [_writer(store_name, f"r{number}", 3, 1) for number in range(4)]
    _go(*processes)
    assert [process.communicate(timeout=30) and process.returncode for process in processes] == [0] * 4
    with Store.open_to_read(place) as store:
        assert sorted(len(run.results) for run in store.iterate_runs(Wanted())) == [3] * 4


def test_a_server_that_crashes_keeps_what_was_committed(postgres: PostgresServer) -> None:
    """A PostgreSQL server stopped as by a crash and started again has every check that was written; so has the next one."""
    from sequencer.results.store.place import find_place

    place = find_place(Path(), postgres.address())
    with Store.open(place) as store:
        store.write_run(RUN)
        store.write_check("r1", 0, [a_result()], [])
        postgres.stop()
        with pytest.raises(Exception, match="cannot write to the store") as caught:
            store.write_check("r1", 1, [a_result()], [])
        assert "server" in str(caught.value)
        postgres.start()
        store.write_check("r1", 1, [a_result()], [])
        assert [row.check_index for row in store.read_results("r1")] == [0, 1]
