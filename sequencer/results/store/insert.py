"""Writing a check's rows as quickly as the database's own module does.

SQLAlchemy composes each statement once for each kind of database, and is not asked again. Measured on SQLite: composing, caching,
converting and wrapping anew for each check took longer than the durable write itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from operator import itemgetter
from typing import Any

from sqlalchemy import Dialect, Engine, PoolProxiedConnection, Table, insert

from drivers.trace import Exchange
from sequencer.results.model import Result
from sequencer.results.store import rows as store_rows
from sequencer.results.store.tables import exchanges, readings, results


class Inserted:
    """An insert into a table, every column but the number that the database gives."""

    def __init__(self, table: Table) -> None:
        self._table = table
        self._names = [column.name for column in table.c if column.name != "id"]
        self._composed: dict[str, tuple[str, Callable[[Mapping[str, Any]], Any]]] = {}

    def composed(self, dialect: Dialect) -> tuple[str, Callable[[Mapping[str, Any]], Any]]:
        """Return the statement's text, and what makes a row its parameters. Values go to the driver as they are."""
        if dialect.name not in self._composed:
            made: Any = insert(self._table)
            if (
                "id" in self._table.c and dialect.name != "sqlite"
            ):  # whose driver tells the number without being asked
                made = made.returning(self._table.c.id)
            compiled: Any = made.compile(dialect=dialect, column_keys=self._names)
            order = compiled.positiontup
            # By position, or by name: whichever the driver asks for
            self._composed[dialect.name] = (str(compiled), itemgetter(*order) if order else dict)
        return self._composed[dialect.name]


class Writing:
    """A transaction on the driver's own cursor."""

    def __init__(self, cursor: Any, dialect: Dialect) -> None:
        self._cursor = cursor
        self._dialect = dialect

    def one(self, insert_into: Inserted, row: Mapping[str, Any]) -> int:
        """Insert a row into a table with numbered rows; return its number."""
        text, values = insert_into.composed(self._dialect)
        self._cursor.execute(text, values(row))
        found = self._cursor.lastrowid if self._dialect.name == "sqlite" else self._cursor.fetchone()[0]
        return int(found)

    def run(self, statement: Any) -> None:
        """Execute a statement whose values the driver takes as they are."""
        compiled = statement.compile(dialect=self._dialect)
        values, order = compiled.params, compiled.positiontup
        self._cursor.execute(str(compiled), values if order is None else [values[name] for name in order])

    def many(self, insert_into: Inserted, rows: Sequence[Mapping[str, Any]]) -> None:
        """Insert rows."""
        if rows:
            text, values = insert_into.composed(self._dialect)
            self._cursor.executemany(text, [values(row) for row in rows])


_RESULT, _READING, _EXCHANGE = map(Inserted, (results, readings, exchanges))


class CheckRows:
    """All that one check left, as rows that are made before the transaction begins, so that it holds the store shortly."""

    def __init__(self, run: str, check_index: int, found: Sequence[Result], said: Iterable[Exchange]) -> None:
        self._found = found
        self._rows = [store_rows.result_row(result, check_index) for result in found]
        self._lines = [store_rows.exchange_row(run, check_index, exchange) for exchange in said]

    def insert(self, transaction: Writing) -> None:
        """Insert the rows, in order."""
        for result, row in zip(self._found, self._rows, strict=True):
            result_id = transaction.one(_RESULT, row)
            transaction.many(_READING, store_rows.reading_rows(result_id, result))
        transaction.many(_EXCHANGE, self._lines)


class Writer:
    """Transactions on connections that are kept from one to the next.

    Taking one from the engine's pool and giving it back took as long as all else around a durable write: just after waiting for the
    disk, code runs on cold caches.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._kept: list[PoolProxiedConnection] = []  # one for each thread that writes at the same moment

    @contextmanager
    def transaction(self) -> Iterator[Writing]:
        """Begin a transaction; at the end it is durable, or if anything was raised it has not been. Raises the driver's own errors."""
        try:
            connection = self._kept.pop()
        except IndexError:
            connection = self._engine.raw_connection()
        try:
            bare: Any = connection.dbapi_connection
            cursor = bare.cursor()
            if self._engine.dialect.name == "sqlite":  # others begin by themselves
                cursor.execute("BEGIN IMMEDIATE")
            yield Writing(cursor, self._engine.dialect)
            cursor.close()
            bare.commit()
        except BaseException:
            try:
                connection.rollback()
            except Exception:  # the server is gone: the next write asks for a new connection
                connection.invalidate()
            connection.close()
            raise
        self._kept.append(connection)

    def let_go(self) -> None:
        """Give the connections back to the engine, so that others use them and it can close them."""
        while self._kept:
            self._kept.pop().close()
