"""The store with a million results: what it costs over SQLite's own module, on the same file, in the same run.

Run: ``python tests/benchmarks/bench_store.py`` (a minute or two; 1.5 GB in a temporary folder). Targets: listing one unit, one check's
history and a comparison of 50 units each under 10 times the bare indexed SQL; writing a result durably at most 1.5 times a bare
sqlite3 insert with the same durability. Comparison and history are measured whole: rows fetched, their budgets read, and the
arithmetic done. The numbers of one machine mean nothing; the ratios do.
"""

from __future__ import annotations

import json
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from sequencer.analysis.compare import compare, group_of
from sequencer.analysis.history import histories
from sequencer.results.model import Point
from sequencer.results.settings import Settings
from sequencer.results.store.store import Store, Wanted
from sequencer.results.store.tables import metadata
from sequencer.results.stored import StoredResult
from sequencer.results.stored_budget import budget_as_plain
from tests.support.stored_results import RUN, a_result, an_exchange
from tests.support.stored_rows import level_row

RUNS, UNITS, RESULTS = 50_000, 10_000, 20
"""Runs, units they are of, results a run: five runs a unit."""
ROUNDS = 15
WRITES = 300
BEGAN = datetime(2026, 1, 1, tzinfo=UTC)
CHECKS = [(f"check_{number // 4}", f"quantity {number}", number % 4 * 10 + 1) for number in range(RESULTS)]


def fill(path: Path) -> None:
    """Put a million results into a store, indices last."""
    Store.open(path).close()
    budget = json.dumps(budget_as_plain(level_row(-120.0).budget))
    connection = sqlite3.connect(path)
    indices = [index for table in metadata.tables.values() for index in table.indexes]
    for index in indices:
        connection.execute(f"DROP INDEX {index.name}")
    connection.executemany(
        "INSERT INTO unit VALUES (?, 'M40', 0, 0)", ((f"U{number:05}",) for number in range(UNITS))
    )
    connection.executemany(
        "INSERT INTO run (run, time, serial, model, sequence, sequence_hash, bench, bench_hash, simulated, outcome, bench_safe,"
        f" bench_s, utc_s) VALUES ({', '.join('?' * 13)})",
        _runs(),
    )
    connection.executemany(
        "INSERT INTO result (run, check_index, time, serial, model, sequence, sequence_hash, bench, bench_hash, simulated,"
        ' "check", channel, frequency_hz, mode, quantity, value, unit, uncertainty, lower_limit, upper_limit, decision, rule,'
        " conditions, note, budget, settings, utc_s)"
        f" VALUES ({', '.join('?' * 27)})",
        _results(budget),
    )
    connection.executemany(
        f"INSERT INTO instrument VALUES ({', '.join('?' * 10)})",
        (
            (
                f"run-{run:06}",
                number,
                f"instrument {number}",
                "",
                "Invented",
                "X",
                str(number),
                "1.0",
                "C-1",
                "2027-06-30",
            )
            for run in range(RUNS)
            for number in range(4)
        ),
    )
    connection.commit()
    connection.close()
    store = Store.open(path)
    with store._engine.begin() as made:
        for index in indices:
            index.create(made)
        made.exec_driver_sql("ANALYZE")
    store.close()


def _unit(run: int) -> str:
    """Return whose run it is: every fiftieth is of the unit that shows whether the bench is as it was."""
    return "U00001" if run % 50 == 1 else f"U{run % UNITS:05}"


def _runs() -> Iterator[tuple[Any, ...]]:
    for number in range(RUNS):
        when = BEGAN + timedelta(minutes=5 * number)
        yield (
            *(
                f"run-{number:06}",
                when.isoformat(),
                _unit(number),
                "M40",
                "Acceptance",
                "a",
                "Bench 1",
                "b",
            ),
            *(False, "done", True, 60.0, when.timestamp()),
        )


def _results(budget: str) -> Iterator[tuple[Any, ...]]:
    for number in range(RUNS):
        when = BEGAN + timedelta(minutes=5 * number)
        head = (when.isoformat(), _unit(number), "M40", "Acceptance", "a", "Bench 1", "b", False)
        for index, (check, quantity, channel) in enumerate(CHECKS):
            value = -120.0 + (number * 7 + index * 3) % 13 / 10
            decision = "fail" if (number * RESULTS + index) % 997 == 0 else "pass"
            yield (
                *(
                    f"run-{number:06}",
                    index,
                    *head,
                    check,
                    channel,
                    27.2e6,
                    "FM",
                    quantity,
                    value,
                    "dBm",
                    0.9,
                ),
                *(
                    None,
                    -113.0,
                    decision,
                    "simple (w = 0)",
                    "supply 13.2 V",
                    "",
                    budget,
                    "null",
                    when.timestamp(),
                ),
            )


def median_ms(*roads: Callable[[], object], rounds: int = ROUNDS) -> list[float]:
    """Return the median time of each road, taken in turn."""
    times: list[list[float]] = [[] for _ in roads]
    for road in roads:
        road()
    for turn in range(rounds):
        for index in range(len(roads)):
            which = (index + turn) % len(roads)
            began_s = time.perf_counter()
            roads[which]()
            times[which].append((time.perf_counter() - began_s) * 1e3)
    return [statistics.median(each) for each in times]


def say(title: str, bare_ms: float, ours_ms: float, target: float) -> None:
    """Print a ratio and whether it is what it should be."""
    ratio = ours_ms / bare_ms
    verdict = "reached" if ratio <= target else "MISSED"
    print(
        f"{title:44} bare {bare_ms:8.2f} ms   ours {ours_ms:8.2f} ms   ratio {ratio:5.2f}   (at most {target:g}: {verdict})"
    )


def reading(path: Path) -> None:
    """Compare what looks back with the bare SQL that finds the same rows by the same indices."""
    bare = sqlite3.connect(path)

    def rows(where: str, *values: object, table: str = "result", order: str = "utc_s") -> list[Any]:
        return bare.execute(f"SELECT * FROM {table} WHERE {where} ORDER BY {order}", values).fetchall()

    with Store.open_to_read(path) as store:
        wanted = Wanted(serials=("U00042",))
        assert len(rows("serial = ?", "U00042")) == len(store.find_results(wanted)) == 5 * RESULTS
        say(
            "listing one unit (100 results)",
            *median_ms(lambda: rows("serial = ?", "U00042"), lambda: store.find_results(wanted)),
            10,
        )
        say(
            "newest 100 failed results",
            *median_ms(
                lambda: bare.execute(
                    "SELECT * FROM result WHERE decision = 'fail' ORDER BY utc_s DESC LIMIT 100"
                ).fetchall(),
                lambda: store.find_results(Wanted(decisions=("fail",)), limit=100),
            ),
            10,
        )
        for unit, count in (("U00042", 5), ("U00001", 1000)):
            _history(store, rows, unit, count)
        serials = tuple(f"U{number:05}" for number in range(100, 150))
        marks = ", ".join("?" * len(serials))

        def comparison(*, arithmetic: bool) -> object:
            of_units: dict[str, list[Any]] = {}
            for run in store.iterate_runs(Wanted(serials=serials), points=False):
                of_units.setdefault(run.serial, []).append(run)
            groups = [group_of(name, members) for name, members in of_units.items()]
            return compare(groups) if arithmetic else groups

        compared_ms = median_ms(
            lambda: rows(f"serial IN ({marks})", *serials),
            lambda: comparison(arithmetic=False),
            lambda: comparison(arithmetic=True),
            rounds=5,
        )
        say("50 units' rows for a comparison (5000 results)", compared_ms[0], compared_ms[1], 10)
        say("50 units compared, arithmetic included", compared_ms[0], compared_ms[2], 10)
    bare.close()


def _history(store: Store, rows: Callable[..., list[Any]], unit: str, count: int) -> None:
    """Compare one check's history: its results and who stood on the bench for each."""
    one = Wanted(serials=(unit,), check="check_0", channel=1)
    where = 'serial = ? AND "check" = ? AND channel = ?'

    def bare() -> list[Any]:
        found = rows(where, unit, "check_0", 1)
        names = [row[1] for row in found]
        for start in range(0, len(names), 500):
            some = names[start : start + 500]
            rows(f"run IN ({', '.join('?' * len(some))})", *some, table="instrument", order="run, number")
        return found

    def ours() -> list[StoredResult]:
        found = store.find_results(one, points=False)
        store.read_instruments([row.run for row in found])
        return found

    assert len(bare()) == len(ours()) == count
    bare_ms, ours_ms, drift_ms = median_ms(bare, ours, lambda: histories(ours()[::-1]))
    say(f"one check's history ({count} results)", bare_ms, ours_ms, 10)
    print(f"{'  and the drift from it':44} {'':16} ours {drift_ms:8.2f} ms")


def writing(path: Path) -> None:
    """Compare a durable write of ours with sqlite3's own of the same rows, each in one transaction, WAL and synchronous FULL."""
    bare = sqlite3.connect(path, isolation_level=None)
    bare.execute("PRAGMA journal_mode = WAL")
    bare.execute("PRAGMA synchronous = FULL")
    points = tuple(
        Point(level_db=-120.0 + number, reading=12.0, state="in range", reading_s=0.1, at_s=float(number))
        for number in range(8)
    )
    budget = level_row(-120.0).budget
    said = [an_exchange(b":SOUR1:POW:LEV -120.5;:SYST:ERR?\n") for _ in range(40)]
    with Store.open(path) as store:
        store.write_run(replace(RUN, run="written"))
        names = [column.name for column in metadata.tables["result"].columns if column.name != "id"]
        statement = (
            f"INSERT INTO result ({', '.join(map(_quoted, names))}) VALUES ({', '.join('?' * len(names))})"
        )
        whole = a_result(
            run="written", points=points, budget=budget, settings=Settings.of({"tone_hz": 1000.0})
        )
        plain = a_result(run="written", budget=budget, settings=Settings.of({"tone_hz": 1000.0}))
        from sequencer.results.store import rows as store_rows

        row = store_rows.result_row(plain, 0)
        values = [row[name] for name in names]
        reading_values = [tuple(one.values())[2:] for one in store_rows.reading_rows(0, whole)]
        lines = [tuple(store_rows.exchange_row("written", 0, one).values()) for one in said]

        def bare_result() -> None:
            bare.execute("BEGIN IMMEDIATE")
            bare.execute(statement, values)
            bare.execute("COMMIT")

        def bare_check() -> None:
            bare.execute("BEGIN IMMEDIATE")
            result = bare.execute(statement, values).lastrowid
            bare.executemany(
                "INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?)",
                [(result, number, *one) for number, one in enumerate(reading_values)],
            )
            bare.executemany(
                "INSERT INTO exchange (run, check_index, time_s, instrument, direction, content, fault) VALUES (?, ?, ?, ?, ?, ?, ?)",
                lines,
            )
            bare.execute("COMMIT")

        say(
            "writing a result durably",
            *median_ms(
                bare_result,
                lambda: store.write_check("written", 0, [plain], []),
                rounds=WRITES,
            ),
            1.5,
        )
        say(
            "writing a check: 1 result, 8 readings, 40 messages",
            *median_ms(
                bare_check,
                lambda: store.write_check("written", 0, [whole], said),
                rounds=WRITES,
            ),
            1.5,
        )
    bare.close()


def _quoted(name: str) -> str:
    return f'"{name}"'


def main() -> None:
    """Fill a store, and compare."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "results.sqlite")
        began_s = time.perf_counter()
        fill(path)
        count = RUNS * RESULTS
        print(
            f"{count} results, {path.stat().st_size / 1e9:.1f} GB, filled in {time.perf_counter() - began_s:.0f} s"
        )
        reading(path)
        writing(path)


if __name__ == "__main__":
    main()
