"""The store as a run writes it: every result, reading and exchanged byte, a check at a time, in SQLite or PostgreSQL.

A check's results, the readings they rest on and the bytes exchanged for them are written in one transaction when the check
ends. SQLite's write-ahead log with synchronous FULL, and PostgreSQL's synchronous commit, make that durable before the next check
begins. Several processes may write at once. A run that writes to a file that is there already does without SQLAlchemy.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import fields
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Self

from drivers.trace import Exchange
from sequencer.results.line import BY_RULE, BatchRecord, CheckSeconds
from sequencer.results.model import BenchInstrument, Result, RunInput, RunRecord
from sequencer.results.store import rows as store_rows
from sequencer.results.store.fence import Fence
from sequencer.results.store.file import open_file
from sequencer.results.store.insert import CheckRows
from sequencer.results.store.place import OpenedFile, StorePlace
from sequencer.results.store.problems import Doing, StoreProblem
from sequencer.results.store.schema import SCHEMA_VERSION, STAMP
from sequencer.results.store.server_line import WRITE_S
from sequencer.results.store.transaction import (
    Connections,
    FileConnections,
    ServerConnections,
    Writer,
    Writing,
    count_alike,
    make_batch_simulated,
    replace_own,
    replace_results,
    see_batch,
    see_runs,
    write_batch,
    write_unit,
)

if TYPE_CHECKING:
    from sqlalchemy import Engine


_WHO = tuple(one.name for one in fields(BenchInstrument))


class StoreWriter:
    """Where a run writes what it found. Use as a context manager; every method raises `StoreProblem`."""

    _answer_s: ClassVar[float] = WRITE_S

    def __init__(
        self,
        place: StorePlace,
        *,
        power_safe: bool = True,
        read_only: bool = False,
        fence: Fence | None = None,
        watching: bool = False,
    ) -> None:
        self.fence = fence
        self._watching = watching
        self._file: OpenedFile | None = None
        self._place = place
        self._where = str(place)
        self._power_safe = power_safe
        self._read_only = read_only
        self._writer = Writer(self._connections())

    @classmethod
    def open(cls, place: Path | StorePlace, *, power_safe: bool = True, fence: Fence | None = None) -> Self:
        """Open the store at ``place``, creating it and its tables if need be, and upgrading an older one.

        A write survives the end of this process in any case; ``power_safe`` (SQLite) also waits for the disk, so that it survives
        a power cut. A PostgreSQL server waits for its disk as it is set up to; as it is delivered, it does. ``fence`` lets a run write,
        or refuses it.
        """
        place = StorePlace(path=place) if isinstance(place, Path) else place
        store = cls(place, power_safe=power_safe, fence=fence)
        with ExitStack() as undo:
            undo.callback(store.close)
            with store._doing("open"):
                store._prepare()
            store._file = OpenedFile.of(place)
            undo.pop_all()
        return store

    @property
    def place(self) -> StorePlace:
        """The store's place."""
        return self._place

    @property
    def where(self) -> str:
        """The store's place as it may be shown."""
        return self._where

    @cached_property
    def _engine(self) -> Engine:
        """SQLAlchemy's engine: for a server, for tables that must be made first, and for what is asked of the store."""
        from sequencer.results.store.engine import make_engine

        return make_engine(
            self._place,
            power_safe=self._power_safe,
            read_only=self._read_only,
            watching=self._watching,
            answer_s=self._answer_s,
        )

    def close(self) -> None:
        """Let go of the store."""
        self._writer.let_go()
        if "_engine" in vars(self):
            self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def write_run(
        self,
        run: RunRecord,
        inputs: Sequence[RunInput] = (),
        *,
        batch: BatchRecord | None = None,
        seen: int | None = None,
        again: bool = False,
    ) -> None:
        """Write the row of a run that begins, its unit's and its batch's if they are new, and the files it is made from, each content once.

        ``seen`` is how many runs of the unit its batch had when this one was admitted. ``again``: a write is tried again whose first try
        may have succeeded.

        Raises StoreProblem, and writes nothing, where another has opened the batch otherwise, or closed it, or has begun a run of the unit
        in it, since the run was admitted.
        """
        row = store_rows.run_row(run)
        contents, places = store_rows.file_rows(run.run, inputs)
        with self._writing() as transaction:
            write_unit(transaction, row)
            if batch is not None:
                write_batch(transaction, opened := store_rows.batch_row(batch))
                see_batch(transaction, self._where, opened, is_late=again)
                if seen is not None and not again:
                    see_runs(transaction, self._where, row, seen)
            transaction.many("run", [row], unless_there=again)
            transaction.many("input_file", contents, unless_there=True)
            transaction.many("run_file", places, unless_there=again)
            if self.fence is not None:
                self.fence.begun(transaction, run.run)

    def write_instruments(self, run: str, found: Sequence[BenchInstrument]) -> None:
        """Write who answered on the bench of a run; a second time takes the place of the first."""
        with self._writing() as transaction:
            transaction.run("DELETE FROM instrument WHERE run = :run", run=run)
            transaction.many("instrument", store_rows.instrument_rows(run, found))

    def read_instruments_before(self, run: str, bench: str) -> tuple[str, list[BenchInstrument]]:
        """Return the newest other run on ``bench`` of which is known who stood there, and who; ("", []) where there is none."""
        newest = (
            "SELECT run.run FROM run WHERE run.bench = :bench AND run.run <> :run AND EXISTS "
            "(SELECT 1 FROM instrument WHERE instrument.run = run.run) ORDER BY run.utc_s DESC LIMIT 1"
        )
        who = f"SELECT {', '.join(_WHO)} FROM instrument WHERE run = :run ORDER BY number"
        self.look_whether_there()
        with self._doing("read"), self._writer.transaction(writes=False) as transaction:
            found = transaction.run(newest, bench=bench, run=run).fetchone()
            if found is None:
                return "", []
            rows = transaction.run(who, run=found[0]).fetchall()
        return found[0], [BenchInstrument(**dict(zip(_WHO, row, strict=True))) for row in rows]

    def write_check(
        self,
        run: str,
        check_index: int,
        found: Sequence[Result],
        said: Iterable[Exchange],
        *,
        seconds: CheckSeconds | None = None,
        known: int | None = None,
        repeats: str = "",
        anew: bool = False,
    ) -> None:
        """Write all that one check left, in one transaction; durable on return.

        ``repeats`` names the run that is repeated: what it and its earlier repeats found in the check of this number stays, and
        counts no more. Confirmations go on counting for what was found under them. ``anew``: so does what the run itself found before in
        this check, which a resumed run has measured again.

        ``known`` is given where a write is tried again: how many results and messages of the run are in, as far as the caller knows.
        If there are more, the first try had succeeded and only its answer was lost on the way; nothing is written then.
        """
        rows = CheckRows(run, check_index, found, said, seconds)
        with self._writing() as transaction:
            if known is not None and transaction.count_left(run) > known:
                return
            if repeats and found and found[0].check != "confirm":
                replace_results(transaction, repeats, check_index, check=found[0].check, by=found[0].run)
            if anew and found:
                replace_own(transaction, run, check_index)
            rows.insert(transaction)

    def write_simulated(self, run: str, bench: str) -> None:
        """Write that a run turned out to be on a simulated bench, and what that is called now; so is its batch, if it opened it."""
        said = store_rows.clean({"simulated": True, "bench": bench})
        with self._writing() as transaction:
            transaction.update_run(run, said)
            make_batch_simulated(transaction, run)

    def write_end(
        self, run: str, *, outcome: str, bench_safe: bool, bench_s: float, status: int | None = None
    ) -> None:
        """Write how a run ended."""
        how = {"outcome": outcome, "bench_safe": bench_safe, "bench_s": bench_s, "status": status}
        how = store_rows.clean(how)
        with self._writing() as transaction:
            transaction.update_run(run, how)
            if self.fence is not None:
                self.fence.ended(transaction, run, outcome=outcome, status=status)

    def write_batch(self, batch: BatchRecord) -> None:
        """Open a batch; one of that name that is there stays as it is."""
        with self._writing() as transaction:
            write_batch(transaction, store_rows.batch_row(batch))

    def write_batch_state(
        self,
        batch: str,
        *,
        closed: datetime | None,
        closed_by: str = "",
        stopped: str,
        went_on: datetime | None = None,
        by_word: bool = False,
        was: BatchRecord | None = None,
    ) -> bool:
        """Write that a batch is closed, and by what, or open again (None), with the reasons; returns whether it was written.

        ``went_on`` is when it was opened again; None leaves what was written of it before. ``by_word``: a person opens it, so that no bench
        need be found in order since a rule stopped it. ``was`` is the batch as it was read: where
        somebody else has closed or opened it since, nothing is written.
        """
        said = {"closed": store_rows.time_or_empty(closed), "closed_by": closed_by, "stopped": stopped}
        said |= {} if went_on is None else {"went_on": store_rows.time_or_empty(went_on)}
        if closed_by == BY_RULE or by_word:
            said["stopped_at"] = said["closed"]
        only, before = "", {}
        if was is not None:
            only = " AND closed = :was_closed AND went_on = :was_on"
            before = {
                "was_closed": store_rows.time_or_empty(was.closed),
                "was_on": store_rows.time_or_empty(was.went_on),
            }
        with self._writing() as transaction:
            done = transaction.run(
                f"UPDATE batch SET {', '.join(f'{name} = :{name}' for name in said)} WHERE batch = :batch{only}",
                **store_rows.clean({**said, **before, "batch": batch}),
            )
            return bool(done.rowcount)

    def count_kept(self, run: str, found: Iterable[tuple[int, Result]]) -> int:
        """Return how many of ``found`` (number of the check, result; in order) the store gives back, from the first on."""
        wanted = [
            store_rows.same_result(index, one.quantity, one.channel, one.value, one.stage)
            for index, one in found
        ]
        self.look_whether_there()
        with self._doing("read"), self._writer.transaction(writes=False) as transaction:
            return count_alike(transaction, run, wanted, others=True)

    def count_rows(self, run: str) -> int:
        """Return how many results and messages of a run the store was given."""
        with self._doing("read"), self._writer.transaction(writes=False) as transaction:
            return transaction.count_left(run)

    @contextmanager
    def _writing(self) -> Iterator[Writing]:
        """Begin a transaction that writes."""
        self.look_whether_there()
        with self._doing("write to"), self._writer.transaction() as transaction:
            yield transaction
            if self.fence is not None:
                self.fence.hold(transaction)

    def _connections(self) -> Connections:
        path = self._place.path
        if path is None:
            return ServerConnections(self._engine)
        return FileConnections(
            lambda: open_file(
                path, power_safe=self._power_safe, read_only=self._read_only, watching=self._watching
            )
        )

    def _prepare(self) -> None:
        """See that the store has this schema: in a file that has it, there is nothing to make and nothing to upgrade."""
        if self._place.path is not None and self._place.path.is_file() and self._has_this_schema():
            return
        from sequencer.results.store.upgrade import prepare

        prepare(self._engine, self._where)

    def _has_this_schema(self) -> bool:
        try:
            with self._writer.transaction(writes=False) as transaction:
                versions = transaction.run(f"SELECT version_num FROM {STAMP}").fetchall()
        except sqlite3.OperationalError:  # there is no such table, or it is another's
            return False
        return bool(versions == [(str(SCHEMA_VERSION),)])

    def look_whether_there(self) -> None:
        """See that the file is still the one that was opened: SQLite goes on writing to one that was moved or removed."""
        if self._file is not None and not self._file.is_in_place():
            raise StoreProblem(
                self._where,
                "the store was moved or removed since it was opened",
                "Put it back, or give what is kept beside the results table to 'sequencer import-kept'.",
            )

    def _doing(self, verb: str) -> Doing:
        return Doing(self._where, verb)
