"""A year of a line in a PostgreSQL store: rows as a run writes them, put in by COPY, so that what is asked of many can be timed."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.rows import batch_row
from sequencer.results.store.store import Store
from sequencer.results.store.tables import metadata, results, runs
from tests.support.batch_store import BATCH
from tests.support.postgres_server import PostgresServer

TOP = Path(__file__).resolve().parents[2]
WEEKS, RESULTS, BENCHES = 50, 40, 16
BEGAN = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
SHIFT_S = 5 * 86400.0
FAILS = 50
"""One unit in so many fails a check at first, and is tested again."""


class KeptServer(PostgresServer):
    """A server whose folder stays: made the first time, and taken up afterwards. It is given memory as a small server has it."""

    def __init__(self, folder: Path) -> None:
        self._kept = folder
        super().__init__(folder=folder, settings="-c shared_buffers=1GB -c max_wal_size=8GB -c work_mem=64MB")

    def close(self) -> None:
        """Stop it; what it holds stays."""
        self.stop("fast")


def template(folder: Path) -> list[dict[str, Any]]:
    """Return the result rows of a simulated acceptance run, without its confirmation: their texts have the length that they have."""
    code = f"import sys; sys.path.insert(0, {str(TOP)!r}); from sequencer.cli.main import main; main()"
    words = ["run", "fm-mobile-acceptance", "--bench", "bench", "--serial", "M40-0007", "--confirmed"]
    subprocess.run(
        [sys.executable, "-c", code, *words, "--folder", str(folder)], check=True, capture_output=True
    )
    with closing(sqlite3.connect(folder / "results.sqlite")) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute("SELECT * FROM result WHERE \"check\" <> 'confirm'")]


def fill(place: StorePlace, like: Sequence[dict[str, Any]], units: int) -> None:
    """Put ``units`` units of ``RESULTS`` results each into an empty store, spread over the weeks; a batch is a week."""
    with Store.open(place) as store, store._engine.begin() as connection:
        indices = [index for table in (results, runs) for index in table.indexes]
        for index in indices:
            index.drop(connection)
        cursor: Any = connection.connection.dbapi_connection.cursor()  # type: ignore[union-attr]
        _copy(cursor, "batch", (batch_row(_batch(week)) for week in range(WEEKS)))
        _copy(
            cursor,
            "unit",
            (
                {"serial": f"U{n:06}", "model": "M40", "first_utc_s": 0.0, "last_utc_s": 0.0}
                for n in range(units)
            ),
        )
        _copy(cursor, "run", (run for run, _ in _tested(units)))
        _copy(cursor, "check_time", _seconds(units))
        _copy(cursor, "instrument", _instruments(units))
        _copy(cursor, "result", _results(units, like))
        for index in indices:
            index.create(connection)
    with store._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("VACUUM ANALYZE")
    store.close()


def _copy(cursor: Any, table: str, rows: Iterator[dict[str, Any]]) -> None:
    began_s, count = time.monotonic(), 0
    first = next(rows)
    names = list(first)
    listed = ", ".join(f'"{name}"' for name in names)
    with cursor.copy(f"COPY {table} ({listed}) FROM STDIN") as copy:
        copy.write_row(list(first.values()))
        for row in rows:
            copy.write_row(list(row.values()))
            count += 1
    print(f"  {table}: {count + 1} rows in {time.monotonic() - began_s:.0f} s", flush=True)


def _batch(week: int) -> Any:
    opened = BEGAN + timedelta(weeks=week)
    return replace(
        BATCH, batch=f"Week {week + 1:02}", sequence="Acceptance", sequence_hash="c1", opened=opened
    )


def _tested(units: int) -> Iterator[tuple[dict[str, Any], bool]]:
    """Yield the row of each run, and whether it failed: a unit that fails is tested again at once, and passes."""
    each = units // WEEKS
    for number in range(units):
        week, place = divmod(number, each)
        when = BEGAN + timedelta(weeks=min(week, WEEKS - 1), seconds=SHIFT_S * place / each)
        fails = number % FAILS == 7
        for attempt in (1, 2) if fails else (1,):
            yield (
                _run(number, week, attempt, when + timedelta(seconds=90 * (attempt - 1))),
                fails and attempt == 1,
            )


def _run(number: int, week: int, attempt: int, when: datetime) -> dict[str, Any]:
    fails = number % FAILS == 7 and attempt == 1
    return {
        "run": f"run-{number:06}-{attempt}",
        "time": when.isoformat(timespec="milliseconds"),
        "serial": f"U{number:06}",
        "model": "M40",
        "sequence": "Acceptance",
        "sequence_hash": "c1",
        "bench": f"Bench {number % BENCHES + 1}",
        "bench_hash": "b",
        "simulated": False,
        "outcome": "done",
        "bench_safe": True,
        "bench_s": 60.0,
        "status": int(fails),
        "batch": f"Week {min(week, WEEKS - 1) + 1:02}",
        "station": str(number % BENCHES + 1),
        "attempt": attempt,
        "utc_s": when.timestamp(),
    }


def _seconds(units: int) -> Iterator[dict[str, Any]]:
    for run, _ in _tested(units):
        for index in range(10):
            yield {
                "run": run["run"],
                "check_index": index,
                "bench_s": 6.0,
                "settling_s": 1.0,
                "resting_s": 2.0,
                "person_s": 0.0,
            }


def _instruments(units: int) -> Iterator[dict[str, Any]]:
    for run, _ in _tested(units):
        for number in range(8):
            yield {
                "run": run["run"],
                "number": number,
                "name": f"instrument {number}",
                "role": "power_meter",
                "maker": "Invented",
                "model": "X",
                "serial": f"{run['bench']}-{number}",
                "firmware": "1.0",
                "certificate": "C-1",
                "due": "2027-06-30",
            }


_OF_RUN = (
    "run",
    "time",
    "serial",
    "model",
    "sequence",
    "sequence_hash",
    "bench",
    "bench_hash",
    "simulated",
    "batch",
    "station",
    "attempt",
)


def _results(units: int, like: Sequence[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Yield results with values about the template's, each quantity with a scatter of its own."""
    chance = random.Random(7)
    known = {column.name for column in metadata.tables["result"].columns} - {"id"}
    for run, failed in _tested(units):
        of_run = {name: run[name] for name in _OF_RUN}
        for index in range(RESULTS):
            one = like[index % len(like)]
            row = {name: cell for name, cell in one.items() if name in known}
            row |= of_run
            row["check_index"] = index // 4
            row["channel"] = (one["channel"] or 0) + index // len(like)
            row["utc_s"] = run["utc_s"] + index
            row["value"] = one["value"] + chance.gauss() * 0.3 * (one["uncertainty"] or 1.0)
            row["decision"] = "fail" if failed and index == 17 else "pass"
            yield row


def year(folder: Path, units: int) -> tuple[KeptServer, StorePlace]:
    """Return a server with the year in it: made in ``folder`` the first time, and taken up from there afterwards."""
    server = KeptServer(folder / "server")
    schema = f"year{units}"
    with server.connect() as connection:
        there = connection.execute(
            "SELECT 1 FROM information_schema.tables WHERE table_schema = %s AND table_name = 'filled'",
            [schema],
        ).fetchone()
    if not there:
        server.execute(f"DROP SCHEMA IF EXISTS {schema} CASCADE", f"CREATE SCHEMA {schema}")
        began_s = time.monotonic()
        fill(find_place(Path(), server.address(schema=schema)), template(folder / "template"), units)
        server.execute(f"CREATE TABLE {schema}.filled ()")
        print(f"filled in {time.monotonic() - began_s:.0f} s", flush=True)
    return server, find_place(Path(), server.address(schema=schema))


if __name__ == "__main__":
    made, where = year(Path(sys.argv[1]), int(sys.argv[2]))
    print(where)
    made.close()
