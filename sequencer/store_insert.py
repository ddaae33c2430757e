"""Writing a check's rows as quickly as the database's own module does.

SQLAlchemy composes each statement once for each kind of database, and is not asked again. Measured on SQLite: composing, caching,
converting and wrapping anew for each check took longer than the durable write itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from operator import itemgetter
from typing import Any

from sqlalchemy import Dialect, Engine, Table, insert


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

    def many(self, insert_into: Inserted, rows: Sequence[Mapping[str, Any]]) -> None:
        """Insert rows."""
        if rows:
            text, values = insert_into.composed(self._dialect)
            self._cursor.executemany(text, [values(row) for row in rows])


@contextmanager
def writing(engine: Engine) -> Iterator[Writing]:
    """Begin a transaction; at the end it is durable, or if anything was raised it has not been. Raises the driver's own errors."""
    connection = engine.raw_connection()
    try:
        cursor = connection.cursor()
        if engine.dialect.name == "sqlite":  # others begin by themselves
            cursor.execute("BEGIN IMMEDIATE")
        yield Writing(cursor, engine.dialect)
        cursor.close()
        connection.commit()
    except BaseException:
        try:
            connection.rollback()
        except Exception:  # the server is gone: the next write asks for a new connection
            connection.invalidate()
        raise
    finally:
        connection.close()
