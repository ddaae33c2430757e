"""What the store says when it cannot be opened, read or written: where, what came back, the next move."""

from __future__ import annotations

import sqlite3

from sequencer.problems import FileProblems, about_file, printable

LOCKED_S = 5.0
"""How long a write waits for another program that holds the store."""

_BEYOND = "The store is intact; no store holds what was asked for: ask with a smaller number, or a shorter name in UTF-8."
_ONE_ROW = (
    "That row is damaged; the rest of the store can be read, so leave it where it is. Name other runs, and look in the results tables "
    "(CSV) beside the store for what that row held."
)
_BETWEEN_RELEASES = (
    "Its schema has the right number and lacks something: it was written by a version between two releases. Read it with that version, "
    "or name another results folder; nothing in it was changed."
)
_POOLER = (
    "That is a pooler, not a server: name the server itself, or let the pooler take what it does not know (PgBouncer: "
    "ignore_startup_parameters = options). 'sequencer reference many-benches' says what goes through one."
)
_STATES = (  # SQLSTATE (ISO/IEC 9075 classes; PostgreSQL manual, appendix A), most specific first
    ("55P03", f"Another program has held it for {LOCKED_S:g} s: close that, or wait for it."),
    ("40P01", "Another program was writing the same rows: the write is tried again."),
    (
        "53100",
        "Make room on the server's disk.",
    ),
    ("25006", "It is read-only at present: ask whoever keeps the server, or name another with --store."),
    ("22", _BEYOND),
    ("23505", "A run of that name is in the store already: start the run again, it gets a new name."),
    ("28", "Check the user and the password in the store's address."),
    ("3D000", "Create that database first, or name another in the store's address."),
    ("42501", "The user in the store's address may not do that: ask whoever keeps the server."),
    ("53300", "The server has no connection free: close others, or try again."),
    ("57", "The server is stopping or starting: try again when it is up."),
    ("08", "Check that the server runs and can be reached."),
)


_BUSY = ("55P03", "40P01", "40001", "53300")
"""SQLSTATE of a store that others hold: lock not available, deadlock, serialization failure, too many connections."""
_PASSING = ("08", "25006", "53", "55P03", "57", "58")
"""SQLSTATE of what passes: no connection, read-only, no room, held, stopping, the system."""


class StoreProblem(Exception):
    """The store at ``where`` cannot be opened, read or written; the text says why and what to do.

    ``is_busy``: another program holds it, or the server has no connection free; the same may be asked again at once.
    ``may_pass``: nothing is wrong with the store itself, as far as can be told: it is held, full, protected or away.
    """

    def __init__(
        self, where: str, what: str, next_move: str, *, may_pass: bool = False, is_busy: bool = False
    ) -> None:
        self.where = where
        self.is_busy = is_busy
        self.may_pass = may_pass
        self.what = what
        self.next_move = next_move
        super().__init__(f"{where}: {what}. {next_move}")

    def as_file_problem(self) -> FileProblems:
        """Return it as a complaint about the store, for whoever named it."""
        return about_file(self.where, self.what, hint=self.next_move)


class EmptyStore(StoreProblem):
    """Nothing has been written to the store yet."""


class UnreadableRow(ValueError):
    """One row holds what no sequencer wrote; the text names it. The others can be read."""


class Doing:
    """Turns what the database says into a `StoreProblem` that names the store and the next move."""

    def __init__(self, where: str, verb: str) -> None:
        self._where = where
        self._verb = verb

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        # ValueError: a damaged row's text is no JSON any more; OverflowError: a number that no column takes
        known = (sqlite3.Error, OSError, ValueError, OverflowError)
        if isinstance(error, known) or _of_package(error, "sqlalchemy") or _of_server(error):
            assert error is not None
            reason = _reason(error)
            raise StoreProblem(
                self._where,
                f"cannot {self._verb} the store: {reason}",
                _next_move(reason, error),
                may_pass=_may_pass(reason, error),
                is_busy=_is_busy(reason, error),
            ) from error


def _of_server(error: BaseException | None) -> bool:
    """Return whether PostgreSQL's driver raised it."""
    return _of_package(error, "psycopg")


def _of_package(error: BaseException | None, package: str) -> bool:
    """Return whether the error is one of a package's that is imported only where it is used."""
    return any(kind.__module__.partition(".")[0] == package for kind in type(error).__mro__)


def _reason(error: BaseException) -> str:
    said = str(_original(error)).splitlines() or [type(error).__name__]
    text = printable(said[0])
    return text if len(text) <= 160 else text[:160] + "…"


def _original(error: BaseException) -> BaseException:
    """Return the driver's own error, where SQLAlchemy has wrapped it."""
    original = getattr(error, "orig", None)
    return original if isinstance(original, BaseException) else error


def _next_move(reason: str, error: BaseException) -> str:
    """Return what a person can do about what the database says."""
    original = _original(error)
    if isinstance(error, UnreadableRow):
        return _ONE_ROW
    if _lacks_column(reason, original):
        return _BETWEEN_RELEASES
    if isinstance(original, (OverflowError, UnicodeEncodeError)) or "pattern too complex" in reason:
        return _BEYOND
    if _of_server(original):
        if "unsupported startup parameter" in str(original):
            return _POOLER
        return _server_move(reason, getattr(original, "sqlstate", None))
    if "locked" in reason or "busy" in reason:
        return f"Another program has held it for {LOCKED_S:g} s: close that, or wait for it."
    if "UNIQUE" in reason:
        return "A run of that name is in the store already: start the run again, it gets a new name."
    if "full" in reason or "I/O" in reason or "too big" in reason:
        return "Make room on the disk."
    if isinstance(original, sqlite3.OperationalError) and (
        "readonly" in reason or "unable to open" in reason
    ):
        return (
            "Check the permissions of the file, of its folder, and of what stands beside it with -wal and -shm behind its name; or name "
            "another place for the store."
        )
    return "It is damaged or not a store: move it away; look in the results tables (CSV) beside it for what was measured."


def _lacks_column(reason: str, original: BaseException) -> bool:
    """Say whether a table or a column is missing, although the number of the schema is right."""
    missing = isinstance(original, sqlite3.OperationalError) and (
        "no such" in reason or "has no column" in reason
    )
    return missing or getattr(original, "sqlstate", None) in ("42703", "42P01")


def _is_busy(reason: str, error: BaseException) -> bool:
    """Say whether others hold the store, or every connection to it."""
    original = _original(error)
    if not _of_server(original):
        held = "locked" in reason or "busy" in reason
        return isinstance(original, sqlite3.OperationalError) and held
    state = getattr(original, "sqlstate", None)
    if state is None:  # refused before a session began: psycopg hands on no SQLSTATE
        return _has_no_connection(reason)
    return str(state) in _BUSY


def _has_no_connection(reason: str) -> bool:
    return any(words in reason for words in ("too many clients", "too many connections", "connection slots"))


def _may_pass(reason: str, error: BaseException) -> bool:
    """Say whether the same may be done later without anything being changed in the store or in what was asked of it."""
    original = _original(error)
    if not _of_server(original):
        return isinstance(original, sqlite3.OperationalError | OSError) and "no such" not in reason
    state = getattr(original, "sqlstate", None)
    if state is None:
        return "password" not in reason and "does not exist" not in reason
    return str(state).startswith(_PASSING)


def _server_move(reason: str, state: str | None) -> str:
    if state is None and _has_no_connection(reason):
        state = "53300"
    for beginning, move in _STATES:
        if state is not None and state.startswith(beginning):
            return move
    if state is None and "password" in reason:  # refused before a session began: psycopg hands on no SQLSTATE
        return "Check the user and the password in the store's address."
    if state is None and "does not exist" in reason:
        return "Check the user and the database in the store's address; a database is made with createdb."
    if state is None:
        return "Check that the server runs and can be reached at that address."
    return "Ask whoever keeps the server; look in the results tables (CSV) in the results folder for what was measured."
