"""Where a store is: an SQLite file, or a PostgreSQL database by its address; and how each is opened."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from time import monotonic, sleep
from typing import Any, Self
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError

from sequencer.problems import FileProblems, about_file
from sequencer.results.store import problems as store_problems

STORE_NAME = "results.sqlite"
SERVER_S = 5
"""How long a server may take to answer a call."""
# postgres:/user:pw@host, user:pw@host/db, host=… password=…: nobody means a file's path by these. One letter and a colon is a drive.
_LIKE_AN_ADDRESS = re.compile(r"^[A-Za-z][\w+.-]+:|:[^/\\]*@|\bpassword\s*=", re.ASCII | re.IGNORECASE)
_SECRET = re.compile(r"((?:passw\w*|passphrase|pwd)\s*=\s*)[^&\s]*", re.IGNORECASE)
_ALLOWED = "a file's path, sqlite:///path, or postgresql+psycopg://user@host/database"


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class StorePlace:
    """A store's place: ``path`` of an SQLite file, or ``url`` of a PostgreSQL database."""

    path: Path | None = None
    url: URL | None = None

    def __str__(self) -> str:
        """Return the place as it may be shown: without a password."""
        return str(self.path) if self.url is None else _shown(self.url)

    def __repr__(self) -> str:
        """Return the same for whoever looks for an error."""
        return f"StorePlace({self})"

    def is_at(self, path: Path) -> bool:
        """Say whether ``path`` is the store's file or one that SQLite keeps beside it, by whatever name or link."""
        if self.path is None:
            return False
        for ending in ("", "-wal", "-shm", "-journal"):
            own = self.path.with_name(self.path.name + ending)
            if path.resolve() == own.resolve():
                return True
            with suppress(OSError):
                if path.samefile(own):
                    return True
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedFile:
    """Which file stood at a store's path when it was opened."""

    path: Path
    device: int
    inode: int

    @classmethod
    def of(cls, place: StorePlace) -> Self | None:
        """Return the file that stands there now; None for a server, or where that cannot be told."""
        if place.path is not None:
            with suppress(OSError):
                found = place.path.stat()
                return cls(path=place.path.absolute(), device=found.st_dev, inode=found.st_ino)
        return None

    def is_in_place(self) -> bool:
        """Say whether the same file stands there."""
        try:
            found = self.path.stat()
        except OSError:
            return False
        return (found.st_dev, found.st_ino) == (self.device, self.inode)


def find_place(folder: Path, store: str = "") -> StorePlace:
    """Return where the store is: what ``store`` names (a path or an address), else the file in ``folder``.

    Raises FileProblems for an address of another kind, or if PostgreSQL is named and its driver is not installed.
    """
    if not store:
        return StorePlace(path=folder / STORE_NAME)
    if "://" not in store and not _LIKE_AN_ADDRESS.search(store):
        return StorePlace(path=Path(store))
    try:
        url = _password_apart(make_url(store))
    except (ArgumentError, ValueError, TypeError):
        # Not "from error": what the library says may hold the address as it was typed, with its password.
        raise _complaint(f"not a valid store address: {without_password(store)}", _ALLOWED) from None
    if url.drivername == "sqlite" and url.database and url.database != ":memory:":
        return StorePlace(path=Path(url.database))
    if url.drivername not in ("postgresql", "postgresql+psycopg") or not url.database:
        raise _complaint(f"a store cannot be kept at {_shown(url)}", _ALLOWED)
    if find_spec("psycopg") is None:
        raise _complaint(
            "a store in PostgreSQL needs the package psycopg, which is not installed",
            "an installation with the extra 'postgres': pip install 'radio-bench-sequencer[postgres]'",
        )
    return StorePlace(url=url.set(drivername="postgresql+psycopg"))


def without_password(text: str) -> str:
    """Return an address, or what was meant as one, as it may be shown: whatever may be a password in it is three stars.

    All between a scheme and the last @ is hidden, because a password may hold any character, and who mistypes an address may have
    left out what would mark its beginning.
    """
    scheme, _, rest = (
        text.rpartition("@")[0].partition(":/") if ":/" in text.rpartition("@")[0] else ("", "", "")
    )
    if "@" in text:
        begins = f"{scheme}:/{'/' if rest.startswith('/') else ''}" if scheme and "@" not in scheme else ""
        text = f"{begins}***@{text.rpartition('@')[2]}"
    return _SECRET.sub(r"\1***", text)


def _password_apart(url: URL) -> URL:
    """Return the address with a password that stands among its settings (?password=…) where passwords are kept hidden."""
    given = url.query.get("password")
    if given is None:
        return url
    password = given if isinstance(given, str) else given[-1]
    return url.set(password=password).difference_update_query(["password"])


def _shown(url: URL) -> str:
    """Return the address without a password, also of another kind (sslpassword) among its settings."""
    return _SECRET.sub(r"\1***", url.render_as_string(hide_password=True))


def make_engine(place: StorePlace, *, power_safe: bool = True, read_only: bool = False) -> Engine:
    """Return the engine of a place; nothing is opened yet. ``read_only`` (SQLite): nobody writes, no file is made beside it."""
    if place.url is not None:
        return _server_engine(place.url)
    assert place.path is not None
    if read_only:
        # SQLite keeps its write-ahead log's index beside the file, unless it is told that nobody writes
        where = f"file:{quote(str(place.path.absolute()))}"
        query = {"mode": "ro", "immutable": "1", "uri": "true"}
        return create_engine(URL.create("sqlite", database=where, query=query))
    url = URL.create("sqlite", database=str(place.path))
    engine = create_engine(url, connect_args={"timeout": store_problems.LOCKED_S})
    event.listen(engine, "connect", _pragmas("FULL" if power_safe else "NORMAL"))
    event.listen(engine, "begin", _begin)
    return engine


def _server_engine(url: URL) -> Engine:
    settings = f"-c lock_timeout={int(store_problems.LOCKED_S * 1000)}"
    # On a line that has died a send would wait for many minutes (ip(7), TCP_USER_TIMEOUT)
    line = {"connect_timeout": SERVER_S, "tcp_user_timeout": int(2000 * SERVER_S)}
    # Not synchronous_commit=off, not even for what can be had again: a server that crashes then loses what it had acknowledged
    given = url.query.get("options")
    options = " ".join([given if isinstance(given, str) else "", settings]).strip()
    # Out of the address: an engine shows it, with every setting
    secret = {name: value for name, value in url.query.items() if _SECRET.search(f"{name}=")}
    return create_engine(
        url.difference_update_query(secret), connect_args={**line, **secret, "options": options}
    )


def _pragmas(synchronous: str) -> Callable[[Any, object], None]:
    def set_pragmas(connection: Any, _record: object) -> None:
        connection.isolation_level = (
            None  # `_begin` begins: only so is a change of the schema part of a transaction
        )
        _into_wal(connection)
        connection.execute(f"PRAGMA synchronous = {synchronous}")
        connection.execute("PRAGMA foreign_keys = ON")

    return set_pragmas


def _into_wal(connection: Any) -> None:
    """Switch the write-ahead log on; who finds it being switched on by another waits, which SQLite does not do by itself."""
    import sqlite3

    until_s = monotonic() + store_problems.LOCKED_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or monotonic() > until_s:
                raise
            sleep(0.01)
        else:
            return


def _begin(connection: Connection) -> None:
    # IMMEDIATE: who reads first and then writes would be refused at once if another has written in between
    immediate = connection.get_execution_options().get("writes", False)
    bare = connection.connection.dbapi_connection
    assert bare is not None
    bare.execute("BEGIN IMMEDIATE" if immediate else "BEGIN")


def _complaint(message: str, allowed: str) -> FileProblems:
    return about_file("--store", message, allowed=allowed)
