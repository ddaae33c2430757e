"""What benches do now, in the store: written beside a run, by a connection of its own that waits for nobody.

A run loses nothing by it: what cannot be written is left out, and the next word holds all that this one did. A file that is not there is
not made, for a store that was moved away must not come back empty.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from sequencer.results.bench_now import SILENT_S, BenchNow, Doing, Worked
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import Doing as InStore
from sequencer.results.store.problems import UnreadableRow
from sequencer.results.store.rows import clean
from sequencer.results.store.server_line import WRITE_S
from sequencer.results.store.set_aside import is_setting_aside, set_aside
from sequencer.results.store.transaction import (
    Connections,
    FileConnections,
    ServerConnections,
    Writer,
    Writing,
)

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

PATIENCE_S = 0.5
"""How long a word waits for somebody else who writes to the store."""
_FORGOTTEN_S = 90 * 86_400.0
"""After so long the last word of a bench is taken out by whoever begins at any other; not before a later run has read it back safe, where
it was left not safe, or fell silent.
"""
# A quotation mark within a text stands behind a backslash in JSON: these are found nowhere else
_SAFE, _UNSAFE = '%"safe": true%', '%"safe": false%'
_WROTE = "wrote_utc_s"
"""When it was written by the writer's own clock, beside the server's time of the row."""
_SERVER_NOW = "extract(epoch from clock_timestamp())"


class BenchNowWriter:
    """Writes what one bench does. Every method raises `StoreProblem`."""

    def __init__(self, place: StorePlace) -> None:
        self._where = str(place)
        self._place = place
        self._engine: Engine | None = None
        self._writer = Writer(self._connections())
        self._was_safe = False

    def begin(self, worked: Worked, doing: Doing, *, ended: bool = False) -> None:
        """Write the first word, as `write` does, and take out sessions at the same bench that are over.

        One that left the bench not confirmed safe, or fell silent, stays until a later one reads the bench back safe.
        """
        with self._writing() as transaction:
            now = _now(transaction)
            transaction.run(
                f"DELETE FROM bench_now WHERE (bench = :bench AND machine = :machine AND station = :station AND "
                f"((ended <> 0 AND says NOT LIKE :unsafe) OR (beat_utc_s < {now} - :silent_s AND says LIKE :safe))) "
                f"OR (beat_utc_s < {now} - :forgotten_s AND (says LIKE :safe OR (ended <> 0 AND says NOT LIKE :unsafe)))",
                **clean({"bench": worked.bench, "machine": worked.machine, "station": worked.station}),
                safe=_SAFE,
                unsafe=_UNSAFE,
                silent_s=SILENT_S,
                forgotten_s=_FORGOTTEN_S,
            )
            self._write(transaction, worked, doing, ended=ended)

    def write(self, worked: Worked, doing: Doing, *, ended: bool = False) -> None:
        """Write what is done now, in place of what was; ``ended``: it is the session's last word."""
        with self._writing() as transaction:
            self._write(transaction, worked, doing, ended=ended)

    def close(self) -> None:
        """Let go of the store."""
        with suppress(Exception):
            self._writer.let_go()
        if self._engine is not None:
            self._engine.dispose()

    def _write(self, transaction: Writing, worked: Worked, doing: Doing, *, ended: bool) -> None:
        _write(transaction, worked, doing, ended=ended)
        if doing.safe is True and not self._was_safe:
            now = _now(transaction)
            transaction.run(
                "DELETE FROM bench_now WHERE id <> :id AND bench = :bench AND machine = :machine AND says NOT LIKE :safe "
                f"AND (ended <> 0 OR beat_utc_s < {now} - :silent_s)",
                **clean({"id": worked.id, "bench": worked.bench, "machine": worked.machine}),
                safe=_SAFE,
                silent_s=SILENT_S,
            )
        self._was_safe = doing.safe is True

    @contextmanager
    def _writing(self) -> Iterator[Writing]:
        with InStore(self._where, "write to"), self._writer.transaction() as transaction:
            yield transaction

    def _connections(self) -> Connections:
        path = self._place.path
        if path is None:
            from sequencer.results.store.engine import make_engine

            self._engine = make_engine(self._place, answer_s=WRITE_S)
            return ServerConnections(self._engine)
        address = f"file:{quote(str(path.absolute()))}?mode=rw"
        return FileConnections(lambda: _open(address))


def _write(transaction: Writing, worked: Worked, doing: Doing, *, ended: bool) -> None:
    row = {
        **asdict(worked),
        "ended": int(ended),
        "says": json.dumps({**doing.as_plain(), _WROTE: time.time()}, ensure_ascii=False),
    }
    names = ", ".join(row)
    changed = ", ".join(
        f"{name} = excluded.{name}" for name in ("bench", "simulated", "ended", "says", "beat_utc_s")
    )
    transaction.run(
        f"INSERT INTO bench_now ({names}, beat_utc_s) VALUES ({', '.join(f':{name}' for name in row)}, {_now(transaction)}) "
        f"ON CONFLICT (id) DO UPDATE SET {changed}",
        **clean(row),
    )


def _open(address: str) -> sqlite3.Connection:
    # No WAL asked for: the run's own connection has seen to it. A word may be lost with the power: nothing waits for the disk.
    connection = sqlite3.connect(
        address, uri=True, timeout=PATIENCE_S, isolation_level=None, check_same_thread=False
    )
    connection.execute("PRAGMA synchronous = NORMAL")
    return connection


def _now(transaction: Writing) -> str:
    """Return the moment as it stands in a statement: by the server's clock where several machines share one."""
    return _SERVER_NOW if transaction.is_server else repr(time.time())


def read_benches(connection: Connection) -> list[BenchNow]:
    """Return every bench that was worked, the one that last gave a sign first; a row that cannot be read is passed over.

    Within `rows_set_aside` it is told.
    """
    is_server = connection.dialect.name != "sqlite"
    now = (
        float(connection.exec_driver_sql(f"SELECT {_SERVER_NOW}").scalar_one()) if is_server else time.time()
    )
    rows = connection.exec_driver_sql(
        "SELECT id, bench, machine, process, station, simulated, ended, says, beat_utc_s FROM bench_now "
        "ORDER BY ended, beat_utc_s DESC, id"
    )
    found = []
    for *who, simulated, ended, says, beat_utc_s in rows:
        try:
            found.append(
                BenchNow(
                    worked=_worked(*who, simulated=bool(simulated)),
                    doing=Doing.from_plain(said := json.loads(says)),
                    apart_s=float(beat_utc_s) - float(said.get(_WROTE, beat_utc_s)) if is_server else 0.0,
                    is_by_server=is_server,
                    ended=bool(ended),
                    silent_s=now - float(beat_utc_s),
                    beat_utc_s=float(beat_utc_s),
                )
            )
        except (ValueError, TypeError, KeyError) as error:
            if is_setting_aside():
                session, bench, machine, *_ = who
                what = f"what bench {bench} on {machine} said of itself (session {session})"
                set_aside(UnreadableRow(f"{what} cannot be read: {error}"))
    return found


def _worked(*who: Any, simulated: bool) -> Worked:
    session, bench, machine, process, station = who
    return Worked(
        id=session, bench=bench, machine=machine, process=int(process), station=station, simulated=simulated
    )
