"""The store: durable when a check ends, plain about what is wrong with it, and closed to what it does not know."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from drivers.trace import Direction, Exchange
from sequencer import store as store_module
from sequencer.decision import Decision
from sequencer.results import COLUMNS, Point, Result
from sequencer.store import SCHEMA_VERSION, Store, StoreProblem

RUN = {
    "run": "r1",
    "time": "2027-01-02T03:04:05.000+00:00",
    "serial": "M40-0007",
    "model": "M40",
    "sequence": "Acceptance",
    "sequence_hash": "a",
    "bench": "Demonstration bench (simulated)",
    "bench_hash": "b",
    "simulated": True,
    "instruments": "{}",
    "outcome": "not ended",
}


def _result(**changes: Any) -> Result:
    facts: dict[str, Any] = {name: RUN.get(name, "x") for name in COLUMNS}
    facts |= {"time": datetime(2027, 1, 2, tzinfo=UTC), "decision": Decision.PASS, "simulated": True}
    facts |= {"channel": 20, "frequency_hz": 27.205e6, "value": -120.0, "uncertainty": 0.9}
    facts |= {"lower_limit": None, "upper_limit": -113.0}
    return Result(**(facts | changes))


def _exchange(text: bytes = b"*IDN?\n", fault: str = "") -> Exchange:
    return Exchange(time_s=1.5, instrument="radio", direction=Direction.SENT, content=text, fault=fault)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the store of a test stands."""
    return tmp_path / "results.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    """An open store with one run in it."""
    with Store.open(path) as opened:
        opened.write_run(RUN)
        yield opened


def test_a_check_comes_back_whole(store: Store) -> None:
    """Results with points and budget, and every exchanged byte, come back as they were written."""
    point = Point(level_db=-120.0, reading=None, state="over range", reading_s=0.2, at_s=3.0)
    store.write_check("r1", 3, [_result(points=(point,), budget={"unit": "dB"})], [_exchange(b"\xff\x00,\n")])
    (row,) = store.read_results("r1")
    assert (row["value"], row["channel"], row["lower_limit"], row["simulated"]) == (-120.0, 20, None, True)
    assert row["points"] == [
        {"level_db": -120.0, "reading": None, "state": "over range", "reading_s": 0.2, "at_s": 3.0}
    ]
    assert row["budget"] == {"unit": "dB"}
    (said,) = store.read_exchanges("r1", 3)
    assert said["content"] == b"\xff\x00,\n"
    assert store.read_exchanges("r1", 4) == []


def test_runs_are_listed_newest_first_with_what_was_decided(store: Store) -> None:
    """A list of runs says how each ended and how many results of each kind it has."""
    store.write_run({**RUN, "run": "r2", "time": "2027-01-03T00:00:00.000+00:00"})
    store.write_check("r1", 0, [_result(), _result(decision=Decision.FAIL), _result()], [])
    store.write_end("r1", outcome="done", bench_safe=True, bench_s=61.0)
    store.write_instruments("r1", '{"radio": "a relay box"}')
    newest, first = store.read_runs()
    assert (newest["run"], newest["outcome"], newest["decisions"]) == ("r2", "not ended", {})
    assert first["decisions"] == {"pass": 2, "fail": 1}
    assert first["instruments"] == {"radio": "a relay box"}
    assert store.read_run("r1") == first
    assert store.read_run("r3") is None
    assert store.read_runs(serial="M40-0008") == []


def test_what_is_written_is_there_for_another_process_at_once(store: Store, path: Path) -> None:
    """On return a check's rows are committed: a second connection reads them while the first is still open."""
    store.write_check("r1", 0, [_result()], [_exchange()])
    with sqlite3.connect(path) as other:
        assert other.execute("SELECT count(*) FROM result").fetchone() == (1,)
    other.close()


def test_writes_wait_for_the_disk(store: Store) -> None:
    """Write-ahead log with full synchronisation: what SQLite documents as durable across a power cut."""
    with store._engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar_one() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar_one() == 2


def test_a_row_of_an_unknown_run_is_refused(store: Store) -> None:
    """No result stands in the store without the run it belongs to."""
    with pytest.raises(StoreProblem, match="cannot write to the store"):
        store.write_check("r9", 0, [_result(run="r9")], [])


def test_a_newer_store_is_refused_with_both_versions(path: Path) -> None:
    """A store written by a newer sequencer is left alone, and its reader told which schema it has."""
    Store.open(path).close()
    with sqlite3.connect(path) as other:
        other.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    other.close()
    for opened in (Store.open, Store.open_to_read):
        with pytest.raises(StoreProblem, match=f"schema {SCHEMA_VERSION + 1} .* up to {SCHEMA_VERSION}"):
            opened(path)


@pytest.mark.parametrize("table", ["run", "photos"])
def test_somebody_else_s_database_is_not_written_to(path: Path, table: str) -> None:
    """A database with other tables is refused, and nothing is added to it."""
    with sqlite3.connect(path) as other:
        other.execute(f"CREATE TABLE {table}(x)")
        with pytest.raises(StoreProblem, match="not one of this sequencer's stores"):
            Store.open(path)
        assert other.execute("SELECT name FROM sqlite_master").fetchall() == [(table,)]
    other.close()


def test_a_file_that_is_no_database_is_called_that(path: Path) -> None:
    """Text under the store's name is left as it is, and the CSV tables are pointed at."""
    path.write_bytes(b"a shopping list, long enough to be read as a header\n" * 40)
    before = path.read_bytes()
    with pytest.raises(StoreProblem, match="not a database") as caught:
        Store.open(path)
    assert "results tables (CSV) beside it" in str(caught.value)
    assert path.read_bytes() == before


def test_a_damaged_store_is_told_of_without_a_traceback(store: Store, path: Path) -> None:
    """Bytes overwritten in the middle end in a `StoreProblem`, whichever reading method meets them."""
    for index in range(30):
        store.write_check("r1", index, [_result(budget={"text": "x" * 3000})], [_exchange(b"y" * 3000)])
    store.close()
    content = bytearray(path.read_bytes())
    content[9000:-5000] = os.urandom(len(content) - 14000)
    path.write_bytes(content)
    with pytest.raises(StoreProblem) as caught, Store.open(path) as damaged:  # noqa: PT012 - which of them meets it is SQLite's affair
        damaged.read_results("r1")
        damaged.read_exchanges("r1")
    assert "damaged" in caught.value.next_move


def test_a_store_that_another_holds_says_so(
    store: Store, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While another program holds the file a write fails after its wait, and names the cause."""
    monkeypatch.setattr(store_module, "LOCKED_S", 0.05)
    with Store.open(path) as impatient:
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreProblem, match="locked") as caught:
            impatient.write_check("r1", 0, [_result()], [])
        holder.execute("ROLLBACK")
        holder.close()
        assert "Another program has held it" in caught.value.next_move
        impatient.write_check("r1", 0, [_result()], [])
    assert len(store.read_results("r1")) == 1


def test_a_folder_s_name_may_hold_what_an_address_may_not(tmp_path: Path) -> None:
    """Question marks, per cent and hash signs in the folder's name do not lead elsewhere."""
    folder = tmp_path / "50%? #1 é"
    folder.mkdir()
    with Store.open(folder / "results.sqlite") as opened:
        opened.write_run(RUN)
    assert (folder / "results.sqlite").is_file()
    with Store.open_to_read(folder / "results.sqlite") as opened:
        assert len(opened.read_runs()) == 1


def test_a_store_is_read_where_nothing_can_be_written(
    store: Store, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a read-only share the store is read as it stands, and no file is added beside it."""
    store.close()
    before = sorted(one.name for one in path.parent.iterdir())
    monkeypatch.setattr(
        os, "access", lambda *_: False
    )  # root may write anywhere: say what the share would say
    with Store.open_to_read(path) as opened:
        assert len(opened.read_runs()) == 1
        with pytest.raises(StoreProblem, match="readonly"):
            opened.write_run({**RUN, "run": "r2"})
    assert sorted(one.name for one in path.parent.iterdir()) == before


def test_reading_makes_no_store(path: Path) -> None:
    """A reader of a folder without a store is told so, and the folder stays as it was."""
    with pytest.raises(StoreProblem, match="there is no store here"):
        Store.open_to_read(path)
    assert not path.exists()
