"""The store: every run, result, reading and exchanged byte, in SQLite through SQLAlchemy Core.

A check's results, the readings they rest on and the bytes exchanged for them are written in one transaction when the check
ends; WAL and synchronous FULL make that durable before the next check begins.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Self

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Engine,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    create_engine,
    event,
    insert,
    select,
    text,
    update,
)
from sqlalchemy.exc import SQLAlchemyError

from drivers.trace import Exchange
from sequencer.results import COLUMNS, Result, row_of

SCHEMA_VERSION = 1
"""Kept in SQLite's user_version; a store with a higher one was written by a newer sequencer and is refused."""

metadata = MetaData()

runs = Table(
    "run",
    metadata,
    Column("run", String, primary_key=True),
    Column("time", String, nullable=False),
    Column("serial", String, nullable=False),
    Column("model", String, nullable=False),
    Column("sequence", String, nullable=False),
    Column("sequence_hash", String, nullable=False),
    Column("bench", String, nullable=False),
    Column("bench_hash", String, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("instruments", Text, nullable=False),
    Column("outcome", String, nullable=False),
    Column("bench_safe", Boolean),
    Column("bench_s", Float),
)

results = Table(
    "result",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run", String, ForeignKey("run.run"), nullable=False),
    Column("check_index", Integer, nullable=False),
    *(
        Column(
            name,
            {"value": Float, "uncertainty": Float, "lower_limit": Float, "upper_limit": Float}.get(
                name, String
            ),
        )
        if name not in ("channel", "frequency_hz", "simulated")
        else Column(name, {"channel": Integer, "frequency_hz": Float, "simulated": Boolean}[name])
        for name in COLUMNS
        if name != "run"
    ),
    Column("points", Text, nullable=False),
    Column("budget", Text, nullable=False),
    Index("result_by_unit", "serial", "time"),
    Index("result_by_run", "run"),
)

exchanges = Table(
    "exchange",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run", String, ForeignKey("run.run"), nullable=False),
    Column("check_index", Integer, nullable=False),
    Column("time_s", Float, nullable=False),
    Column("instrument", String, nullable=False),
    Column("direction", String, nullable=False),
    Column("content", LargeBinary, nullable=False),
    Column("fault", Text, nullable=False),
    Index("exchange_by_check", "run", "check_index"),
)


class StoreProblem(Exception):
    """The store cannot be opened, read or written; the text says why and what to do."""


class Store:
    """Results of all runs. Use as a context manager; every method raises `StoreProblem`."""

    def __init__(self, engine: Engine, where: str) -> None:
        self._engine = engine
        self._where = where

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open the SQLite file at ``path``, creating it and its tables if need be."""
        engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": 30.0})
        event.listen(engine, "connect", _set_pragmas)
        store = cls(engine, str(path))
        with store._doing("open"), engine.begin() as connection:
            store._refuse_newer(connection)
            metadata.create_all(connection)
            connection.execute(text(f"PRAGMA user_version = {SCHEMA_VERSION}"))
        return store

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def write_run(self, run: Mapping[str, Any]) -> None:
        """Write the row of a run that begins."""
        with self._doing("write to"), self._engine.begin() as connection:
            connection.execute(insert(runs).values(**run))

    def write_instruments(self, run: str, instruments: str) -> None:
        """Write who answered on the bench of a run: a JSON object, instrument to identity."""
        named = update(runs).where(runs.c.run == run)
        with self._doing("write to"), self._engine.begin() as connection:
            connection.execute(named.values(instruments=instruments))

    def write_check(
        self, run: str, check_index: int, found: Sequence[Result], said: Iterable[Exchange]
    ) -> None:
        """Write all that one check left, in one transaction; durable on return."""
        rows = [_stored(result, check_index) for result in found]
        lines = [_exchange(run, check_index, exchange) for exchange in said]
        with self._doing("write to"), self._engine.begin() as connection:
            if rows:
                connection.execute(insert(results), rows)
            if lines:
                connection.execute(insert(exchanges), lines)

    def write_end(self, run: str, *, outcome: str, bench_safe: bool, bench_s: float) -> None:
        """Write how a run ended."""
        ended = update(runs).where(runs.c.run == run)
        with self._doing("write to"), self._engine.begin() as connection:
            connection.execute(ended.values(outcome=outcome, bench_safe=bench_safe, bench_s=bench_s))

    def read_runs(self, *, serial: str | None = None, limit: int = 20) -> list[dict[str, Any]]:
        """Return the newest runs first, at most ``limit``."""
        query = select(runs).order_by(runs.c.time.desc(), runs.c.run.desc()).limit(limit)
        if serial is not None:
            query = query.where(runs.c.serial == serial)
        with self._doing("read"), self._engine.connect() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def read_run(self, run: str) -> dict[str, Any] | None:
        """Return one run, or None if there is none of that name."""
        with self._doing("read"), self._engine.connect() as connection:
            found = connection.execute(select(runs).where(runs.c.run == run)).mappings().first()
        return dict(found) if found is not None else None

    def read_results(self, run: str) -> list[dict[str, Any]]:
        """Return the results of one run in the order they were measured."""
        query = select(results).where(results.c.run == run).order_by(results.c.id)
        with self._doing("read"), self._engine.connect() as connection:
            found = [dict(row) for row in connection.execute(query).mappings()]
        for row in found:
            row["points"] = json.loads(row["points"])
            row["budget"] = json.loads(row["budget"])
        return found

    def read_exchanges(self, run: str, check_index: int | None = None) -> list[dict[str, Any]]:
        """Return every message and answer of a run, or of one of its checks, in order."""
        query = select(exchanges).where(exchanges.c.run == run).order_by(exchanges.c.id)
        if check_index is not None:
            query = query.where(exchanges.c.check_index == check_index)
        with self._doing("read"), self._engine.connect() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def _refuse_newer(self, connection: Connection) -> None:
        version = connection.execute(text("PRAGMA user_version")).scalar_one()
        if version > SCHEMA_VERSION:
            raise StoreProblem(
                f"{self._where}: the store has schema {version} and this sequencer knows up to {SCHEMA_VERSION}. "
                "Use the newer sequencer, or another results folder."
            )

    def _doing(self, verb: str) -> _Doing:
        return _Doing(f"cannot {verb} the store {self._where}")


class _Doing:
    """Turns what the database says into a `StoreProblem` that names the store and the next move."""

    def __init__(self, what: str) -> None:
        self._what = what

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, (SQLAlchemyError, OSError)):
            reason = str(getattr(error, "orig", None) or error).splitlines()[0]
            raise StoreProblem(
                f"{self._what}: {reason}. Check the folder's permissions and free space, or name another with --results."
            ) from error


def _set_pragmas(connection: Any, _record: object) -> None:
    cursor = connection.cursor()
    cursor.execute("PRAGMA journal_mode = WAL")
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _stored(result: Result, check_index: int) -> dict[str, Any]:
    points = [
        {
            "level_db": point.level_db,
            "reading": point.reading,
            "state": point.state,
            "reading_s": point.reading_s,
            "at_s": point.at_s,
        }
        for point in result.points
    ]
    return {
        **row_of(result),
        "check_index": check_index,
        "points": json.dumps(points),
        "budget": json.dumps(result.budget),
    }


def _exchange(run: str, check_index: int, exchange: Exchange) -> dict[str, Any]:
    return {
        "run": run,
        "check_index": check_index,
        "time_s": exchange.time_s,
        "instrument": exchange.instrument,
        "direction": exchange.direction.value,
        "content": exchange.content,
        "fault": exchange.fault,
    }
