"""The store that is moved: opened to be read as it stands at one moment, and left as it was."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, NullPool, create_engine, event, text

from sequencer.results.store import problems as store_problems
from sequencer.results.store.engine import begin_file, make_engine
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import Doing, EmptyStore, StoreProblem
from sequencer.results.store.schema import SCHEMA_VERSION
from sequencer.results.store.upgrade import prepare, schema_of


@contextmanager
def opened_source(place: StorePlace) -> Iterator[tuple[Connection, int]]:
    """Give a transaction on the store at ``place`` in which nothing changes, and the schema it was found with. Raises StoreProblem.

    Nobody else writes to it meanwhile: what waits longer than a few seconds for that is kept in its run's journal, as always. A file of
    an earlier schema is read from a copy that was brought to this one.
    """
    where = str(place)
    with Doing(where, "read"):
        if place.path is None:
            with _connected(make_engine(place)) as connection:
                found = _schema(connection, place)
            # What is read is what stood there at the first question, so that the lock comes before it
            with _connected(make_engine(place), isolation_level="REPEATABLE READ") as connection:
                connection.execute(text("LOCK TABLE run, result, exchange, batch IN SHARE MODE"))
                yield connection, found
            return
        _see_file(place.path)
        is_writable = os.access(place.path, os.W_OK) and os.access(place.path.parent, os.W_OK)
        with _connected(_file_engine(place.path, writable=is_writable), writes=is_writable) as connection:
            found = _schema(connection, place)
            if found == SCHEMA_VERSION:
                yield connection, found
                return
            with tempfile.TemporaryDirectory(prefix="sequencer-move-") as folder:
                copy = Path(folder, "copy.sqlite")
                _copy(connection, copy, where)
                with _connected(_file_engine(copy, writable=True)) as copied:
                    yield copied, found


def _see_file(path: Path) -> None:
    if not path.is_file():
        raise StoreProblem(str(path), "there is no store here", "Name a store that runs were written to.")


def _schema(connection: Connection, place: StorePlace) -> int:
    """Return the schema of the store. Raises StoreProblem for an empty one, and for an older one in a server."""
    found = schema_of(connection, str(place))
    if found == 0:
        raise EmptyStore(
            str(place), "the store is empty", "There is nothing to move: name TO where a store is asked for."
        )
    if found < SCHEMA_VERSION and place.path is None:
        raise StoreProblem(
            str(place),
            f"the store has schema {found}, and it is moved with schema {SCHEMA_VERSION} only",
            "'sequencer results' of this version, with that address after --store, brings it to this schema; move it then.",
        )
    return found


def _copy(connection: Connection, path: Path, where: str) -> None:
    """Copy the file, with what stands in its write-ahead log, and bring the copy to this schema."""
    try:
        # By another connection: one that is about to write waits in `backup` for itself, for ever [measured]
        with closing(connection.engine.raw_connection()) as other, closing(sqlite3.connect(path)) as copied:
            bare = other.dbapi_connection
            assert isinstance(bare, sqlite3.Connection)
            bare.backup(copied)
    except sqlite3.Error as error:
        raise StoreProblem(
            where,
            f"no copy to be upgraded could be made in {path.parent}: {error}",
            "Make room there, or set TMPDIR to a folder that has it.",
        ) from error
    prepare(engine := make_engine(StorePlace(path=path)), where)
    engine.dispose()


def _file_engine(path: Path, *, writable: bool) -> Engine:
    """Return an engine that changes nothing by opening the file: not how it keeps its log, either."""
    how = "mode=rw" if writable else "mode=ro&immutable=1"

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(
            f"file:{quote(str(path.absolute()))}?{how}",
            uri=True,
            timeout=store_problems.LOCKED_S,
            isolation_level=None,
            check_same_thread=False,
        )

    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)  # else one a thread
    event.listen(engine, "begin", begin_file)
    return engine


@contextmanager
def _connected(engine: Engine, **options: Any) -> Iterator[Connection]:
    try:
        with engine.connect().execution_options(**options) as connection, connection.begin() as transaction:
            try:
                yield connection
            finally:
                transaction.rollback()  # nothing was written
    finally:
        engine.dispose()
