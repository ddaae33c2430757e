"""The store: every run, result, reading and exchanged byte, in SQLite through SQLAlchemy Core.

A check's results, the readings they rest on and the bytes exchanged for them are written in one transaction when the check
ends; WAL and synchronous FULL make that durable before the next check begins.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Self
from urllib.parse import quote

from sqlalchemy import (
    URL,
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
    RowMapping,
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
from sqlalchemy.exc import OperationalError, SQLAlchemyError
from sqlalchemy.sql.functions import count

from drivers.trace import Exchange
from sequencer.complaint import Complaint, FileProblems, printable
from sequencer.results import COLUMNS, Result, row_of

SCHEMA_VERSION = 1
"""Kept in SQLite's user_version; a store with a higher one was written by a newer sequencer and is refused."""

LOCKED_S = 5.0
"""How long a write waits for another program that holds the file."""

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
    """The store at ``where`` cannot be opened, read or written; the text says why and what to do."""

    def __init__(self, where: str, what: str, next_move: str) -> None:
        self.where = where
        self.what = what
        self.next_move = next_move
        super().__init__(f"{where}: {what}. {next_move}")

    def as_file_problem(self) -> FileProblems:
        """Return it as a complaint about the file, for whoever named its folder."""
        return FileProblems(
            [Complaint(file=self.where, line=0, column=0, message=self.what, hint=self.next_move)]
        )


class Store:
    """Results of all runs. Use as a context manager; every method raises `StoreProblem`."""

    def __init__(self, engine: Engine, where: str) -> None:
        self._engine = engine
        self._where = where

    @classmethod
    def open(cls, path: Path, *, power_safe: bool = True) -> Self:
        """Open the SQLite file at ``path``, creating it and its tables if need be.

        A write survives the end of this process in any case; ``power_safe`` also waits for the disk, so that it survives a
        power cut.
        """
        engine = create_engine(URL.create("sqlite", database=str(path)), connect_args={"timeout": LOCKED_S})
        event.listen(engine, "connect", _pragmas("FULL" if power_safe else "NORMAL"))
        store = cls(engine, str(path))
        with store._doing("open"), engine.begin() as connection:
            if store._is_new(connection):
                metadata.create_all(connection)
                connection.execute(text(f"PRAGMA user_version = {SCHEMA_VERSION}"))
        return store

    @classmethod
    def open_to_read(cls, path: Path) -> Self:
        """Open the SQLite file at ``path``, which must be there; in a folder that cannot be written, as it stands."""
        if not path.is_file():
            raise StoreProblem(
                str(path), "there is no store here", "Name a folder that runs were written to."
            )
        if os.access(path.parent, os.W_OK) and os.access(path, os.W_OK):
            return cls.open(path)
        # SQLite keeps its write-ahead log's index beside the file, unless it is told that nobody writes
        where = f"file:{quote(str(path.absolute()))}"
        query = {"mode": "ro", "immutable": "1", "uri": "true"}
        engine = create_engine(URL.create("sqlite", database=where, query=query))
        store = cls(engine, str(path))
        with store._doing("open"), engine.connect() as connection:
            if store._is_new(connection):
                raise StoreProblem(
                    str(path), "the store is empty", "Name a folder that runs were written to."
                )
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
        """Return the newest runs first, at most ``limit``; ``decisions`` counts a run's results by decision."""
        query = select(runs).order_by(runs.c.time.desc(), runs.c.run.desc()).limit(limit)
        if serial is not None:
            query = query.where(runs.c.serial == serial)
        with self._doing("read"), self._engine.connect() as connection:
            return [_run(row, connection) for row in connection.execute(query).mappings().all()]

    def read_run(self, run: str) -> dict[str, Any] | None:
        """Return one run as `read_runs` does, or None if there is none of that name."""
        with self._doing("read"), self._engine.connect() as connection:
            found = connection.execute(select(runs).where(runs.c.run == run)).mappings().first()
            return _run(found, connection) if found is not None else None

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

    def _is_new(self, connection: Connection) -> bool:
        """Say whether nothing has been written to the file yet; refuse one that is not ours or newer than we are."""
        version = connection.execute(text("PRAGMA user_version")).scalar_one()
        if version > SCHEMA_VERSION:
            raise StoreProblem(
                self._where,
                f"the store has schema {version} and this sequencer knows up to {SCHEMA_VERSION}",
                "Use the newer sequencer, or name another results folder.",
            )
        tables = set(
            connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'table'")).scalars()
        )
        if (version or tables) and not tables >= set(metadata.tables):
            raise StoreProblem(
                self._where,
                "this is a database, and not one of this sequencer's stores",
                "Move it away, or name another results folder.",
            )
        return not tables

    def _doing(self, verb: str) -> _Doing:
        return _Doing(self._where, verb)


class _Doing:
    """Turns what the database says into a `StoreProblem` that names the store and the next move."""

    def __init__(self, where: str, verb: str) -> None:
        self._where = where
        self._verb = verb

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        # ValueError: a damaged row's text is no JSON any more
        if isinstance(error, (SQLAlchemyError, OSError, ValueError)):
            reason = printable(str(getattr(error, "orig", None) or error).splitlines()[0])
            raise StoreProblem(
                self._where, f"cannot {self._verb} the store: {_short(reason)}", _next_move(reason, error)
            ) from error


def _short(text: str) -> str:
    return text if len(text) <= 160 else text[:160] + "…"


def _next_move(reason: str, error: BaseException) -> str:
    """Return what a person can do about what SQLite says."""
    if "locked" in reason or "busy" in reason:
        return f"Another program has held it for {LOCKED_S:g} s: close that, or wait for it."
    if "UNIQUE" in reason:
        return "A run of that name is in the store already: start the run again, it gets a new name."
    if "full" in reason or "I/O" in reason or "too big" in reason:
        return "Make room on the disk; the results tables (CSV) beside it are not affected."
    if isinstance(error, OperationalError) and ("readonly" in reason or "unable to open" in reason):
        return "Check the permissions of the file and its folder, or name another folder with --results."
    return "It is damaged or not a store: move it away; the results tables (CSV) beside it hold the same results."


def _run(row: RowMapping, connection: Connection) -> dict[str, Any]:
    counted = (
        select(results.c.decision, count().label("number"))
        .where(results.c.run == row["run"])
        .group_by(results.c.decision)
    )
    decisions = {str(one.decision): int(one.number) for one in connection.execute(counted)}
    return {**row, "instruments": json.loads(row["instruments"]), "decisions": decisions}


def _pragmas(synchronous: str) -> Callable[[Any, object], None]:
    def set_pragmas(connection: Any, _record: object) -> None:
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode = WAL")
        cursor.execute(f"PRAGMA synchronous = {synchronous}")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()

    return set_pragmas


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
