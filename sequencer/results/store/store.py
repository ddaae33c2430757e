"""The store: every run, result, reading and exchanged byte, through SQLAlchemy Core in SQLite or PostgreSQL.

A check's results, the readings they rest on and the bytes exchanged for them are written in one transaction when the check
ends. SQLite's write-ahead log with synchronous FULL, and PostgreSQL's synchronous commit, make that durable before the next check
begins. Several processes may write at once.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import ColumnElement, Connection, Engine, Table, case, delete, insert, or_, select, update
from sqlalchemy.sql.functions import count

from drivers.trace import Exchange
from sequencer.results.model import BenchInstrument, Confirmation, Result
from sequencer.results.store import rows as store_rows
from sequencer.results.store.insert import CheckRows, Writer, Writing
from sequencer.results.store.place import OpenedFile, StorePlace, make_engine
from sequencer.results.store.problems import Doing, StoreProblem
from sequencer.results.store.query import (
    AT_ONCE,
    RESULT_QUERY,
    RUN_COLUMNS,
    Wanted,
    count_alike,
    instruments_of,
    result_conditions,
    results_found,
    run_conditions,
    runs_found,
    whole_runs,
)
from sequencer.results.store.tables import (
    SCHEMA_VERSION,
    exchanges,
    instruments,
    results,
    runs,
    units,
)
from sequencer.results.store.upgrade import prepare, schema_of
from sequencer.results.stored import StoredExchange, StoredResult, StoredRun, StoredUnit

if TYPE_CHECKING:  # pydantic, which reading a kept run needs, is slow to import
    from sequencer.results.store.import_kept import Imported
    from sequencer.results.store.spill import KeptRun

__all__ = ["SCHEMA_VERSION", "BenchInstrument", "Store", "StoreProblem", "Wanted"]


class Store:
    """Results of all runs. Use as a context manager; every method raises `StoreProblem`."""

    def __init__(self, engine: Engine, where: str) -> None:
        self._file: OpenedFile | None = None
        self._engine = engine
        self._checks = Writer(engine)
        self._where = where

    @classmethod
    def open(cls, place: Path | StorePlace, *, power_safe: bool = True) -> Self:
        """Open the store at ``place``, creating it and its tables if need be, and upgrading an older one.

        A write survives the end of this process in any case; ``power_safe`` (SQLite) also waits for the disk, so that it survives
        a power cut. A PostgreSQL server waits for its disk as it is set up to; as it is delivered, it does.
        """
        place = StorePlace(path=place) if isinstance(place, Path) else place
        store = cls(make_engine(place, power_safe=power_safe), str(place))
        with ExitStack() as undo:
            undo.callback(store.close)
            with store._doing("open"):
                prepare(store._engine, store._where)
            store._file = OpenedFile.of(place)
            undo.pop_all()
        return store

    @classmethod
    def open_to_read(cls, place: Path | StorePlace) -> Self:
        """Open the store at ``place``, which must be there; a file in a folder that cannot be written, as it stands."""
        place = StorePlace(path=place) if isinstance(place, Path) else place
        path = place.path
        if path is not None and not path.is_file():
            raise StoreProblem(
                str(path), "there is no store here", "Name a folder that runs were written to."
            )
        writable = path is None or (os.access(path.parent, os.W_OK) and os.access(path, os.W_OK))
        store = cls(make_engine(place, read_only=not writable), str(place))
        with ExitStack() as undo:
            undo.callback(store.close)
            with store._doing("open"), store._engine.connect() as connection:
                found = schema_of(connection, store._where)
            if found == 0:
                raise StoreProblem(
                    store._where, "the store is empty", "Name a folder or a store that runs were written to."
                )
            if found < SCHEMA_VERSION and not writable:
                raise StoreProblem(
                    store._where,
                    f"the store has schema {found}, and to read it this sequencer must first bring it to {SCHEMA_VERSION}",
                    "Copy it to a folder that can be written, and name that.",
                )
            if found < SCHEMA_VERSION:
                with store._doing("upgrade"):
                    prepare(store._engine, store._where)
            undo.pop_all()
        return store

    @property
    def where(self) -> str:
        """The store's place as it may be shown."""
        return self._where

    def close(self) -> None:
        """Let go of the store."""
        self._checks.let_go()
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def write_run(self, run: Mapping[str, Any]) -> None:
        """Write the row of a run that begins, and its unit's if that is new."""
        row = store_rows.run_row(run)
        with self._doing("write to"), self._begin() as connection:
            connection.execute(_unit_upsert(connection, row))
            connection.execute(insert(runs), row)

    def write_instruments(self, run: str, found: Sequence[BenchInstrument]) -> None:
        """Write who answered on the bench of a run; a second time takes the place of the first."""
        with self._doing("write to"), self._begin() as connection:
            connection.execute(delete(instruments).where(instruments.c.run == run))
            if found:
                connection.execute(insert(instruments), store_rows.instrument_rows(run, found))

    def write_check(
        self,
        run: str,
        check_index: int,
        found: Sequence[Result],
        said: Iterable[Exchange],
        *,
        known: int | None = None,
        repeats: str = "",
    ) -> None:
        """Write all that one check left, in one transaction; durable on return.

        ``repeats`` names the run that is repeated: what it and its earlier repeats found in the check of this number stays, and
        counts no more. Confirmations go on counting for what was found under them.

        ``known`` is given where a write is tried again: how many results and messages of the run are in, as far as the caller knows.
        If there are more, the first try had succeeded and only its answer was lost on the way; nothing is written then.
        """
        rows = CheckRows(run, check_index, found, said)
        self._look_whether_there()
        if known is not None and self._count_rows(run) > known:
            return
        with self._doing("write to"), self._checks.transaction() as transaction:
            if repeats and found and found[0].check != "confirm":
                _replace(transaction, repeats, check_index, found[0])
            rows.insert(transaction)

    def write_simulated(self, run: str, bench: str) -> None:
        """Write that a run turned out to be on a simulated bench, and what that is called now."""
        said = store_rows.clean({"simulated": True, "bench": bench})
        with self._doing("write to"), self._begin() as connection:
            connection.execute(update(runs).where(runs.c.run == run).values(**said))

    def write_end(self, run: str, *, outcome: str, bench_safe: bool, bench_s: float) -> None:
        """Write how a run ended."""
        how = store_rows.clean({"outcome": outcome, "bench_safe": bench_safe, "bench_s": bench_s})
        with self._doing("write to"), self._begin() as connection:
            connection.execute(update(runs).where(runs.c.run == run).values(**how))

    def import_kept(self, kept: KeptRun) -> Imported:
        """Add what the store lacks of a run that was kept beside it, all or nothing; raises also `NotTheSame`."""
        from sequencer.results.store.import_kept import import_kept

        begins = {**kept.row(), "outcome": "not ended", "bench_safe": None, "bench_s": None}
        row = store_rows.run_row(begins)
        with self._doing("write to"), self._begin() as connection:
            connection.execute(_unit_upsert(connection, row))
            connection.execute(_insert_unless_there(connection, runs, row))
            return import_kept(kept, connection)

    def read_runs(
        self, wanted: Wanted | None = None, *, serial: str | None = None, limit: int | None = 20
    ) -> list[StoredRun]:
        """Return the newest runs first, at most ``limit``.

        ``decisions`` counts by decision those of a run's results that count; ``replaced`` says how many a repeat has replaced.
        """
        wanted = wanted or Wanted(serials=() if serial is None else (serial,))
        query = select(*RUN_COLUMNS).where(*run_conditions(wanted))
        query = query.order_by(runs.c.utc_s.desc(), runs.c.run.desc()).limit(limit)
        with self._doing("read"), self._engine.connect() as connection:
            return runs_found(query, connection)

    def read_run(self, run: str) -> StoredRun | None:
        """Return one run as `read_runs` does, or None if there is none of that name."""
        with self._doing("read"), self._engine.connect() as connection:
            found = runs_found(select(*RUN_COLUMNS).where(runs.c.run == run), connection)
        return found[0] if found else None

    def find_run_names(self, beginning: str, *, limit: int) -> list[str]:
        """Return the names of runs that begin so, the newest first, at most ``limit``."""
        alike = runs.c.run.startswith(beginning, autoescape=True)
        query = select(runs.c.run).where(alike).order_by(runs.c.utc_s.desc(), runs.c.run).limit(limit)
        with self._doing("read"), self._engine.connect() as connection:
            # SQLite compares letters without their case there
            return [name for name in connection.execute(query).scalars() if name.startswith(beginning)]

    def read_repeats(self, run: str) -> list[StoredRun]:
        """Return the runs that repeat checks of ``run``, oldest first, as `read_runs` does."""
        query = select(*RUN_COLUMNS).where(runs.c.again == run).order_by(runs.c.utc_s, runs.c.run)
        with self._doing("read"), self._engine.connect() as connection:
            return runs_found(query, connection)

    def read_units(self) -> list[StoredUnit]:
        """Return every unit with its model as last named, by serial."""
        query = select(units.c.serial, units.c.model).order_by(units.c.serial)
        with self._doing("read"), self._engine.connect() as connection:
            return [StoredUnit(**row) for row in connection.execute(query).mappings()]

    def read_results(self, run: str, *, points: bool = True) -> list[StoredResult]:
        """Return the results of one run in the order they were measured; without ``points`` (quicker) those stay empty."""
        query = RESULT_QUERY.where(results.c.run == run).order_by(results.c.id)
        with self._doing("read"), self._engine.connect() as connection:
            return results_found(query, connection, points=points)

    def count_kept(self, run: str, found: Iterable[tuple[int, Result]]) -> int:
        """Return how many of ``found`` (number of the check, result; in order) the store gives back, from the first on."""
        wanted = [store_rows.same_result(index, one.quantity, one.channel, one.value) for index, one in found]
        self._look_whether_there()
        self._checks.let_go()
        with self._doing("read"), self._engine.connect() as connection:
            return count_alike(connection, run, wanted)

    def read_instruments(self, names: Sequence[str]) -> dict[str, list[BenchInstrument]]:
        """Return who stood on the bench in each of these runs, in order; a run without any is left out."""
        with self._doing("read"), self._engine.connect() as connection:
            return instruments_of(names, connection)

    def find_results(
        self, wanted: Wanted, *, limit: int | None = None, points: bool = True
    ) -> list[StoredResult]:
        """Return the results asked for, newest first, at most ``limit``; without ``points`` (quicker) those stay empty."""
        query = RESULT_QUERY.where(*result_conditions(wanted))
        query = query.order_by(results.c.utc_s.desc(), results.c.id.desc()).limit(limit)
        with self._doing("read"), self._engine.connect() as connection:
            return results_found(query, connection, points=points)

    def iterate_runs(self, wanted: Wanted, *, points: bool = True) -> Iterator[StoredRun]:
        """Yield the runs asked for, oldest first, each with its results; a few at a time in memory."""
        query = select(*RUN_COLUMNS, runs.c.utc_s).where(*run_conditions(wanted))
        query = query.order_by(runs.c.utc_s, runs.c.run).limit(AT_ONCE)
        after: ColumnElement[bool] | None = None
        while True:
            with self._doing("read"), self._engine.connect() as connection:
                rows = connection.execute(query if after is None else query.where(after)).mappings().all()
                bare = [{name: cell for name, cell in row.items() if name != "utc_s"} for row in rows]
                found = list(whole_runs(bare, connection, points=points))
            if not rows:
                return
            last_s, last = rows[-1]["utc_s"], rows[-1]["run"]
            after = or_(runs.c.utc_s > last_s, (runs.c.utc_s == last_s) & (runs.c.run > last))
            yield from found

    def read_confirmations(self, run: str) -> list[Confirmation]:
        """Return what was confirmed in a run, or not, and how, in order: the last that each result of `confirm` carries."""
        query = RESULT_QUERY.where(results.c.run == run, results.c.check == "confirm").order_by(results.c.id)
        with self._doing("read"), self._engine.connect() as connection:
            found = results_found(query, connection, points=False)
        return [one for result in found for one in result.confirmations[-1:]]

    def read_exchanges(self, run: str, check_index: int | None = None) -> list[StoredExchange]:
        """Return every message and answer of a run, or of one of its checks, in order."""
        query = select(exchanges).where(exchanges.c.run == run).order_by(exchanges.c.id)
        if check_index is not None:
            query = query.where(exchanges.c.check_index == check_index)
        with self._doing("read"), self._engine.connect() as connection:
            return [store_rows.exchange_read(dict(row)) for row in connection.execute(query).mappings()]

    def _begin(self) -> AbstractContextManager[Connection]:
        self._look_whether_there()
        self._checks.let_go()  # of a server's connections a run takes one
        return self._engine.execution_options(writes=True).begin()

    def _count_rows(self, run: str) -> int:
        counted = [select(count()).select_from(one).where(one.c.run == run) for one in (results, exchanges)]
        with self._doing("write to"), self._engine.connect() as connection:
            return sum(connection.execute(one).scalar_one() for one in counted)

    def _look_whether_there(self) -> None:
        """See that the file is still the one that was opened: SQLite goes on writing to one that was moved or removed."""
        if self._file is not None and not self._file.is_in_place():
            raise StoreProblem(
                self._where,
                "the store was moved or removed since it was opened",
                "Put it back, or give what is kept beside the results table to 'sequencer import-kept'.",
            )

    def _doing(self, verb: str) -> Doing:
        return Doing(self._where, verb)


def _unit_upsert(connection: Connection, run: Mapping[str, Any]) -> Any:
    """Return the statement that makes the run's unit known; of two at once, both are satisfied."""
    made = _insert(connection, units).values(
        serial=run["serial"], model=run["model"], first_utc_s=run["utc_s"], last_utc_s=run["utc_s"]
    )
    new = made.excluded
    return made.on_conflict_do_update(
        index_elements=["serial"],
        set_={
            "model": case((new.model != "", new.model), else_=units.c.model),
            "first_utc_s": case(
                (new.first_utc_s < units.c.first_utc_s, new.first_utc_s), else_=units.c.first_utc_s
            ),
            "last_utc_s": case(
                (new.last_utc_s > units.c.last_utc_s, new.last_utc_s), else_=units.c.last_utc_s
            ),
        },
    )


def _insert_unless_there(connection: Connection, table: Table, row: Mapping[str, Any]) -> Any:
    return _insert(connection, table).values(**row).on_conflict_do_nothing()


def _insert(connection: Connection, table: Table) -> Any:
    """Return an insert in the words of the database; the other's are not imported."""
    if connection.dialect.name == "sqlite":
        from sqlalchemy.dialects import sqlite

        return sqlite.insert(table)
    from sqlalchemy.dialects import postgresql

    return postgresql.insert(table)


def _replace(transaction: Writing, repeated: str, check_index: int, by: Result) -> None:
    """Mark what the repeated run and its repeats found in this check as replaced by the run of ``by``."""
    # Whoever repeats the same run at the same moment waits here (SQLite: since the transaction began), so that one result counts.
    transaction.run(select(runs.c.run).where(runs.c.run == repeated).with_for_update())
    alike = select(runs.c.run).where(or_(runs.c.run == repeated, runs.c.again == repeated))
    transaction.run(
        update(results)
        .where(results.c.run.in_(alike), results.c.run != by.run)
        .where(results.c.check_index == check_index, results.c.check == by.check)
        .values(replaced_by=by.run)
    )
