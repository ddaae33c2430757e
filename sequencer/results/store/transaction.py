"""What a run writes, as SQL text on the driver's own cursor, in SQLite and in PostgreSQL alike.

Measured on SQLite: composing, caching, converting and wrapping each statement anew took longer than the durable write itself, and
importing SQLAlchemy for it a tenth of a simulated run. What is asked of a store (``query.py``) still goes through SQLAlchemy.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from typing import TYPE_CHECKING, Any, Protocol

from sequencer.problems import printable
from sequencer.results.model import Result
from sequencer.results.store import rows as store_rows
from sequencer.results.store.problems import StoreProblem

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine, PoolProxiedConnection

_NAMED = re.compile(r":(\w+)")


class Writing:
    """A transaction on the driver's own cursor. Values go to the driver as they are."""

    def __init__(self, cursor: Any, *, server: bool) -> None:
        self._cursor = cursor
        self.is_server = server

    @classmethod
    def within(cls, connection: Connection) -> Writing:
        """Return the same for a transaction that SQLAlchemy has begun."""
        bare: Any = connection.connection.dbapi_connection
        return cls(bare.cursor(), server=connection.dialect.name != "sqlite")

    def run(self, text: str, **values: Any) -> Any:
        """Execute a statement whose values stand in it by name (``:run``); return the cursor, which gives its rows."""
        self._cursor.execute(_percent_names(text) if self.is_server else text, values)
        return self._cursor

    def count(self, table: str, run: str) -> int:
        """Return how many rows of a run a table has."""
        return int(self.run(f"SELECT count(*) FROM {table} WHERE run = :run", run=run).fetchone()[0])

    def count_left(self, run: str) -> int:
        """Return how many results and messages a run has left here; messages that were cleared since are counted as well."""
        gone = self.run("SELECT sum(messages) FROM trace_cleared WHERE run = :run", run=run).fetchone()[0]
        return sum(self.count(one, run) for one in ("result", "exchange")) + int(gone or 0)

    def one(self, table: str, row: Mapping[str, Any]) -> int:
        """Insert a row into a table with numbered rows; return its number."""
        text = _insert_text(table, tuple(row), server=self.is_server)
        self._cursor.execute(f"{text} RETURNING id" if self.is_server else text, tuple(row.values()))
        return int(self._cursor.fetchone()[0] if self.is_server else self._cursor.lastrowid)

    def many(self, table: str, rows: Sequence[Mapping[str, Any]], *, unless_there: bool = False) -> int:
        """Insert rows that name the same columns in the same order; ``unless_there`` leaves out what is in. Return how many went in."""
        if not rows:
            return 0
        text = _insert_text(table, tuple(rows[0]), server=self.is_server)
        text = f"{text} ON CONFLICT DO NOTHING" if unless_there else text
        self._cursor.executemany(text, [tuple(row.values()) for row in rows])
        return int(self._cursor.rowcount)

    def update_run(self, run: str, said: Mapping[str, Any]) -> None:
        """Change what the row of a run says."""
        changed = ", ".join(f"{name} = :{name}" for name in said)
        self.run(f"UPDATE run SET {changed} WHERE run = :run", **said, run=run)

    def close(self) -> None:
        """Let go of the cursor."""
        self._cursor.close()


@cache
def _insert_text(table: str, names: tuple[str, ...], *, server: bool) -> str:
    marks = ", ".join(("%s" if server else "?",) * len(names))
    columns = ", ".join(f'"{name}"' for name in names)  # "check" is a word of SQL
    return f"INSERT INTO {table} ({columns}) VALUES ({marks})"


@cache
def _percent_names(text: str) -> str:
    return _NAMED.sub(r"%(\1)s", text)


class Connections(Protocol):
    """Where a writer's connections come from."""

    @property
    def server(self) -> bool:
        """Whether it is a server's, whose driver begins transactions by itself."""

    def take(self) -> Any:
        """Return a connection."""

    def bare(self, connection: Any) -> Any:
        """Return the driver's own."""

    def spoil(self, connection: Any) -> None:
        """Say that a connection is of no use any more."""


class FileConnections:
    """Connections to an SQLite file."""

    server = False

    def __init__(self, take: Callable[[], Any]) -> None:
        self.take = take

    def bare(self, connection: Any) -> Any:
        """Return the connection: it is the driver's own."""
        return connection

    def spoil(self, connection: Any) -> None:
        """Nothing: the writer closes it."""


class ServerConnections:
    """Connections to a server, from an engine's pool, which replaces those that have died."""

    server = True

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def take(self) -> PoolProxiedConnection:
        """Return a connection of the pool."""
        return self._engine.raw_connection()

    def bare(self, connection: PoolProxiedConnection) -> Any:
        """Return the driver's own."""
        return connection.dbapi_connection

    def spoil(self, connection: PoolProxiedConnection) -> None:
        """Let the pool make another instead."""
        connection.invalidate()


class Writer:
    """Transactions on connections that are kept from one to the next.

    Taking one from the engine's pool and giving it back took as long as all else around a durable write: just after waiting for the
    disk, code runs on cold caches.
    """

    def __init__(self, connections: Connections) -> None:
        self._connections = connections
        self._kept: list[Any] = []  # one for each thread that writes at the same moment

    @contextmanager
    def transaction(self, *, writes: bool = True) -> Iterator[Writing]:
        """Begin a transaction; at the end it is durable, or if anything was raised it has not been. Raises the driver's own errors."""
        try:
            connection = self._kept.pop()
        except IndexError:
            connection = self._connections.take()
        writing: Writing | None = None
        try:
            bare = self._connections.bare(connection)
            writing = Writing(bare.cursor(), server=self._connections.server)
            if not self._connections.server:
                # IMMEDIATE: who reads first and then writes would be refused at once if another has written in between
                writing.run("BEGIN IMMEDIATE" if writes else "BEGIN")
            yield writing
            writing.close()
            bare.commit()
        except BaseException:
            if (
                writing is not None
            ):  # an open cursor keeps SQLite from closing for as long as the exception is held
                with suppress(Exception):
                    writing.close()
            try:
                connection.rollback()
            except Exception:  # the server is gone: the next write asks for a new connection
                self._connections.spoil(connection)
                connection.close()
            else:
                self._kept.append(connection)
            raise
        self._kept.append(connection)

    def let_go(self) -> None:
        """Give the connections back, so that others use them and they can be closed."""
        while self._kept:
            self._kept.pop().close()


def write_unit(transaction: Writing, run: Mapping[str, Any]) -> None:
    """Make the run's unit known; of two at once, both are satisfied."""
    transaction.run(
        "INSERT INTO unit (serial, model, first_utc_s, last_utc_s) VALUES (:serial, :model, :utc_s, :utc_s) "
        "ON CONFLICT (serial) DO UPDATE SET "
        "model = CASE WHEN excluded.model <> '' THEN excluded.model ELSE unit.model END, "
        "first_utc_s = CASE WHEN excluded.first_utc_s < unit.first_utc_s THEN excluded.first_utc_s ELSE unit.first_utc_s END, "
        "last_utc_s = CASE WHEN excluded.last_utc_s > unit.last_utc_s THEN excluded.last_utc_s ELSE unit.last_utc_s END",
        serial=run["serial"],
        model=run["model"],
        utc_s=run["utc_s"],
    )


def write_batch(transaction: Writing, batch: Mapping[str, Any]) -> None:
    """Make a batch known; one of that name that is there stays as it is."""
    transaction.many("batch", [batch], unless_there=True)


def see_batch(transaction: Writing, where: str, batch: Mapping[str, Any], *, is_late: bool) -> None:
    """See that the batch which the store has is the one that a run was admitted to: another may have opened or closed it in that moment.

    Raises StoreProblem. ``is_late``: the run has begun long since, so that it counts also where the batch was closed meanwhile.
    """
    # of two runs that begin at once, one waits here until the other is in (SQLite: since the transaction began)
    alone = " FOR UPDATE" if transaction.is_server else ""
    found = transaction.run(
        f"SELECT sequence_hash, simulated, rules, closed FROM batch WHERE batch = :batch{alone}",
        batch=batch["batch"],
    ).fetchone()
    sequence_hash, simulated, rules, closed = found
    differs = [
        name
        for name, is_other in (
            ("another sequence", sequence_hash != batch["sequence_hash"]),
            ("another kind of bench", bool(simulated) != bool(batch["simulated"])),
            ("other rules", rules != batch["rules"]),
        )
        if is_other
    ]
    name = printable(batch["batch"])
    again = "Begin the run again: it is told what the batch takes."
    if differs:
        said = f"batch '{name}' was opened by another run in this moment, for {' and '.join(differs)}"
        raise StoreProblem(where, said, again)
    if closed and not is_late:
        raise StoreProblem(where, f"batch '{name}' was stopped or closed in this moment", again)


def see_runs(transaction: Writing, where: str, run: Mapping[str, Any], seen: int) -> None:
    """See that no run of the unit has begun in its batch since ``seen`` of them were counted, when this one was admitted.

    To be called behind `see_batch`, which holds the batch. Raises StoreProblem.
    """
    names = transaction.run(
        "SELECT run FROM run WHERE batch = :batch AND serial = :serial ORDER BY utc_s DESC, run DESC",
        batch=run["batch"],
        serial=run["serial"],
    ).fetchall()
    if len(names) <= seen:
        return
    serial, batch = printable(run["serial"]), printable(run["batch"])
    raise StoreProblem(
        where,
        f"unit '{serial}' is tested in batch '{batch}' by another run, which began in this moment: {printable(names[0][0])}",
        "See which bench the unit is on. Begin the run again once the other has ended: it is told what the batch's rules allow.",
    )


def make_batch_simulated(transaction: Writing, run: str) -> None:
    """Make the batch of ``run``, which turned out to be on a simulated bench, a simulated one, as long as no run on a real one is in it."""
    transaction.run(
        "UPDATE batch SET simulated = :yes WHERE batch = (SELECT batch FROM run WHERE run = :run) AND NOT EXISTS "
        "(SELECT 1 FROM run WHERE run.batch = batch.batch AND run.simulated = :no)",
        run=run,
        yes=True,
        no=False,
    )


def write_seconds(transaction: Writing, row: Mapping[str, Any]) -> None:
    """Write where the time of a check went; what a resumed run spends on it again is added."""
    sums = ", ".join(f"{name} = check_time.{name} + excluded.{name}" for name in row if name.endswith("_s"))
    names = ", ".join(row)
    values = ", ".join(f":{name}" for name in row)
    transaction.run(
        f"INSERT INTO check_time ({names}) VALUES ({values}) ON CONFLICT (run, check_index) DO UPDATE SET {sums}",
        **row,
    )


def replace_results(transaction: Writing, repeated: str, check_index: int, *, check: str, by: str) -> None:
    """Mark what the repeated run and its repeats found in this check as replaced by the run ``by``."""
    if transaction.is_server:
        # Whoever repeats the same run at the same moment waits here (SQLite: since the transaction began), so that one result counts
        transaction.run("SELECT run FROM run WHERE run = :repeated FOR UPDATE", repeated=repeated)
    transaction.run(
        "UPDATE result SET replaced_by = :by "
        "WHERE run IN (SELECT run FROM run WHERE run = :repeated OR again = :repeated) AND run <> :by "
        'AND check_index = :check_index AND "check" = :check',
        by=by,
        repeated=repeated,
        check_index=check_index,
        check=check,
    )


def is_measured_anew(found: Sequence[Result]) -> bool:
    """Say whether results of a check take the place of what the same run found in it before it was resumed.

    What was found before an adjusting cannot be found again. A confirmation is given anew; each result carries its own besides.
    """
    return bool(found) and found[0].check != "adjust"


def replace_own(transaction: Writing, run: str, check_index: int) -> None:
    """Mark what a run found in a check before it was resumed as replaced by what it is to find in it now."""
    transaction.run(
        "UPDATE result SET replaced_by = :run WHERE run = :run AND check_index = :check_index AND replaced_by = ''",
        run=run,
        check_index=check_index,
    )


def count_alike(transaction: Writing, run: str, wanted: Sequence[str], *, others: bool = False) -> int:
    """Return how many of the results ``wanted`` (`rows.same_result`) the store holds of a run, from the first on.

    ``others`` may stand between them: what a journal that could not be written has not, and a resumed run has measured again.
    """
    stored = transaction.run(
        "SELECT check_index, quantity, channel, value, stage FROM result WHERE run = :run ORDER BY id",
        run=run,
    )
    alike = 0
    for row in stored.fetchall():
        if alike < len(wanted) and store_rows.same_result(*row) == wanted[alike]:
            alike += 1
        elif not others:
            break
    return alike
