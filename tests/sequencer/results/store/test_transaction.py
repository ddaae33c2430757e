"""What a run writes as SQL text: every column of the tables, and nothing else, in both databases."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from drivers.trace import Direction, Exchange
from sequencer.results.model import BenchInstrument, Point, RunRecord, run_cells
from sequencer.results.store import rows as store_rows
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store
from sequencer.results.store.tables import metadata
from tests.support.stored_results import a_result

_RUN = RunRecord(
    run="r9",
    time=datetime(2026, 3, 14, 9, 26, 53, 589_000, tzinfo=UTC),
    serial="M40-0009",
    model="M40",
    sequence="Acceptance",
    sequence_hash="a",
    bench="Bench",
    bench_hash="b",
    simulated=True,
    outcome="not ended",
    part="sensitivity",
    again="r1",
    reason="cable :was loose, 100 %s",
)


@pytest.fixture
def store(place: StorePlace) -> Iterator[Store]:
    """An open store with nothing in it."""
    with Store.open(place) as opened:
        yield opened


def _rows() -> dict[str, dict[str, Any]]:
    result = a_result(
        points=(Point(level_db=-120.0, reading=1.0, state="in range", reading_s=0.1, at_s=1.0),)
    )
    said = Exchange(time_s=1.0, instrument="radio", direction=Direction.SENT, content=b"X", fault="")
    who = BenchInstrument(
        name="radio", role="radio", maker="m", model="m", serial="1", firmware="1", certificate="", due=""
    )
    return {
        "run": store_rows.run_row(_RUN),
        "result": store_rows.result_row(result, 0),
        "reading": store_rows.reading_rows(1, result)[0],
        "instrument": store_rows.instrument_rows("r9", [who])[0],
        "exchange": store_rows.exchange_row("r9", 0, said),
    }


@pytest.mark.parametrize("table", ["run", "result", "reading", "instrument", "exchange"])
def test_a_row_names_every_column_of_its_table(table: str) -> None:
    """The columns that a row names are those that the schema has, but for the number that the database gives."""
    columns = {column.name for column in metadata.tables[table].c} - {"id"}
    assert set(_rows()[table]) == columns


def test_a_run_s_row_comes_back_as_it_was_written(store: Store) -> None:
    """Texts that look like a statement's marks, true and false, and how the run ended, in either database."""
    store.write_run(_RUN)
    store.write_end("r9", outcome="stopped: 50 %(x)s :y", bench_safe=False, bench_s=1.5)
    found = store.read_run("r9")
    assert found is not None
    ended = replace(_RUN, outcome="stopped: 50 %(x)s :y", bench_safe=False, bench_s=1.5)
    assert run_cells(found) == run_cells(ended)


def test_a_unit_keeps_its_model_and_its_first_and_last_day(store: Store, place: StorePlace) -> None:
    """Runs that come out of order widen what is known of a unit; one that names no model takes none away."""
    for run, day, model in (("u1", 10, "M40"), ("u2", 5, ""), ("u3", 20, "M41"), ("u4", 15, "")):
        when = datetime(2026, 3, day, tzinfo=UTC)
        store.write_run(replace(_RUN, run=run, time=when, serial="S1", model=model))
    with Store.open(place) as other, other._writer.transaction(writes=False) as transaction:
        text = "SELECT model, first_utc_s, last_utc_s FROM unit WHERE serial = :serial"
        found = transaction.run(text, serial="S1").fetchall()
    first, last = (datetime(2026, 3, day, tzinfo=UTC).timestamp() for day in (5, 20))
    assert [tuple(row) for row in found] == [("M41", first, last)]
