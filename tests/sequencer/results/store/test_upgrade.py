"""Upgrading a store keeps everything. ``tests/data/store-schema-N.sqlite`` was written by the sequencer when its schema was N.

Schema 1: two simulated runs of a short sequence, and one of a real bench that was not ended, with a question answered by no, a result
that could not be measured, and an answer of bytes that are no text. Schema 2: two simulated runs, with a confirmation each.
Schema 3: the same and a repeat, with two confirmations each, one of which has a semicolon and brackets in its text.
Schema 4: two simulated runs, with a confirmation each.
Schema 5 and 6: two simulated runs of power and frequency, one of which fails. Schema 7: one of them. Schema 8: one of power.
Schema 9: one of power, in a batch, at a station. Schema 10: one of a spectrum and a sensitivity, without most of its messages.
Schema 11: one of power, with its trace. Schema 12: one of harmonics that the analyser hides, without most of its messages and readings.
Schema 13: one of a frequency error at two temperatures, by a document's limit, without most of its messages.
"""

from __future__ import annotations

import json
import math
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import inspect

from sequencer.analysis.compare import compare, group_runs
from sequencer.results.store import upgrade as store_upgrade
from sequencer.results.store.engine import make_engine
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import SCHEMA_VERSION, Store, StoreProblem, Wanted
from sequencer.results.store.tables import metadata
from sequencer.results.stored import StoredUnit, exchange_as_plain, result_as_plain, run_as_plain
from sequencer.results.stored_budget import StoredBudget, budget_as_plain
from sequencer.results.text import conditions_text, document_texts
from tests.support.stored_results import RUN, a_result

TOP = Path(__file__).parents[4]
(
    SCHEMA_1,
    SCHEMA_2,
    SCHEMA_3,
    SCHEMA_4,
    SCHEMA_5,
    SCHEMA_6,
    SCHEMA_7,
    SCHEMA_8,
    SCHEMA_9,
    SCHEMA_10,
    SCHEMA_11,
    SCHEMA_12,
    SCHEMA_13,
) = (TOP / "tests" / "data" / f"store-schema-{number}.sqlite" for number in range(1, 14))
LINE = {
    **dict.fromkeys(("batch", "station", "operator", "lot", "fixture", "retest_reason"), ""),
    "attempt": 0,
}
NEW_IN_9 = {**LINE, "status": None}
NOT_EVALUATED = dict.fromkeys(
    ("asked", "evaluated_from", "from_time", "from_sequence_hash", "from_bench_hash"), ""
)
NOT_REPEATED = {"part": "", "again": "", "reason": "", "model_hash": "", **NOT_EVALUATED, **NEW_IN_9}
NEW_IN_7 = {"resumed": "[]"}
NUMBERS_OF_4 = ("target", "slope", "axis_value", "nominal", "supply_v")
NEW_IN_4 = {"target_unit": "", "axis": "", "axis_unit": "", "fault": "null", **dict.fromkeys(NUMBERS_OF_4)}
NEW_IN_5 = {"stage": ""}
NEW_IN_6 = {"model_hash": "", "limit_from": ""}
NEW_IN_13 = {"bound": ""}
NEW_IN_14 = {
    **dict.fromkeys(("temperature_c", "air_c", "sensor_c", "soaked_s")),
    **dict.fromkeys(("read_by", "document"), ""),
}
NEW_IN_8 = {"facts": ""}
FILLED_BY_4 = ("supply_v", "confirmations", "budget")
REAL = "20261124T090000-abc123"


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A copy of the old store."""
    return Path(shutil.copy(SCHEMA_1, tmp_path / "results.sqlite"))


def _rows(path: Path, table: str) -> list[dict[str, Any]]:
    """Read a table with nothing of ours between; a result as one that is no bound, of no temperature and no document, where it is older."""
    added = {**NEW_IN_13, **NEW_IN_14} if table == "result" else {}
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return [{**added, **row} for row in connection.execute(f"SELECT * FROM {table} ORDER BY rowid")]


def test_an_upgraded_store_has_every_row_it_had(old: Path) -> None:
    """Runs, results, readings, budgets, instruments and every exchanged byte, read by SQLite alone before, come back after."""
    runs, results, exchanges = (_rows(SCHEMA_1, table) for table in ("run", "result", "exchange"))
    assert (len(runs), len(results), len(exchanges)) == (3, 10, 759)
    with Store.open(old) as store:
        for run in runs:
            now = store.read_run(run["run"])
            assert now is not None
            named = {
                one.name: f"{one.maker} {one.model}, serial {one.serial}, firmware {one.firmware}"
                for one in now.instruments
            }
            assert named == json.loads(run.pop("instruments"))
            plain = run_as_plain(now)
            del plain["instruments"]
            decisions = plain.pop("decisions")
            mine = [one for one in results if one["run"] == run["run"]]
            assert sum(decisions.values()) == len(mine)
            assert plain == {**run, **NOT_REPEATED, "resumed": [], "replaced": 0}
            rows = store.read_results(run["run"])
            assert all(row.counts for row in rows)
            assert [
                {name: row[name] for name in one if name != "budget"}
                for row, one in zip(map(result_as_plain, rows), mine, strict=True)
            ] == [
                {**one, "points": [{**point, "frequency_hz": None} for point in json.loads(one["points"])]}
                for one in map(_without_budget, mine)
            ]
            assert [_as_of_then(row.budget) for row in rows] == [json.loads(one["budget"]) for one in mine]
            said = [one for one in exchanges if one["run"] == run["run"]]
            assert [
                {**exchange_as_plain(one), "content": one.content} for one in store.read_exchanges(run["run"])
            ] == said
        assert sum(len(row.points) for run in store.read_runs() for row in store.read_results(run.run)) > 10


def _without_budget(row: dict[str, Any]) -> dict[str, Any]:
    return {name: cell for name, cell in row.items() if name != "budget"}


def _as_of_then(budget: StoredBudget | None) -> dict[str, Any] | None:
    """Return a budget as it was stored, without what was not asked for then."""
    if budget is None:
        return None
    assert budget.unstated is None
    assert budget.unstated_connections is None
    plain = budget_as_plain(budget)
    del plain["unstated"], plain["unstated_connections"]
    parts = [
        {name: one[name] for name in one if name not in ("common", "keys")} for one in plain["contributions"]
    ]
    return {**plain, "contributions": parts}


def test_a_store_of_schema_3_has_its_confirmations_as_records(tmp_path: Path) -> None:
    """A text with a semicolon and brackets is one confirmation; each result names those before it; the supply is a number."""
    path = Path(shutil.copy(SCHEMA_3, tmp_path / "results.sqlite"))
    old = [row["conditions"].split(" V")[0] for row in _rows(SCHEMA_3, "result")]
    assert set(old) == {"supply 13.2"}
    with Store.open(path) as store:
        runs = store.read_runs()
        assert len(runs) == 3
        for run in runs:
            rows = store.read_results(run.run)
            assert {row.supply_v for row in rows} == {13.2}
            asked = [one.text for one in rows[-1].confirmations]
            assert asked == ["supply leads checked (by eye); RF gain up", "squelch open"]
            assert [one.text for one in rows[0].confirmations] == asked[:1]
            assert rows[-1].confirmations[0].when == rows[0].time
            assert [one.when for one in store.read_confirmations(run.run)] == [row.time for row in rows[:2]]


def test_what_old_budgets_share_is_said_once_by_the_upgrade(tmp_path: Path) -> None:
    """Accuracies and losses of the bench, a mismatch of the unit, a search of nothing: as the words of schema 3 had it."""
    path = Path(shutil.copy(SCHEMA_3, tmp_path / "results.sqlite"))
    with Store.open(path) as store:
        found = {
            part.source: part.common
            for run in store.read_runs()
            for row in store.read_results(run.run)
            if row.budget is not None
            for part in row.budget.contributions
        }
    assert found["search, 95 % interval"] == "none"
    assert found["generator, level accuracy"] == "bench"
    assert found["receive path, loss"] == "bench"
    assert found["mismatch, generator to unit"] == "unit"


def test_a_store_of_schema_2_has_every_row_it_had(tmp_path: Path) -> None:
    """Every column of every table, read by SQLite alone before and after, is the same; nothing in it counts as repeated.

    What the table of confirmations held is read back from the results that were those confirmations.
    """
    path = Path(shutil.copy(SCHEMA_2, tmp_path / "results.sqlite"))
    names = ("unit", "run", "result", "instrument", "exchange")
    with Store.open(path) as store:
        assert [run.decisions for run in store.read_runs()] == [
            {"fail": 1, "no limit": 1, "pass": 1},
            {"no limit": 1, "pass": 2},
        ]
        asked = {
            run.run: [(one.text, one.confirmed, one.how) for one in store.read_confirmations(run.run)]
            for run in store.read_runs()
        }
    before = _rows(SCHEMA_2, "confirmation")
    assert len(before) == 2
    assert sum(map(len, asked.values())) == len(before)
    for row in before:
        assert (row["asked"], bool(row["confirmed"]), row["how"]) in asked[row["run"]]
    for name in names:
        new = {"run": {**NOT_REPEATED, **NEW_IN_7}, "exchange": NEW_IN_8}.get(name, {})
        new = {"replaced_by": "", **NEW_IN_4, **NEW_IN_5, **NEW_IN_6, **LINE} if name == "result" else new
        before = _rows(SCHEMA_2, name)
        assert before
        filled = FILLED_BY_4 if name == "result" else ()
        now = [{key: row[key] for key in row if key not in filled} for row in _rows(path, name)]
        assert now == [
            {key: cell for key, cell in {**row, **new}.items() if key not in filled} for row in before
        ], name


def test_a_store_of_schema_5_has_every_row_it_had(tmp_path: Path) -> None:
    """Every cell of every table is the same afterwards; where a limit stood nobody noted, and there was no model file."""
    path = Path(shutil.copy(SCHEMA_5, tmp_path / "results.sqlite"))
    Store.open(path).close()
    for name in ("unit", "run", "result", "instrument", "exchange"):
        of_a_run = {"model_hash": "", **NEW_IN_7, **NOT_EVALUATED, **NEW_IN_9}
        new = {"run": of_a_run, "result": {**NEW_IN_6, **LINE}, "exchange": NEW_IN_8}.get(name, {})
        before = _rows(SCHEMA_5, name)
        assert before
        assert _rows(path, name) == [{**row, **new} for row in before], name


def test_a_store_of_schema_6_has_every_row_it_had(tmp_path: Path) -> None:
    """Every cell of every table is the same afterwards; no run of then was resumed."""
    path = Path(shutil.copy(SCHEMA_6, tmp_path / "results.sqlite"))
    with Store.open(path) as store:
        assert [one.resumed for one in store.read_runs()] == [(), ()]
    for name in ("unit", "run", "result", "instrument", "exchange"):
        of_a_run = {**NEW_IN_7, **NOT_EVALUATED, **NEW_IN_9}
        new = {"run": of_a_run, "result": LINE, "exchange": NEW_IN_8}.get(name, {})
        before = _rows(SCHEMA_6, name)
        assert before
        assert _rows(path, name) == [{**row, **new} for row in before], name


def test_a_store_of_schema_7_has_every_row_it_had(tmp_path: Path) -> None:
    """Every cell of every table is the same afterwards; which files a run was made from nobody kept, and a fault was words."""
    path = Path(shutil.copy(SCHEMA_7, tmp_path / "results.sqlite"))
    with Store.open(path) as store:
        assert [store.read_inputs(run.run) for run in store.read_runs()] == [[]]
    for name in ("unit", "run", "result", "instrument", "exchange"):
        of_a_run = {**NOT_EVALUATED, **NEW_IN_9}
        new = {"run": of_a_run, "result": LINE, "exchange": NEW_IN_8}.get(name, {})
        before = _rows(SCHEMA_7, name)
        assert before
        assert _rows(path, name) == [{**row, **new} for row in before], name


def test_a_store_of_schema_8_has_every_row_it_had(tmp_path: Path) -> None:
    """Every cell of every table is the same afterwards; no run of then is of a batch, and none says where its time went."""
    path = Path(shutil.copy(SCHEMA_8, tmp_path / "results.sqlite"))
    with Store.open(path) as store:
        assert store.read_batches() == []
        (run,) = store.read_runs(Wanted(batch=""))
        assert (run.batch, run.attempt, run.status) == ("", 0, None)
        assert store.read_runs(Wanted(batch="none")) == []
    for name in ("unit", "run", "result", "instrument", "exchange", "input_file", "run_file"):
        new = {"run": NEW_IN_9, "result": LINE}.get(name, {})
        before = _rows(SCHEMA_8, name)
        assert before
        assert _rows(path, name) == [{**row, **new} for row in before], name


def test_a_store_of_schema_9_has_every_row_it_had(tmp_path: Path) -> None:
    """Every cell of every table is the same afterwards; of no bench is known what it does."""
    path = Path(shutil.copy(SCHEMA_9, tmp_path / "results.sqlite"))
    with Store.open(path) as store:
        assert store.read_benches() == []
        (run,) = store.read_runs(Wanted(batch="trial"))
        assert (run.station, run.attempt, run.status) == ("Line 1", 1, 0)
    for name in (
        "unit",
        "run",
        "result",
        "instrument",
        "exchange",
        "input_file",
        "run_file",
        "batch",
        "check_time",
    ):
        before = _rows(SCHEMA_9, name)
        assert before
        assert _rows(path, name) == before, name


def test_a_store_of_schema_10_has_its_frequencies_in_their_own_column(tmp_path: Path) -> None:
    """What stood in the level's place of a trace stands in ``frequency_hz``, and there is no level; every other cell is the same."""
    path = Path(shutil.copy(SCHEMA_10, tmp_path / "results.sqlite"))
    before = _readings(SCHEMA_10)
    of_trace = [row["state"] == "of a spectrum" for row in before]
    assert (sum(of_trace), len(of_trace)) == (337, 341)
    Store.open(path).close()
    assert _readings(path) == [
        {**row, "frequency_hz": row["level_db"], "level_db": None} if of else {**row, "frequency_hz": None}
        for row, of in zip(before, of_trace, strict=True)
    ]
    with Store.open_to_read(path) as store:
        (run,) = store.read_runs()
        trace, search = (row.points for row in store.read_results(run.run))
    assert [one.frequency_hz for one in trace] == [row["level_db"] for row in before if row["result"] == 1]
    assert all(math.isnan(one.level_db) for one in trace)
    assert [one.level_db for one in search] == [row["level_db"] for row in before if row["result"] == 2]
    for name in ("unit", "run", "result", "instrument", "exchange", "input_file", "run_file", "bench_now"):
        assert _rows(path, name) == _rows(SCHEMA_10, name), name


def test_a_store_of_schema_11_has_every_row_it_had(tmp_path: Path) -> None:
    """Every cell of every table is the same afterwards; of no run the trace was cleared."""
    path = Path(shutil.copy(SCHEMA_11, tmp_path / "results.sqlite"))
    with Store.open(path) as store:
        (run,) = store.read_runs()
        assert len(store.read_exchanges(run.run)) == 214
        assert store.read_cleared(run.run) is None
    for name in ("unit", "run", "result", "instrument", "exchange", "input_file", "run_file", "check_time"):
        before = _rows(SCHEMA_11, name)
        assert before
        assert _rows(path, name) == before, name
    assert _readings(path) == _readings(SCHEMA_11)


def test_a_store_of_schema_12_has_its_bounds_by_its_notes(tmp_path: Path) -> None:
    """What a note called at most, or at least, this is a bound afterwards, what has no value is none; every other cell is the same."""
    path = Path(shutil.copy(SCHEMA_12, tmp_path / "results.sqlite"))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE result SET note = '100 Hz' WHERE id = 2")
        connection.execute("UPDATE result SET value = NULL WHERE id = 3")
        before = [dict(row) for row in _as_rows(connection, "result")]
    with Store.open(path) as store:
        (run,) = store.read_runs()
        assert [one.bound for one in store.read_results(run.run)] == ["at most", "", "", "at least"]
    bounds = ["at most", "", "", "at least"]
    assert _rows(path, "result") == [
        {**NEW_IN_14, **row, "bound": bound} for row, bound in zip(before, bounds, strict=True)
    ]
    for name in ("unit", "run", "instrument", "exchange", "input_file", "run_file", "check_time"):
        assert _rows(path, name) == _rows(SCHEMA_12, name), name
    assert _readings(path) == _readings(SCHEMA_12)


def test_a_store_of_schema_13_has_its_temperatures_and_documents_by_its_words(tmp_path: Path) -> None:
    """What the sheet took of conditions and note is in fields afterwards, also of what a person read; every other cell is the same."""
    path = Path(shutil.copy(SCHEMA_13, tmp_path / "results.sqlite"))
    said, by_hand = (
        "measured with tone 1 kHz, not 2 kHz as in it",
        "chamber -10 °C (air read -9.9 °C, by the word of a person; soaked 45 s)",
    )
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "UPDATE result SET note = note || ?, conditions = ? WHERE id = 3", (f"; {said}", by_hand)
        )
        before = [dict(row) for row in _as_rows(connection, "result")]
    of = "limit of EN 300 433, V2.1.1 (2016): clause not seen, figure from memory"
    read = {"temperature_c": 20.0, "air_c": 20.0, "sensor_c": 20.0, "soaked_s": 3600.0, "document": of}
    person = {"temperature_c": -10.0, "air_c": -9.9, "soaked_s": 45.0, "read_by": "a person"}
    now = [NEW_IN_14, {**NEW_IN_14, **read}, {**NEW_IN_14, **person, "document": f"{of}\n{said}"}]
    with Store.open(path) as store:
        (run,) = store.read_runs()
        rows = store.read_results(run.run)
    assert [{name: getattr(row, name) for name in NEW_IN_14} for row in rows] == now
    assert _rows(path, "result") == [{**row, **new} for row, new in zip(before, now, strict=True)]
    for name in ("unit", "run", "instrument", "exchange", "input_file", "run_file", "check_time"):
        assert _rows(path, name) == _rows(SCHEMA_13, name), name
    assert _readings(path) == _readings(SCHEMA_13)
    assert conditions_text(rows) == (
        "supply 13.2 V; chamber 20 °C (air read 20.0 °C; sensor on the unit 20.0 °C; soaked 60 min); "
        "chamber \N{MINUS SIGN}10 °C (air read \N{MINUS SIGN}9.9 °C; by the word of a person; soaked 45 s)"
    )
    assert [document_texts(row) for row in rows] == [(), (of,), (of, said)]


def _as_rows(connection: sqlite3.Connection, table: str) -> list[sqlite3.Row]:
    connection.row_factory = sqlite3.Row
    return connection.execute(f"SELECT * FROM {table} ORDER BY rowid").fetchall()


def _readings(path: Path) -> list[dict[str, Any]]:
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        found = connection.execute("SELECT * FROM reading ORDER BY result, number")
        return [dict(row) for row in found]


@pytest.mark.parametrize(
    "schema",
    [
        SCHEMA_1,
        SCHEMA_2,
        SCHEMA_3,
        SCHEMA_4,
        SCHEMA_5,
        SCHEMA_6,
        SCHEMA_7,
        SCHEMA_8,
        SCHEMA_9,
        SCHEMA_10,
        SCHEMA_11,
        SCHEMA_12,
        SCHEMA_13,
    ],
)
def test_a_check_of_an_upgraded_store_is_repeated(tmp_path: Path, schema: Path) -> None:
    """What an older sequencer found is replaced by a repeat as what this one found is."""
    path = Path(shutil.copy(schema, tmp_path / "results.sqlite"))
    with Store.open(path) as store:
        old = next(run for run in store.read_runs() if run.simulated)
        row = next(row for row in store.read_results(old.run) if row.check != "confirm")
        store.write_run(replace(RUN, run="new", again=old.run, reason="loose plug"))
        repeat = a_result(run="new", check=row.check)
        store.write_check("new", row.check_index, [repeat], [], repeats=old.run)
        replaced = [one for one in store.read_results(old.run) if not one.counts]
        assert {one.check_index for one in replaced} == {row.check_index}
        assert [one.run for one in store.read_repeats(old.run)] == ["new"]


def test_an_upgraded_store_knows_units_and_confirmations(old: Path) -> None:
    """What stood only in the runs' and results' texts stands in tables of its own afterwards."""
    with Store.open(old) as store:
        assert store.read_units() == [
            StoredUnit(serial="M40-0007", model="M40"),
            StoredUnit(serial="M40-0012", model="M40"),
        ]
        (asked,) = store.read_confirmations(REAL)
        assert (asked.text, asked.confirmed, asked.how) == (
            "lid closed; µ-metal shield on",
            False,
            "confirmed at the terminal",
        )
        newest, older, _ = store.read_runs()
        (asked,) = store.read_confirmations(newest.run)
        assert (asked.text, asked.confirmed, asked.how) == (
            "RF gain fully up, squelch open",
            True,
            "stated beforehand with --confirmed",
        )
        assert newest.time > older.time


def test_an_upgraded_store_is_written_to_and_compared(old: Path) -> None:
    """New runs stand beside the old ones, and the old ones are compared; nobody kept what was not stated when they were written."""
    with Store.open(old) as store:
        groups = group_runs(run for run in store.iterate_runs(Wanted()) if run.simulated)
        words = {cell.statement for line in compare(groups).lines for cell in line.cells}
        assert {"uncertainty not known", "no significant difference"} <= words
        assert "differs" not in words
        store.write_run(RUN)
        store.write_check("r1", 0, [a_result()], [])
    with Store.open_to_read(old) as store:
        assert len(store.read_runs()) == 4
        assert len(store.read_results("r1")) == 1


def test_reading_an_old_store_upgrades_it(old: Path) -> None:
    """A command that only looks back need not be preceded by a run."""
    with Store.open_to_read(old) as store:
        assert len(store.read_runs()) == 3


def test_an_old_store_that_cannot_be_written_says_what_to_do(
    old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a read-only share an old store is refused with both schemas and the way out, and stays as it is."""
    before = old.read_bytes()
    monkeypatch.setattr("os.access", lambda *_: False)
    with pytest.raises(StoreProblem, match=f"schema 1, .* bring it to {SCHEMA_VERSION}") as caught:
        Store.open_to_read(old)
    assert "Copy it" in caught.value.next_move
    assert old.read_bytes() == before


@pytest.mark.parametrize(
    "damage", ["UPDATE result SET points = '[{' WHERE id = 7", "UPDATE result SET run = 'gone'"]
)
def test_an_upgrade_that_cannot_be_finished_changes_nothing(old: Path, damage: str) -> None:
    """A damaged row stops the upgrade, which is one transaction: the store is as it was, and so it stays readable by the old."""
    with closing(sqlite3.connect(old)) as vandal, vandal:
        vandal.execute(damage)
    before = [_rows(old, table) for table in ("run", "result", "exchange", "sqlite_master")]
    with pytest.raises(StoreProblem, match="store"):
        Store.open(old)
    assert [_rows(old, table) for table in ("run", "result", "exchange", "sqlite_master")] == before
    with closing(sqlite3.connect(old)) as other:
        assert other.execute("PRAGMA user_version").fetchone() == (1,)


def test_an_upgrade_s_process_may_be_killed(old: Path) -> None:
    """Killed after the new tables are filled and before the end, the upgrade has not happened; the next one does it."""
    script = (
        "import os, sys; sys.path.insert(0, sys.argv[1])\n"
        "from sequencer.results.store import upgrade as u; from sequencer.results.store.store import Store\n"
        "from pathlib import Path; done = u.upgrade\n"
        "def upgrade(*a): done(*a); os.kill(os.getpid(), 9)\n"
        "u.upgrade = upgrade; Store.open(Path(sys.argv[2]))"
    )
    died = subprocess.run([sys.executable, "-c", script, str(TOP), str(old)], check=False, timeout=60)
    assert died.returncode == -9
    assert _rows(old, "result") == _rows(SCHEMA_1, "result")
    with Store.open(old) as store:
        assert len(store.read_runs()) == 3


def test_migrations_lead_to_the_schema_that_new_stores_have(place: StorePlace) -> None:
    """From an empty database through every migration to the tables of today, by Alembic's own comparison and by what a database tells."""
    engine = make_engine(place)
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        store_upgrade.upgrade(connection, 0)
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
        migrated = _described(connection)
        names = ", ".join(f'"{name}"' for name in inspect(connection).get_table_names())
        if place.url is not None:
            connection.exec_driver_sql(f"DROP TABLE {names}")
    engine.dispose()
    if place.path is not None:
        place.path.unlink()
    Store.open(place).close()
    engine = make_engine(place)
    with engine.connect() as connection:
        assert _described(connection) == migrated
    engine.dispose()


def _described(connection: Any) -> dict[str, Any]:
    """Return tables as the database describes them, columns by name: their order means nothing."""
    found = inspect(connection)
    return {
        table: (
            sorted((c["name"], str(c["type"]), c["nullable"]) for c in found.get_columns(table)),
            found.get_pk_constraint(table)["constrained_columns"],
            sorted((i["name"], i["column_names"]) for i in found.get_indexes(table)),
            sorted(
                (f["constrained_columns"], f["referred_table"], f["referred_columns"])
                for f in found.get_foreign_keys(table)
            ),
        )
        for table in sorted(found.get_table_names())
    }


def test_an_ordinary_open_does_without_alembic(tmp_path: Path) -> None:
    """Making a store and opening one that is up to date imports no Alembic: a command's start stays quick."""
    script = (
        "import sys; sys.path.insert(0, sys.argv[1]); from pathlib import Path; from sequencer.results.store.store import Store\n"
        "path = Path(sys.argv[2]); Store.open(path).close(); Store.open(path).close()\n"
        "assert not [name for name in sys.modules if name.startswith('alembic')]"
    )
    words = [sys.executable, "-c", script, str(TOP), str(tmp_path / "results.sqlite")]
    assert subprocess.run(words, check=False, timeout=60).returncode == 0


def test_a_store_of_schema_4_was_not_adjusted(tmp_path: Path) -> None:
    """Every result of an older store comes back with no stage, and one that is adjusted can be written beside them."""
    path = Path(shutil.copy(SCHEMA_4, tmp_path / "results.sqlite"))
    before = _rows(SCHEMA_4, "result")
    assert before
    with Store.open(path) as store:
        rows = [row for run in store.read_runs() for row in store.read_results(run.run)]
        assert len(rows) == len(before)
        assert {row.stage for row in rows} == {""}
        store.write_run(RUN)
        pair = [a_result(stage="as found"), a_result(stage="as left")]
        store.write_check(RUN.run, 0, pair, [])
        assert [row.stage for row in store.read_results(RUN.run)] == ["as found", "as left"]
        assert store.count_kept(RUN.run, [(0, one) for one in pair]) == 2
        assert store.count_kept(RUN.run, [(0, one) for one in reversed(pair)]) < 2
