"""Asking the store: which runs and results are wanted, and their values as a reader gets them."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, Select, Table, and_, case, or_, select
from sqlalchemy.sql.functions import count
from sqlalchemy.sql.functions import sum as total

from sequencer.frozen import dataclass
from sequencer.results.model import BenchInstrument, Point
from sequencer.results.store import rows as store_rows
from sequencer.results.store.set_aside import readable
from sequencer.results.store.tables import instruments, readings, results, runs
from sequencer.results.stored import StoredResult, StoredRun

AT_ONCE = 500
"""How many names stand in one question; SQLite takes 32 766 (SQLite manual, limits)."""
RUN_COLUMNS = [column for column in runs.c if column.name != "utc_s"]
_RESULT_COLUMNS = [column for column in results.c if column.name != "utc_s"]  # the first is its number
_RESULT_NAMES = [column.name for column in _RESULT_COLUMNS]
IN_FILE_ORDER = (results.c.check_index, results.c.id)
RESULT_QUERY = select(*_RESULT_COLUMNS)  # composed once: a third of a short question's time
_BRIEF_QUERY = select(*(results.c[name] for name in store_rows.BRIEF_NAMES))
_counts = case((results.c.replaced_by == "", 1), else_=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which results or runs are asked for; what is left empty does not choose.

    ``since`` and ``until`` (not included) carry an offset. ``check``, ``channel`` and ``decisions`` choose results only.
    ``measured`` leaves out re-evaluations, in which nothing was.
    """

    serials: Sequence[str] = ()
    runs: Sequence[str] = ()
    sequence: str = ""
    model: str = ""
    batch: str = ""
    station: str = ""
    operator: str = ""
    lot: str = ""
    since: datetime | None = None
    until: datetime | None = None
    check: str = ""
    channel: int | None = None
    decisions: Sequence[str] = ()
    measured: bool = False


def run_conditions(wanted: Wanted, table: Table = runs) -> Iterator[ColumnElement[bool]]:
    """Yield what a run must meet; of the table of results, what their run must."""
    if wanted.serials:
        yield table.c.serial.in_(wanted.serials)
    if wanted.sequence:
        yield table.c.sequence == wanted.sequence
    if wanted.runs:
        yield table.c.run.in_(wanted.runs)
    if wanted.model:
        yield table.c.model == wanted.model
    yield from _line_conditions(wanted, table)
    if wanted.since is not None:
        yield table.c.utc_s >= wanted.since.timestamp()
    if wanted.until is not None:
        yield table.c.utc_s < wanted.until.timestamp()
    if wanted.measured:
        yield table.c.run.not_in(select(runs.c.run).where(runs.c.evaluated_from != ""))


def _line_conditions(wanted: Wanted, table: Table) -> Iterator[ColumnElement[bool]]:
    if wanted.batch:  # of the results' own table the index is that of their runs
        in_batch = select(runs.c.run).where(runs.c.batch == wanted.batch)
        yield runs.c.batch == wanted.batch if table is runs else table.c.run.in_(in_batch)
    for name in ("station", "operator", "lot"):
        if text := getattr(wanted, name):
            yield table.c[name] == text


def older_than(key: Column[Any], value: str | int) -> ColumnElement[bool]:
    """Return what a row must meet to stand behind the one of that key, where rows are ordered by time and key, the newest first."""
    table = key.table
    at = select(table.c.utc_s).where(key == value).scalar_subquery()
    # the first part is for the index
    return and_(table.c.utc_s <= at, or_(table.c.utc_s < at, key < value))


def result_conditions(wanted: Wanted) -> Iterator[ColumnElement[bool]]:
    """Yield what a result must meet."""
    yield from run_conditions(wanted, results)
    if wanted.check:
        yield results.c.check == wanted.check
    if wanted.channel is not None:
        yield results.c.channel == wanted.channel
    if wanted.decisions:
        yield results.c.decision.in_(wanted.decisions)


def runs_found(query: Select[Any], connection: Connection) -> list[StoredRun]:
    """Return runs with their instruments, how many of their results that count were decided how, and how many count no more."""
    found = {row["run"]: dict(row) for row in connection.execute(query).mappings()}
    who = instruments_of(list(found), connection)
    decisions: dict[str, dict[str, int]] = defaultdict(dict)
    replaced: Counter[str] = Counter()
    for names in _portions(list(found)):
        decided = (
            select(results.c.run, results.c.decision, total(_counts), count())
            .where(results.c.run.in_(names))
            .group_by(results.c.run, results.c.decision)
        )
        for name, decision, counting, number in connection.execute(decided):
            replaced[name] += int(number - counting)
            if counting:
                decisions[name][decision] = int(counting)
    return list(
        readable(
            lambda row: store_rows.run_read(
                row, who.get(row["run"], ()), decisions[row["run"]], replaced[row["run"]]
            ),
            found.values(),
        )
    )


def whole_runs(
    rows: Sequence[Mapping[str, Any]], connection: Connection, *, points: bool, brief: bool = False
) -> Iterator[StoredRun]:
    """Yield runs with their results; ``brief``: without instruments, and of results without what no verdict and no chart needs."""
    names = [row["run"] for row in rows]
    who = {} if brief else instruments_of(names, connection)
    by_run: dict[str, list[StoredResult]] = defaultdict(list)
    for some in _portions(names):
        query = (
            (_BRIEF_QUERY if brief else RESULT_QUERY).where(results.c.run.in_(some)).order_by(*IN_FILE_ORDER)
        )
        found = (
            store_rows.brief_read(connection.execute(query).all())
            if brief
            else results_found(query, connection, points=points)
        )
        for one in found:
            by_run[one.run].append(one)

    def read(row: Mapping[str, Any]) -> StoredRun:
        mine = by_run[row["run"]]
        counting = [one for one in mine if one.counts]
        decisions = dict(Counter([one.decision.value for one in counting]))
        return store_rows.run_read(row, who.get(row["run"], ()), decisions, len(mine) - len(counting), mine)

    yield from readable(read, rows)


def instruments_of(names: Sequence[str], connection: Connection) -> dict[str, list[BenchInstrument]]:
    """Return who stood on the bench in each of these runs, in order."""
    found: dict[str, list[BenchInstrument]] = defaultdict(list)
    for some in _portions(names):
        who = select(instruments).where(instruments.c.run.in_(some))
        for one in connection.execute(who.order_by(instruments.c.run, instruments.c.number)).mappings():
            found[one["run"]].append(store_rows.instrument_read(dict(one)))
    return dict(found)


def results_found(query: Select[Any], connection: Connection, *, points: bool = True) -> list[StoredResult]:
    """Return the results that a `RESULT_QUERY` asks for; without ``points`` (quicker) those stay empty."""
    rows = connection.execute(query).all()
    read = _points_of([row[0] for row in rows], connection) if points else {}
    return list(store_rows.results_read(_RESULT_NAMES, rows, read))


def _points_of(ids: Sequence[int], connection: Connection) -> dict[int, tuple[Point, ...]]:
    """Return the readings of each of these results."""
    found: dict[int, list[Point]] = defaultdict(list)
    wanted = [readings.c.result, *(readings.c[name] for name in store_rows.POINT_NAMES)]
    for some in _portions(ids):
        asked = select(*wanted).where(readings.c.result.in_(some))
        rows = connection.execute(asked.order_by(readings.c.result, readings.c.number)).all()
        for one, level_db, reading, state, reading_s, at_s, frequency_hz in rows:
            found[one].append(
                Point(
                    level_db=math.nan if level_db is None else level_db,  # SQLite keeps no NaN
                    reading=reading,
                    state=state,
                    reading_s=reading_s,
                    at_s=at_s,
                    frequency_hz=frequency_hz,
                )
            )
    return {one: tuple(points) for one, points in found.items()}


def _portions(names: Sequence[Any]) -> Iterator[Sequence[Any]]:
    for start in range(0, len(names), AT_ONCE):
        yield names[start : start + AT_ONCE]
