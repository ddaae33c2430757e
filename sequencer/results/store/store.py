"""The store: what runs wrote (`StoreWriter`), and what is asked of it, through SQLAlchemy Core in SQLite or PostgreSQL."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, closing, contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import ColumnElement, Connection, Select, case, func, or_, select, text
from sqlalchemy.sql.functions import count
from sqlalchemy.sql.functions import sum as total

from sequencer.results.bench_now import BenchNow
from sequencer.results.line import BatchRecord, CheckSeconds
from sequencer.results.model import NOT_ENDED, BenchInstrument, Confirmation, RunInput
from sequencer.results.store import rows as store_rows
from sequencer.results.store.bench_now import read_benches
from sequencer.results.store.file import open_file
from sequencer.results.store.place import OpenedFile, StorePlace
from sequencer.results.store.problems import EmptyStore, StoreProblem
from sequencer.results.store.query import (
    AT_ONCE,
    IN_FILE_ORDER,
    RESULT_QUERY,
    RUN_COLUMNS,
    Wanted,
    instruments_of,
    older_than,
    result_conditions,
    results_found,
    run_conditions,
    runs_found,
    whole_runs,
)
from sequencer.results.store.schema import SCHEMA_VERSION
from sequencer.results.store.server_line import READ_S
from sequencer.results.store.set_aside import readable
from sequencer.results.store.tables import (
    batches,
    cleared,
    exchanges,
    files,
    results,
    run_files,
    runs,
    seconds,
    units,
)
from sequencer.results.store.transaction import Writing, make_batch_simulated, write_batch, write_unit
from sequencer.results.store.upgrade import prepare, schema_of
from sequencer.results.store.writer import StoreWriter
from sequencer.results.stored import ClearedTrace, StoredExchange, StoredResult, StoredRun, StoredUnit

if TYPE_CHECKING:  # pydantic, which reading a kept run needs, is slow to import
    from sequencer.results.store.import_kept import Imported
    from sequencer.results.store.spill import KeptRun

__all__ = ["SCHEMA_VERSION", "BenchInstrument", "Store", "StoreProblem", "Wanted"]


class Store(StoreWriter):
    """Results of all runs. Use as a context manager; every method raises `StoreProblem`."""

    _answer_s = READ_S

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
        store = cls(place, read_only=not writable)
        with ExitStack() as undo:
            undo.callback(store.close)
            with store._doing("open"), store._engine.connect() as connection:
                found = schema_of(connection, store._where)
            if found == 0:
                raise EmptyStore(
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

    @classmethod
    def open_to_watch(cls, place: StorePlace) -> Self:
        """Open the store at ``place``, which must be there and have this schema, so that nothing can be written and others may write."""
        if place.path is not None and not place.path.is_file():
            raise StoreProblem(
                str(place), "there is no store here", "Name a folder that runs were written to."
            )
        store = cls(place, watching=True)
        with ExitStack() as undo:
            undo.callback(store.close)
            with store._doing("open"), store._engine.connect() as connection:
                found = schema_of(connection, store._where)
            if found == 0:
                raise EmptyStore(
                    store._where, "the store is empty", "Name a folder or a store that runs were written to."
                )
            if found < SCHEMA_VERSION:
                raise StoreProblem(
                    store._where,
                    f"the store has schema {found}, this sequencer reads {SCHEMA_VERSION}, and the page changes nothing",
                    "Call 'sequencer results' on it once, which brings it to that.",
                )
            store._file = OpenedFile.of(place)
            undo.pop_all()
        return store

    def import_kept(self, kept: KeptRun) -> Imported:
        """Add what the store lacks of a run that was kept beside it, all or nothing; raises also `NotTheSame`."""
        from sequencer.results.store.import_kept import import_kept

        row = store_rows.run_row(replace(kept, outcome=NOT_ENDED, bench_safe=None, bench_s=None))
        with self._doing("write to"), self._begin() as connection:
            transaction = Writing.within(connection)
            contents, places = store_rows.file_rows(kept.run, [one.as_input() for one in kept.inputs])
            write_unit(transaction, row)
            if (batch := kept.batch_opened) is not None:
                write_batch(transaction, store_rows.batch_row(batch))
            new = bool(transaction.many("run", [row], unless_there=True))
            transaction.many("input_file", contents, unless_there=True)
            transaction.many("run_file", places, unless_there=True)
            imported = import_kept(kept, connection, new=new)
            if kept.simulated:
                make_batch_simulated(transaction, kept.run)
            if self.fence is not None:
                self.fence.begun(transaction, kept.run)
                if kept.outcome != NOT_ENDED:
                    self.fence.ended(transaction, kept.run, outcome=kept.outcome, status=kept.status)
                self.fence.hold(transaction)
            return imported

    def read_runs(
        self,
        wanted: Wanted | None = None,
        *,
        serial: str | None = None,
        limit: int | None = 20,
        after: str = "",
    ) -> list[StoredRun]:
        """Return the newest runs first, at most ``limit``; of those that stand behind the run ``after`` in that order.

        ``decisions`` counts by decision those of a run's results that count; ``replaced`` says how many a repeat has replaced.
        """
        wanted = wanted or Wanted(serials=() if serial is None else (serial,))
        query = select(*RUN_COLUMNS).where(*run_conditions(wanted))
        if after:
            query = query.where(older_than(runs.c.run, after))
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
        return self._read_units(select(units.c.serial, units.c.model).order_by(units.c.serial))

    def find_units(self, beginning: str, *, limit: int) -> list[StoredUnit]:
        """Return units whose serials begin so, at most ``limit``: those measured last first, or by serial where a beginning is given."""
        query = select(units.c.serial, units.c.model).limit(limit)
        if beginning:
            alike = units.c.serial.startswith(beginning, autoescape=True)
            return self._read_units(query.where(alike).order_by(units.c.serial))
        return self._read_units(query.order_by(units.c.last_utc_s.desc(), units.c.serial))

    def _read_units(self, query: Select[Any]) -> list[StoredUnit]:
        with self._doing("read"), self._engine.connect() as connection:
            return [StoredUnit(**row) for row in connection.execute(query).mappings()]

    def read_batch(self, batch: str) -> BatchRecord | None:
        """Return one batch, or None if there is none of that name."""
        return next(iter(self.read_batches(batch)), None)

    def read_batches(self, *names: str) -> list[BatchRecord]:
        """Return the batches of these names, or all without any: the newest first."""
        query = select(*(column for column in batches.c if column.name != "utc_s"))
        if names:
            query = query.where(batches.c.batch.in_(names))
        query = query.order_by(batches.c.utc_s.desc(), batches.c.batch)
        with self._doing("read"), self._engine.connect() as connection:
            return list(readable(store_rows.batch_read, map(dict, connection.execute(query).mappings())))

    def read_batch_mark(self, batch: str) -> tuple[int, ...]:
        """Return numbers that change whenever a run of the batch, or a repeat of one, begins, ends, is carried on or leaves a result.

        No newest run tells that: another that began before it may end after it, or come in late from its journal.
        """
        of_batch = runs.c.batch == batch
        ended = case((runs.c.outcome == NOT_ENDED, 0), else_=1)
        how = func.coalesce(total(func.length(runs.c.outcome) + func.length(runs.c.resumed)), 0)
        status = func.coalesce(total(runs.c.status), 0)
        of_runs = select(count(), func.coalesce(total(ended), 0), how, status).where(of_batch)
        names = select(runs.c.run).where(of_batch)
        repeats = select(runs.c.run).where(runs.c.again.in_(names))
        left = select(count()).select_from(results)  # the index of runs has all that this asks for
        with self._doing("read"), self._engine.connect() as connection:
            found = connection.execute(of_runs).one()
            own = connection.execute(left.where(results.c.run.in_(names))).scalar_one()
            repeated = connection.execute(left.where(results.c.run.in_(repeats))).scalar_one()
        return (*(int(one) for one in found), int(own), int(repeated))

    def read_benches(self) -> list[BenchNow]:
        """Return what each bench does now, or did last: those first that are worked, by their last sign."""
        with self._doing("read"), self._engine.connect() as connection:
            return read_benches(connection)

    def read_seconds(self, batch: str) -> dict[tuple[str, int], CheckSeconds]:
        """Return where the time of each check of a batch's runs went, by run and number of the check; old runs have none."""
        query = select(seconds).join(runs, runs.c.run == seconds.c.run).where(runs.c.batch == batch)
        with self._doing("read"), self._engine.connect() as connection:
            return {
                (run, check_index): CheckSeconds(
                    bench_s=bench_s, settling_s=settling_s, resting_s=resting_s, person_s=person_s
                )
                for run, check_index, bench_s, settling_s, resting_s, person_s in connection.execute(query)
            }

    def read_results(self, run: str, *, points: bool = True) -> list[StoredResult]:
        """Return the results of one run in the order of its sequence file; without ``points`` (quicker) those stay empty."""
        query = RESULT_QUERY.where(results.c.run == run).order_by(*IN_FILE_ORDER)
        with self._doing("read"), self._engine.connect() as connection:
            return results_found(query, connection, points=points)

    def read_instruments(self, names: Sequence[str]) -> dict[str, list[BenchInstrument]]:
        """Return who stood on the bench in each of these runs, in order; a run without any is left out."""
        with self._doing("read"), self._engine.connect() as connection:
            return instruments_of(names, connection)

    def find_results(
        self, wanted: Wanted, *, limit: int | None = None, points: bool = True, after: int | None = None
    ) -> list[StoredResult]:
        """Return the results asked for, newest first, at most ``limit``; without ``points`` (quicker) those stay empty.

        ``after`` is the number of a result: only those that stand behind it in that order are returned.
        """
        query = RESULT_QUERY.where(*result_conditions(wanted))
        if after is not None:
            query = query.where(older_than(results.c.id, after))
        query = query.order_by(results.c.utc_s.desc(), results.c.id.desc()).limit(limit)
        with self._doing("read"), self._engine.connect() as connection:
            return results_found(query, connection, points=points)

    def iterate_runs(
        self, wanted: Wanted, *, points: bool = True, brief: bool = False
    ) -> Iterator[StoredRun]:
        """Yield the runs asked for, oldest first, each with its results; a few at a time in memory.

        ``brief`` (ten times as quick) leaves out instruments, budgets, settings, faults, confirmations, conditions and points.
        """
        query = select(*RUN_COLUMNS, runs.c.utc_s).where(*run_conditions(wanted))
        query = query.order_by(runs.c.utc_s, runs.c.run).limit(AT_ONCE)
        after: ColumnElement[bool] | None = None
        while True:
            with self._doing("read"), self._engine.connect() as connection:
                rows = connection.execute(query if after is None else query.where(after)).mappings().all()
                bare = [{name: cell for name, cell in row.items() if name != "utc_s"} for row in rows]
                found = list(whole_runs(bare, connection, points=points, brief=brief))
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
            return list(readable(store_rows.exchange_read, map(dict, connection.execute(query).mappings())))

    def read_cleared(self, run: str) -> ClearedTrace | None:
        """Return when a run's trace was cleared, and of how many messages; None where it was not."""
        query = select(cleared.c.time, cleared.c.messages).where(cleared.c.run == run)
        with self._doing("read"), self._engine.connect() as connection:
            row = connection.execute(query).one_or_none()
        return (
            None
            if row is None
            else ClearedTrace(time=datetime.fromisoformat(row.time), messages=row.messages)
        )

    def read_inputs(self, run: str) -> list[RunInput]:
        """Return the files that a run was made from, by place; none of a run of before they were kept."""
        query = (
            select(run_files.c.place, run_files.c.kind, files.c.content)
            .join(files, files.c.sha256 == run_files.c.sha256)
            .where(run_files.c.run == run)
            .order_by(run_files.c.place)
        )
        with self._doing("read"), self._engine.connect() as connection:
            return [
                RunInput(place=place, kind=kind, content=bytes(content))
                for place, kind, content in connection.execute(query)
            ]

    @contextmanager
    def begin_alone(self) -> Iterator[Connection]:
        """Begin a transaction in which nobody else writes; readers see nothing of it before its end. Raises the database's own errors."""
        with self._begin() as connection:
            if connection.dialect.name != "sqlite":
                connection.execute(
                    text("LOCK TABLE run, result, exchange, batch, unit IN SHARE ROW EXCLUSIVE MODE")
                )
            yield connection

    @contextmanager
    def begin_reading(self) -> Iterator[Connection]:
        """Begin a transaction that reads."""
        with self._doing("read"), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def begin_writing(self) -> Iterator[Connection]:
        """Begin a transaction that writes, beside others."""
        with self._doing("write to"), self._begin() as connection:
            yield connection

    def compact(self) -> None:
        """Write a store's file anew, without the room that what was taken out has left; who writes waits. Nothing in a server."""
        path = self.place.path
        self.look_whether_there()
        if path is not None:
            with self._doing("compact"), closing(open_file(path)) as connection:
                connection.execute("VACUUM")
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _begin(self) -> AbstractContextManager[Connection]:
        self.look_whether_there()
        self._writer.let_go()  # of a server's connections a run takes one
        return self._engine.execution_options(writes=True).begin()
