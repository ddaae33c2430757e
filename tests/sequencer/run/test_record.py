"""The record of a run: table and store together, nothing half-written, nothing lost when one of them fails."""

from __future__ import annotations

import csv
import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from drivers.roles import Identity
from drivers.trace import Direction, Exchange
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems
from sequencer.results.journal import read_journal
from sequencer.results.model import COLUMNS, Point, Result
from sequencer.results.store import problems as store_problems
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.store import Store
from sequencer.results.stored import instruments_as_plain
from sequencer.run.record import Record, RunFacts
from sequencer.uncertainty.decision import Decision
from tests.support.postgres_server import PostgresServer
from tests.support.stored_results import BUDGET


@pytest.fixture(scope="module")
def facts() -> RunFacts:
    """What every row of a test's run says alike."""
    plan = make_plan(load_sequence("fm-mobile-acceptance"), load_bench("bench"))
    when = datetime(2027, 1, 2, 3, 4, 5, tzinfo=UTC)
    return RunFacts(
        run="r1",
        time=when,
        serial="M40-0007",
        model="M40",
        simulated=True,
        bench_name="Bench (simulated)",
        plan=plan,
    )


def _result(value: float = 1.0) -> Result:
    texts: dict[str, Any] = dict.fromkeys(COLUMNS, "x")
    texts |= dict.fromkeys(("target", "slope", "axis_value", "nominal", "supply_v"))
    texts |= dict.fromkeys(("temperature_c", "air_c", "sensor_c", "soaked_s"))
    texts |= {
        "run": "r1",
        "time": datetime(2027, 1, 2, tzinfo=UTC),
        "decision": Decision.PASS,
        "simulated": True,
    }
    texts |= {
        "channel": 1,
        "frequency_hz": 27e6,
        "value": value,
        "uncertainty": 0.1,
        "stage": "",
        "bound": "",
        "attempt": 1,
    }
    return Result(**texts | {"lower_limit": None, "upper_limit": 4.0})


@contextmanager
def _held(folder: Path) -> Iterator[None]:
    """Hold the store as another program does that is writing to it."""
    with closing(sqlite3.connect(folder / "results.sqlite", isolation_level=None)) as holder:
        holder.execute("BEGIN IMMEDIATE")
        yield
        holder.execute("ROLLBACK")


def _cells(record: Record) -> list[str]:
    with record.table.path.open(newline="", encoding="utf-8") as file:
        return [row["value"] for row in csv.DictReader(file)]


def _stored(folder: Path) -> list[float]:
    with Store.open_to_read(folder / "results.sqlite") as store:
        return [row.value for row in store.read_results("r1")]


def test_table_and_store_hold_the_same(tmp_path: Path, facts: RunFacts) -> None:
    """Each check's results stand in both when `keep` returns, and the run's end in the store."""
    folder = tmp_path / "a" / "b"
    with Record(folder, facts) as record:
        record.keep(0, [_result(1.0)], [])
        record.keep(1, [_result(2.0), _result(3.0)], [])
        assert _cells(record) == ["1.0", "2.0", "3.0"]
        assert _stored(folder) == [1.0, 2.0, 3.0]
        record.end(outcome="done", bench_safe=True, bench_s=61.0)
        assert record.problems == []
    with Store.open_to_read(folder / "results.sqlite") as store:
        assert store.read_runs()[0].outcome == "done"


def test_a_run_that_turns_out_to_be_simulated_is_marked_in_the_store(tmp_path: Path, facts: RunFacts) -> None:
    """Its row said otherwise when it began; bench and mark change, and every result after it carries them."""
    with Record(tmp_path, replace(facts, simulated=False, bench_name="B")) as record:
        record.mark_simulated()
        assert (record.facts.simulated, record.facts.bench_name) == (True, "B (simulated)")
        with Store.open_to_read(tmp_path / "results.sqlite") as store:
            (run,) = store.read_runs()
        assert (bool(run.simulated), run.bench) == (True, "B (simulated)")
        assert record.problems == []


def test_the_mark_is_kept_where_the_store_cannot_take_it(
    tmp_path: Path, facts: RunFacts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What stands beside the table says simulated, and taking that in marks the run in the store too."""
    monkeypatch.setattr(store_problems, "LOCKED_S", 0.02)
    with Record(tmp_path, replace(facts, simulated=False, bench_name="B")) as record, _held(tmp_path):
        record.mark_simulated()
        record.keep(0, [replace(_result(1.0), simulated=True)], [])
        record.end(outcome="done", bench_safe=True, bench_s=1.0)
    with Store.open(StorePlace(path=tmp_path / "results.sqlite")) as store:
        assert not store.read_runs()[0].simulated
        store.import_kept(read_journal(record.journal.path).kept)
        (run,) = store.read_runs()
    assert (bool(run.simulated), run.bench, run.outcome) == (True, "B (simulated)", "done")


def test_a_store_held_by_another_program_loses_nothing(
    tmp_path: Path, facts: RunFacts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What cannot be written while the store is held waits, the table goes on, and the next check writes both."""
    monkeypatch.setattr(store_problems, "LOCKED_S", 0.02)
    with Record(tmp_path, facts) as record:
        with _held(tmp_path):
            record.keep(0, [_result(1.0)], [])
            assert _cells(record) == ["1.0"]
        record.keep(1, [_result(2.0)], [])
        assert _stored(tmp_path) == [1.0, 2.0]
        record.end(outcome="done", bench_safe=True, bench_s=1.0)
        assert record.problems == []


def test_a_store_that_stays_held_is_told_of_and_the_table_has_all(
    tmp_path: Path, facts: RunFacts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If the store can never be written, the run says so once, and where the results are."""
    monkeypatch.setattr(store_problems, "LOCKED_S", 0.02)
    with Record(tmp_path, facts) as record:
        with _held(tmp_path):
            for index in range(3):
                record.keep(index, [_result(float(index))], [])
            record.end(outcome="done", bench_safe=True, bench_s=1.0)
        assert _cells(record) == ["0.0", "1.0", "2.0"]
        (trouble,) = record.problems
        assert "locked" in trouble
        assert str(record.table.path) in trouble


def test_a_store_that_breaks_while_running_leaves_the_table(tmp_path: Path, facts: RunFacts) -> None:
    """A store whose tables vanish mid-run costs no result: the table holds them, and the trouble is told."""
    with Record(tmp_path, facts) as record:
        record.keep(0, [_result(1.0)], [])
        with sqlite3.connect(tmp_path / "results.sqlite") as vandal:
            vandal.execute("DROP TABLE result")
        vandal.close()
        record.keep(1, [_result(2.0)], [])
        record.end(outcome="done", bench_safe=True, bench_s=1.0)
        assert _cells(record) == ["1.0", "2.0"]
        assert "no such table" in record.problems[0]


def _break(record: Record, how: str) -> None:
    """Do to an open store what fills, protects, corrupts or holds it."""
    with (
        record.store._writer.transaction() as transaction
    ):  # so that it is the connection the next check is written on
        if how == "full":
            (pages,) = transaction.run("PRAGMA page_count").fetchone()
            transaction.run(f"PRAGMA max_page_count = {pages}")
        elif how == "read-only":
            transaction.run("PRAGMA query_only = ON")
    if how == "corrupt":
        path = record.table.path.with_name("results.sqlite")
        size = path.stat().st_size
        path.write_bytes(b"\xff" * size)
        path.with_name("results.sqlite-wal").write_bytes(b"\xff" * 50_000)


@pytest.mark.parametrize("how", ["full", "read-only", "corrupt"])
def test_what_the_store_cannot_take_stands_in_table_and_journal(
    tmp_path: Path, facts: RunFacts, how: str
) -> None:
    """A store that is full, read-only or corrupt costs nothing: the table has every result, and the journal the whole run."""
    point = Point(level_db=-120.0, reading=12.1, state="in range", reading_s=0.2, at_s=3.0)
    said = Exchange(
        time_s=1.0, instrument="radio", direction=Direction.SENT, content=b"\xff\x00READ?\n" * 9000, fault=""
    )
    with Record(tmp_path, facts) as record:
        record.keep(0, [_result(1.0)], [])
        _break(record, how)
        record.keep(1, [replace(_result(2.0), points=(point,), budget=BUDGET)], [said])
        beside = record.journal.path
        assert record.journal.holds_all()  # when the check ends, not only when the run does
        record.end(outcome="done", bench_safe=True, bench_s=61.0)
        assert _cells(record) == ["1.0", "2.0"]
        (trouble,) = record.problems
        assert str(beside) in trouble
        assert str(record.table.path) in trouble
    lines = [json.loads(line) for line in beside.read_text(encoding="utf-8").splitlines()]
    assert lines[0]["record"]["run"] == "r1"
    assert (lines[-1]["outcome"], lines[-1]["bench_safe"]) == ("done", True)
    first, second = (line for line in lines if line["event"] == "check ended")
    assert [first["results"][0]["value"], second["results"][0]["value"]] == [1.0, 2.0]
    assert second["results"][0]["points"] == [asdict(point)]
    assert second["results"][0]["budget"]["unit"] == BUDGET.unit
    assert second["exchanges"][0][3].encode("latin-1") == said.content


def test_the_journal_is_named_only_while_the_store_lags(
    tmp_path: Path, facts: RunFacts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once all is in the store nobody is sent to the journal to import it."""
    monkeypatch.setattr(store_problems, "LOCKED_S", 0.02)
    with Record(tmp_path, facts) as record:
        with _held(tmp_path):
            record.keep(0, [_result(1.0)], [])
            assert record._read_back().beside == record.journal.path
        record.keep(1, [_result(2.0)], [])
        record.end(outcome="done", bench_safe=True, bench_s=1.0)
        assert record.kept is not None
        assert record.kept.beside is None
    assert _stored(tmp_path) == [1.0, 2.0]


def test_instruments_are_kept_with_role_and_calibration(tmp_path: Path, facts: RunFacts) -> None:
    """Beside what an instrument said of itself stand its role on the bench, and its certificate with the day it runs out."""
    entry = facts.plan.bench.bench.instruments["power_meter"]
    assert entry.calibration is not None
    who = Identity(maker="Invented", model="PM", serial="7", firmware="1")
    with Record(tmp_path, facts) as record:
        record.keep_instruments({"power_meter": who, "stranger": who})
    with Store.open_to_read(tmp_path / "results.sqlite") as store:
        run = store.read_run("r1")
    assert run is not None
    assert instruments_as_plain(run.instruments) == {
        "power_meter": {
            "role": "power_meter",
            "maker": "Invented",
            "model": "PM",
            "serial": "7",
            "firmware": "1",
            "certificate": entry.calibration.certificate,
            "due": entry.calibration.due.isoformat(),
        },
        "stranger": {"role": "", "maker": "Invented", "model": "PM", "serial": "7", "firmware": "1"},
    }


def test_a_server_that_goes_away_while_running_loses_nothing(
    tmp_path: Path, facts: RunFacts, postgres: PostgresServer
) -> None:
    """A PostgreSQL server that stops between two checks: the run stands beside, and is in the store once the server is back."""
    address = postgres.address()
    with Record(tmp_path, facts, store=address) as record:
        record.keep(0, [_result(1.0)], [])
        postgres.stop()
        try:
            record.keep(1, [_result(2.0)], [])
            assert record._read_back().beside == record.journal.path
        finally:
            postgres.start()
        record.keep(2, [_result(3.0)], [])
        record.end(outcome="done", bench_safe=True, bench_s=1.0)
        assert record.problems == []
    with Store.open_to_read(find_place(tmp_path, address)) as store:
        assert [row.value for row in store.read_results("r1")] == [1.0, 2.0, 3.0]
    assert {one.suffix for one in tmp_path.iterdir()} == {".csv", ".journal"}  # no SQLite file beside it


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda address: address.replace("/postgres?", "/nowhere?"), "createdb"),
        (lambda address: address.replace("bench@", "stranger@"), "user"),
    ],
)
def test_an_address_that_is_wrong_stops_the_run_before_it_begins(
    tmp_path: Path, facts: RunFacts, postgres: PostgresServer, change: Callable[[str], str], said: str
) -> None:
    """A database or a user that is not there is refused at the start, with what to do, and nothing is left."""
    with pytest.raises(FileProblems, match=said):
        Record(tmp_path, facts, store=change(postgres.address()))
    assert list(tmp_path.iterdir()) == []


def test_a_server_that_is_away_at_the_start_is_waited_for(
    tmp_path: Path, facts: RunFacts, postgres: PostgresServer
) -> None:
    """The run goes on, says so at once, and all of it is in the store once the server is back."""
    address = postgres.address()
    postgres.stop()
    try:
        record = Record(tmp_path, replace(facts, run="r9"), store=address)
        assert "server runs" in record.at_start
        assert str(record.journal.path) in record.at_start
        record.keep(0, [replace(_result(1.0), run="r9")], [])
    finally:
        postgres.start()
    with record:
        record.keep(1, [replace(_result(2.0), run="r9")], [])
        record.end(outcome="done", bench_safe=True, bench_s=1.0)
        assert record.problems == []
    with Store.open_to_read(find_place(tmp_path, address)) as store:
        assert [row.value for row in store.read_results("r9")] == [1.0, 2.0]


def test_a_store_that_is_protected_at_the_start_loses_nothing(tmp_path: Path, facts: RunFacts) -> None:
    """A folder of the store that is not there: table and journal have the run, the end says so, and `import-kept` takes it."""
    away = tmp_path / "away" / "s.sqlite"
    with Record(tmp_path / "r", facts, store=str(away)) as record:
        assert "unable to open" in record.at_start
        record.keep(0, [_result(1.0)], [])
        record.end(outcome="done", bench_safe=True, bench_s=1.0)
        assert record.kept is not None
        assert (record.kept.in_table, record.kept.in_store, record.kept.beside) == (1, 0, record.journal.path)
        assert "unable to open" in record.problems[0]
    with Store.open(tmp_path / "s.sqlite") as store:
        assert store.import_kept(read_journal(record.journal.path).kept).results == 1


@pytest.mark.parametrize("content", [b"no database" * 500, b"SQLite format 3\0" + b"\xff" * 5000])
def test_a_store_that_cannot_be_used_stops_the_run_before_it_begins(
    tmp_path: Path, facts: RunFacts, content: bytes
) -> None:
    """A damaged store is refused at the start: no table is left, and the file is not touched."""
    (tmp_path / "results.sqlite").write_bytes(content)
    with pytest.raises(FileProblems):
        Record(tmp_path, facts)
    assert [one.name for one in tmp_path.iterdir()] == ["results.sqlite"]
    assert (tmp_path / "results.sqlite").read_bytes() == content


def test_nothing_new_is_left_where_the_run_cannot_be_recorded(tmp_path: Path, facts: RunFacts) -> None:
    """Folders made on the way to a folder that cannot be are taken away again."""
    (tmp_path / "file").write_text("here")
    for folder in (tmp_path / "file", tmp_path / "file" / "below", tmp_path / "new" / ("x" * 300)):
        with pytest.raises(FileProblems, match="results cannot be written here"):
            Record(folder, facts)
    assert [one.name for one in tmp_path.iterdir()] == ["file"]


def test_an_existing_folder_is_left_as_it_was_by_a_refused_run(tmp_path: Path, facts: RunFacts) -> None:
    """A run's name that is in the store already (a clash) leaves neither table nor row."""
    with Record(tmp_path, facts):
        pass
    before = sorted(one.name for one in tmp_path.iterdir())
    with pytest.raises(FileProblems):
        Record(tmp_path, facts)
    assert sorted(one.name for one in tmp_path.iterdir()) == before
