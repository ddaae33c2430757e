"""SQLAlchemy's engine of a store's place: what is asked of a store goes through it, and all that a server is told."""

from __future__ import annotations

from functools import partial
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event

from sequencer.results.store import problems as store_problems
from sequencer.results.store.file import open_file
from sequencer.results.store.place import SECRET, StorePlace
from sequencer.results.store.server_line import LINE, hurried_words
from sequencer.results.store.told import TOLD, see_told

OLDEST_SERVER = 13
"""The oldest PostgreSQL that a store is kept in, by its first number."""
WATCHING_S = 20
"""How long a server may work at one question of whoever watches."""


def make_engine(
    place: StorePlace,
    *,
    power_safe: bool = True,
    read_only: bool = False,
    watching: bool = False,
    answer_s: float | None = None,
) -> Engine:
    """Return the engine of a place; nothing is opened yet. ``power_safe``, ``read_only`` (SQLite): as `open_file` has them.

    ``watching``: nothing can be written through it, to a server neither. ``answer_s`` is how long a server may be silent (None: as long as
    it likes).
    """
    if place.url is not None:
        return _server_engine(place.url, watching=watching, answer_s=answer_s)
    path = place.path
    assert path is not None
    engine = create_engine(
        URL.create("sqlite", database=str(path)),
        creator=lambda: open_file(path, power_safe=power_safe, read_only=read_only, watching=watching),
    )
    event.listen(engine, "begin", begin_file)
    return engine


def _server_engine(url: URL, *, watching: bool, answer_s: float | None) -> Engine:
    wanted = {"lock_timeout": f"{int(store_problems.LOCKED_S * 1000)}"}
    if watching:
        wanted |= {"default_transaction_read_only": "on", "statement_timeout": f"{WATCHING_S * 1000}"}
    settings = " ".join([TOLD, *(f"-c {name}={value}" for name, value in wanted.items())])
    # Not synchronous_commit=off, not even for what can be had again: a server that crashes then loses what it had acknowledged
    given = url.query.get("options")
    options = " ".join([given if isinstance(given, str) else "", settings]).strip()
    # Out of the address: an engine shows it, with every setting
    secret = {name: value for name, value in url.query.items() if SECRET.search(f"{name}=")}
    engine = create_engine(
        url.difference_update_query(secret), connect_args={**LINE, **secret, "options": options}
    )
    event.listen(engine, "do_connect", partial(_connect, answer_s))
    where = str(StorePlace(url=url))

    def see(bare: Any, _record: Any) -> None:
        _see_version(bare, where)
        see_told(bare, where, wanted, has_own=given is not None)

    event.listen(engine, "connect", see, insert=True)
    return engine


def _connect(answer_s: float | None, _dialect: Any, _record: Any, words: Any, named: Any) -> Any:
    from sequencer.results.store.patient import PatientConnection

    made = PatientConnection.connect(*words, **{**named, **hurried_words()})
    made.answer_s = answer_s
    return made


def _see_version(bare: Any, where: str) -> None:
    """Refuse a server that is older than what is tested here, before it is asked anything."""
    if (found := int(bare.info.server_version)) < 10_000 * OLDEST_SERVER:
        shown = f"{found // 10_000}" if found >= 100_000 else f"{found // 10_000}.{found // 100 % 100}"
        raise store_problems.StoreProblem(
            where,
            f"the server is PostgreSQL {shown}, and a store needs {OLDEST_SERVER} or later",
            "Have whoever keeps the server upgrade it, or name another with --store.",
        )


def begin_file(connection: Connection) -> None:
    """Begin a transaction of SQLite's, which its driver is told not to do by itself."""
    # IMMEDIATE: who reads first and then writes would be refused at once if another has written in between
    immediate = connection.get_execution_options().get("writes", False)
    bare = connection.connection.dbapi_connection
    assert bare is not None
    bare.execute("BEGIN IMMEDIATE" if immediate else "BEGIN")
