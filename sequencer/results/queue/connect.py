"""Connections to the jobs' tables: psycopg's own, on a line that does not stay silent for long."""

from __future__ import annotations

import re
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.problems import FileProblems, about_file
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import Doing, StoreProblem
from sequencer.results.store.server_line import ANSWER_S, LINE, WRITE_S, hurried_words
from sequencer.results.store.told import TOLD, see_direct

if TYPE_CHECKING:
    from psycopg import Connection

VERSION = 2
"""The form of the tables in ``tables.sql``."""
UPGRADES = {1: "alter table job add column if not exists line jsonb not null default '{}'"}
"""What brings the tables from each form to the next."""
OLDEST_SERVER = 130000
"""PostgreSQL 13: what the task queue asks for, as a server counts its versions."""
NOT_IDLE = (
    f"-cidle_in_transaction_session_timeout={ANSWER_S * 1000} -ctcp_keepalives_idle={ANSWER_S} -ctcp_keepalives_interval=2 "
    f"-ctcp_keepalives_count=3 -ctcp_user_timeout={2000 * ANSWER_S}"
)
"""The server ends the session of a process that is stopped in the middle of a transaction (its machine goes on acknowledging, and it would
keep its locks), and that of a machine that is gone, which it would not notice for two hours.
"""
_NAME = re.compile(r"[a-z_][a-z0-9_]*\Z")


class NoQueue(StoreProblem):
    """The store has no queue of jobs; the text says what makes one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QueuePlace:
    """Where the jobs stand: a store's server, and the schema beside its own."""

    place: StorePlace
    schema: str

    def connect(self, *, settings: str = "", autocommit: bool = False) -> Connection[Any]:
        """Return a connection in which names are those of the jobs' schema. Raises psycopg's own errors."""
        words = f"-csearch_path={self.schema} -clock_timeout={ANSWER_S * 1000} {NOT_IDLE} {settings}".strip()
        return connected(self.place, options=words, autocommit=autocommit)


def server_of(place: StorePlace) -> StorePlace:
    """Return the place where it is a server's. Raises InputError where it is a file."""
    if place.url is None:
        raise about_file(
            "--store",
            "jobs for many benches need a store that they share, and this one is a file",
            found=str(place),
            allowed="a PostgreSQL store: postgresql+psycopg://user@host/database, with --store or SEQUENCER_STORE",
            hint="one machine needs no queue: 'sequencer run --units LIST' measures a list",
        )
    return place


def need_carrier() -> None:
    """Raise InputError where the task queue that carries the jobs is not installed; looking at them does without."""
    if find_spec("procrastinate") is None:
        raise _not_installed()


def connect_words(place: StorePlace, *, options: str) -> dict[str, Any]:
    """Return what psycopg is told to connect to the place; ``options`` go to the server, after the address's own."""
    assert place.url is not None
    url = place.url
    given = url.query.get("options")
    words: dict[str, Any] = {
        "host": url.host,
        "port": url.port,
        "user": url.username,
        "password": url.password,
        "dbname": url.database,
        **{name: value for name, value in url.query.items() if name != "options"},
        "options": f"{given if isinstance(given, str) else ''} {options}".strip(),
        **LINE,
    }
    return {name: value for name, value in words.items() if value is not None}


def connected(place: StorePlace, *, options: str = "", autocommit: bool = False) -> Connection[Any]:
    """Return a connection to the place, on which nothing waits longer than `WRITE_S` for a silent server.

    Raises psycopg's own errors, StoreProblem where it does not lead to the server itself.
    """
    from sequencer.results.store.patient import PatientConnection

    words = {**connect_words(place, options=f"{options} {TOLD}".strip()), **hurried_words()}
    made = PatientConnection.connect(**words, autocommit=autocommit)
    made.answer_s = WRITE_S
    try:
        see_direct(made, str(place))
    except BaseException:
        made.close()
        raise
    return made


def find_queue(place: StorePlace, *, must_be_there: bool = True) -> QueuePlace:
    """Return where the jobs of a store stand. Raises StoreProblem, NoQueue without ``must_be_there`` too where it is of another form."""
    server_of(place)
    with Doing(str(place), "open"), connected(place) as connection:
        number = connection.info.server_version
        refuse_old_server(str(place), number)
        row = connection.execute("select current_schema()").fetchone()
        own = row[0] if row is not None and row[0] is not None else "public"
        schema = "queue" if own == "public" else f"{own}_queue"
        if not _NAME.match(schema):
            raise NoQueue(
                str(place),
                f"the store's schema {own!r} has a name that no queue can stand beside",
                "Name another.",
            )
        version = _version(connection, schema)
    found = QueuePlace(place=place, schema=schema)
    if version is None and must_be_there:
        raise NoQueue(
            str(place),
            "the store has no queue of jobs",
            "'sequencer jobs set-up' with its address makes one.",
        )
    if version is not None and version < VERSION and must_be_there:
        raise NoQueue(
            str(place),
            f"its queue of jobs has form {version}, of an older sequencer, and this one needs {VERSION}",
            "End the workers, then 'sequencer jobs set-up' with its address brings it up to date; nothing is lost.",
        )
    if version is not None and version > VERSION:
        raise NoQueue(
            str(place),
            f"its queue of jobs has form {version}, and this sequencer knows up to {VERSION}",
            "Use the newer sequencer on all benches.",
        )
    return found


def form_of(found: QueuePlace) -> int | None:
    """Return the form of the jobs' tables; None where there are none."""
    with Doing(str(found.place), "open"), connected(found.place) as connection:
        return _version(connection, found.schema)


def refuse_old_server(where: str, number: int) -> None:
    """Raise StoreProblem for a server older than `OLDEST_SERVER`; ``number`` is its version as it counts them (150018 is 15.18)."""
    if number < OLDEST_SERVER:
        raise StoreProblem(
            where,
            f"the server is PostgreSQL {number // 10000}, and jobs need {OLDEST_SERVER // 10000} or newer",
            "Ask whoever keeps the server for a newer one; a store without jobs works as it is.",
        )


def _version(connection: Connection[Any], schema: str) -> int | None:
    row = connection.execute("select to_regclass(%s)", [f"{schema}.version"]).fetchone()
    if row is None or row[0] is None:
        return None
    found = connection.execute(f'select number from "{schema}".version').fetchone()
    return None if found is None else int(found[0])


def _not_installed() -> FileProblems:
    return about_file(
        "--store",
        "jobs for many benches need the package procrastinate, which is not installed",
        allowed="an installation with the extra 'queue': pip install 'radio-bench-sequencer[queue]'",
    )
