"""Rows on their way from one store into another: read in portions, in one form whatever the database, digested, and inserted in bulk."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import Connection, Float, String, Table, select

from sequencer.results.store.rows import clean_text

PORTION = 2000
"""Rows that are in memory at once."""
Row = tuple[Any, ...]
_TOP = 1 << 128


def read_rows(connection: Connection, table: Table) -> Iterator[Row]:
    """Yield a table's rows in the order of its key, each in the form that both databases give back alike.

    A number that is none (NaN) is empty, because SQLite keeps no NaN; -0.0 is 0.0 for the same reason. Texts hold no NUL (PostgreSQL).
    """
    numbers = [at for at, column in enumerate(table.columns) if isinstance(column.type, Float)]
    texts = [at for at, column in enumerate(table.columns) if isinstance(column.type, String)]
    query = select(table).order_by(*table.primary_key.columns)
    found = connection.execute(query, execution_options={"stream_results": True, "yield_per": PORTION})
    for some in found.partitions():
        for row in some:
            yield _alike(list(row), numbers, texts)


def _alike(cells: list[Any], numbers: Sequence[int], texts: Sequence[int]) -> Row:
    for at in numbers:
        if (number := cells[at]) is not None:
            cells[at] = None if math.isnan(number) else float(number) + 0.0
    for at in texts:
        if (text := cells[at]) is not None and "\x00" in text:
            cells[at] = clean_text(text)
    return tuple(cells)


class Digest:
    """What a set of rows comes to, in any order: how many, and the sum of their digests (BLAKE2b, 128 bits each)."""

    def __init__(self) -> None:
        self.count = 0
        self._sum = 0

    def add(self, row: Row) -> None:
        """Count a row in."""
        self.count += 1
        self._sum = (self._sum + digest_of(row)) % _TOP

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Digest) and (self.count, self._sum) == (other.count, other._sum)

    __hash__ = None  # type: ignore[assignment]

    def __str__(self) -> str:
        return f"{self._sum:032x}"


def digest_of(row: Row) -> int:
    """Return a row's digest. The text of a float is exact (`repr` round-trips), and that of every other cell tells its kind."""
    return int.from_bytes(hashlib.blake2b(repr(row).encode("utf-8"), digest_size=16).digest(), "big")


def insert_rows(connection: Connection, table: Table, rows: Iterable[Row]) -> None:
    """Insert whole rows within the connection's transaction; their order of columns is the table's."""
    cursor: Any = connection.connection.dbapi_connection.cursor()  # type: ignore[union-attr]
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    try:
        if connection.dialect.name == "sqlite":
            marks = ", ".join("?" * len(table.columns))
            cursor.executemany(f"INSERT INTO {table.name} ({names}) VALUES ({marks})", rows)
        else:  # ten times as fast as INSERT there [measured]
            with cursor.copy(f"COPY {table.name} ({names}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
    finally:
        cursor.close()
