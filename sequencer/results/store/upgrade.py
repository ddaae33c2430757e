"""Makes a new store's tables, and brings an older store's to this schema. Alembic is imported only for the latter."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, delete, insert, inspect, select, text

from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.schema import SCHEMA_VERSION
from sequencer.results.store.tables import SCHEMA_1, metadata, stamp_metadata, stamps

MIGRATIONS = Path(__file__).parent / "migrations"
_LOCK = 0x7365_7175_656E_6365  # one at a time makes or changes the tables; any number will do, if it is always the same


def prepare(engine: Engine, where: str) -> None:
    """See that the store has this schema: make it, or upgrade it. Raises StoreProblem for what is not ours, or newer."""
    with engine.connect() as connection:
        found = schema_of(connection, where)
    if found == SCHEMA_VERSION:
        return
    with engine.connect().execution_options(writes=True) as connection:
        sqlite = connection.dialect.name == "sqlite"
        if sqlite:
            # Rebuilding a table drops its old form: with foreign keys watched, SQLite would empty it first. No effect inside a
            # transaction, therefore on the bare connection.
            bare = connection.connection.dbapi_connection
            assert bare is not None
            bare.execute("PRAGMA foreign_keys = OFF")
        else:
            # a server works silently for minutes at a large store
            server: Any = connection.connection.dbapi_connection
            server.answer_s = None
        with connection.begin():
            if not sqlite:
                connection.execute(select(text(f"pg_advisory_xact_lock({_LOCK})")))
            found = schema_of(connection, where)  # another may have been quicker
            if found == 0:
                _create(connection)
            elif found < SCHEMA_VERSION:
                upgrade(connection, found)
            if sqlite:
                # What the first sequencers look at: they refuse a store whose number is above theirs
                connection.exec_driver_sql(f"PRAGMA user_version = {SCHEMA_VERSION}")
                if broken := connection.exec_driver_sql("PRAGMA foreign_key_check").first():
                    raise StoreProblem(
                        where,
                        f"cannot upgrade the store: a row of table {broken[0]} belongs to nothing",
                        "It is damaged; it was left as it was. Move it away, or name another results folder.",
                    )
    engine.dispose()  # the connection without foreign keys


def schema_of(connection: Connection, where: str) -> int:
    """Return the store's schema, 0 if nothing has been written to it yet. Raises StoreProblem for what is not ours, or newer."""
    # Asked once: between two questions another process may make the tables, and half of them would look like somebody else's.
    tables = set(inspect(connection).get_table_names())
    if stamps.name in tables:
        version = connection.execute(select(stamps.c.version_num)).scalar_one_or_none()
        if version is None or not version.isdecimal():
            raise _not_ours(where)
        if int(version) > SCHEMA_VERSION:
            raise _newer(where, int(version))
        return int(version)
    numbered = 0
    if connection.dialect.name == "sqlite":
        numbered = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
    if numbered > SCHEMA_VERSION:
        raise _newer(where, numbered)
    if (numbered or tables) and not (numbered == 1 and tables >= SCHEMA_1):
        raise _not_ours(where)
    return numbered


def upgrade(connection: Connection, found: int, to: int = SCHEMA_VERSION) -> None:
    """Run the migrations from schema ``found`` (0: an empty database) on this connection, in its transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    if found == 1 and not inspect(connection).has_table(stamps.name):
        stamp_metadata.create_all(connection)
        connection.execute(insert(stamps).values(version_num="1"))
    command.upgrade(config, str(to))


def _create(connection: Connection) -> None:
    metadata.create_all(connection)
    stamp_metadata.create_all(connection)
    connection.execute(delete(stamps))
    connection.execute(insert(stamps).values(version_num=str(SCHEMA_VERSION)))


def _newer(where: str, version: int) -> StoreProblem:
    return StoreProblem(
        where,
        f"the store has schema {version} and this sequencer knows up to {SCHEMA_VERSION}",
        "Use the newer sequencer, or name another results folder.",
    )


def _not_ours(where: str) -> StoreProblem:
    return StoreProblem(
        where,
        "this is a database, and not one of this sequencer's stores",
        "Move it away, or name another results folder.",
    )
