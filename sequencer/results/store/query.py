"""Asking the store: which runs and results are wanted, and their rows as a reader gets them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, Table, case, select
from sqlalchemy.sql.functions import count
from sqlalchemy.sql.functions import sum as total

from sequencer.results.store import rows as store_rows
from sequencer.results.store.tables import instruments, readings, results, runs

AT_ONCE = 500
"""How many names stand in one question; SQLite takes 32 766 (SQLite manual, limits)."""
RUN_COLUMNS = [column for column in runs.c if column.name != "utc_s"]
_RESULT_COLUMNS = [column for column in results.c if column.name != "utc_s"]
_RESULT_NAMES = [column.name for column in _RESULT_COLUMNS]
RESULT_QUERY = select(*_RESULT_COLUMNS)  # composed once: a third of a short question's time
_counts = case((results.c.replaced_by == "", 1), else_=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which results or runs are asked for; what is left empty does not choose.

    ``since`` and ``until`` (not included) carry an offset. ``check``, ``channel`` and ``decisions`` choose results only.
    """

    serials: Sequence[str] = ()
    sequence: str = ""
    since: datetime | None = None
    until: datetime | None = None
    check: str = ""
    channel: int | None = None
    decisions: Sequence[str] = ()


def run_conditions(wanted: Wanted, table: Table = runs) -> Iterator[ColumnElement[bool]]:
    """Yield what a run must meet; of the table of results, what their run must."""
    if wanted.serials:
        yield table.c.serial.in_(wanted.serials)
    if wanted.sequence:
        yield table.c.sequence == wanted.sequence
    if wanted.since is not None:
        yield table.c.utc_s >= wanted.since.timestamp()
    if wanted.until is not None:
        yield table.c.utc_s < wanted.until.timestamp()


def result_conditions(wanted: Wanted) -> Iterator[ColumnElement[bool]]:
    """Yield what a result must meet."""
    yield from run_conditions(wanted, results)
    if wanted.check:
        yield results.c.check == wanted.check
    if wanted.channel is not None:
        yield results.c.channel == wanted.channel
    if wanted.decisions:
        yield results.c.decision.in_(wanted.decisions)


def runs_found(query: Select[Any], connection: Connection, *, counted: bool = True) -> list[dict[str, Any]]:
    """Return runs with their instruments, how many of their results that count were decided how, and how many count no more."""
    found = {row["run"]: dict(row) for row in connection.execute(query).mappings()}
    who = instruments_of(list(found), connection)
    for name, run in found.items():
        run |= {"instruments": who.get(name, {}), "decisions": {}, "replaced": 0}
    for names in _portions(list(found)) if counted else ():
        decided = (
            select(results.c.run, results.c.decision, total(_counts), count())
            .where(results.c.run.in_(names))
            .group_by(results.c.run, results.c.decision)
        )
        for name, decision, counting, number in connection.execute(decided):
            found[name]["replaced"] += int(number - counting)
            if counting:
                found[name]["decisions"][decision] = int(counting)
    return list(found.values())


def instruments_of(names: Sequence[str], connection: Connection) -> dict[str, dict[str, dict[str, str]]]:
    """Return who stood on the bench in each of these runs: run, name on the bench, identity and calibration."""
    found: dict[str, dict[str, dict[str, str]]] = {}
    for some in _portions(names):
        who = select(instruments).where(instruments.c.run.in_(some))
        for one in connection.execute(who.order_by(instruments.c.run, instruments.c.number)).mappings():
            found.setdefault(one["run"], {})[one["name"]] = store_rows.instrument_record({**one})
    return found


def results_of(names: list[str], connection: Connection, *, points: bool) -> dict[str, list[dict[str, Any]]]:
    """Return the results of several runs, by run."""
    found: dict[str, list[dict[str, Any]]] = {}
    for some in _portions(names):
        query = RESULT_QUERY.where(results.c.run.in_(some)).order_by(results.c.id)
        for row in results_found(query, connection, points=points):
            found.setdefault(row["run"], []).append(row)
    return found


def results_found(query: Select[Any], connection: Connection, *, points: bool = True) -> list[dict[str, Any]]:
    """Return the results that a `RESULT_QUERY` asks for; without ``points`` (quicker) those stay empty."""
    found = store_rows.as_read(_RESULT_NAMES, connection.execute(query))
    if points:
        by_id = {row["id"]: row["points"] for row in found}
        wanted = [readings.c.result, *(readings.c[name] for name in store_rows.POINT_NAMES)]
        for ids in _portions(list(by_id)):
            asked = select(*wanted).where(readings.c.result.in_(ids))
            for one, *point in connection.execute(asked.order_by(readings.c.result, readings.c.number)):
                by_id[one].append(dict(zip(store_rows.POINT_NAMES, point, strict=True)))
    return found


def _portions(names: Sequence[Any]) -> Iterator[Sequence[Any]]:
    for start in range(0, len(names), AT_ONCE):
        yield names[start : start + AT_ONCE]
