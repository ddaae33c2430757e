"""Connections to a store in an SQLite file: durable as asked for, patient, and with foreign keys watched."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from time import monotonic, sleep
from urllib.parse import quote

from sequencer.files.mounts import filesystem_of, is_remote
from sequencer.results.store import problems as store_problems


def open_file(
    path: Path, *, power_safe: bool = True, read_only: bool = False, watching: bool = False
) -> sqlite3.Connection:
    """Return a connection that begins no transaction by itself: only so is a change of the schema part of one.

    A write waits for the disk if ``power_safe``. ``read_only``: nobody writes, no file is made beside it. ``watching``: others write, and
    what they write is seen; this connection cannot. Raises sqlite3.Error.
    """
    if watching:
        # never immutable: beside a writer that shows rows of before, or none [measured]
        address = f"file:{quote(str(path.absolute()))}?mode=ro"
        return sqlite3.connect(
            address,
            uri=True,
            timeout=store_problems.LOCKED_S,
            isolation_level=None,
            check_same_thread=False,
        )
    # SQLite keeps its write-ahead log's index beside the file, unless it is told that nobody writes
    only = f"file:{quote(str(path.absolute()))}?mode=ro&immutable=1"
    connection = sqlite3.connect(
        only if read_only else path,
        uri=read_only,
        timeout=store_problems.LOCKED_S,
        isolation_level=None,
        check_same_thread=False,  # whoever uses it has it alone, one after another
    )
    if read_only:
        return connection
    try:
        _into_mode(connection, "DELETE" if is_remote(filesystem_of(path)) else "WAL")
        connection.execute(f"PRAGMA synchronous = {'FULL' if power_safe else 'NORMAL'}")
        connection.execute("PRAGMA foreign_keys = ON")
    except BaseException:
        connection.close()
        raise
    return connection


def _into_mode(connection: sqlite3.Connection, mode: str) -> None:
    """Switch the write-ahead log on; who finds it being switched on by another waits, which SQLite does not do by itself.

    Off on a network share: "WAL does not work over a network filesystem" (SQLite, "Write-Ahead Logging"), its index being shared memory.
    """
    until_s = monotonic() + store_problems.LOCKED_S
    while True:
        try:
            connection.execute(f"PRAGMA journal_mode = {mode}")
        except sqlite3.OperationalError as error:
            # the lower byte is the kind of an extended code (SQLite, "Result and Error Codes")
            if (
                error.sqlite_errorcode & 0xFF not in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
                or monotonic() > until_s
            ):
                raise
            sleep(0.01)
        else:
            return
