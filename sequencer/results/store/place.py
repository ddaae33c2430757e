"""Where a store is: an SQLite file, or a PostgreSQL database by its address."""

from __future__ import annotations

import re
from contextlib import suppress
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Self

from sequencer.files.mounts import filesystem_of, is_remote
from sequencer.frozen import dataclass
from sequencer.problems import FileProblems, about_file, printable

if TYPE_CHECKING:  # imported for an address only: a run that writes to a file does without SQLAlchemy
    from sqlalchemy import URL

STORE_NAME = "results.sqlite"
# postgres:/user:pw@host, user:pw@host/db, host=… password=…: nobody means a file's path by these. One letter and a colon is a drive.
_LIKE_AN_ADDRESS = re.compile(r"^[A-Za-z][\w+.-]+:|:[^/\\]*@|\bpassword\s*=", re.ASCII | re.IGNORECASE)
SECRET = re.compile(r"((?:passw\w*|passphrase|pwd)\s*=\s*)[^&\s]*", re.IGNORECASE)
"""Finds a setting whose value is a password."""
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
            own = Path(f"{self.path}{ending}")  # with_name knows none beside "."
            if path.resolve() == own.resolve():
                return True
            with suppress(OSError):
                if path.samefile(own):
                    return True
        return False


def share_note(place: StorePlace) -> str:
    """Return what a person must know of a store in a file on a network share; empty where it stands on this machine, or is a server's."""
    if place.path is None or not is_remote(kind := filesystem_of(place.path)):
        return ""
    return (
        f"warning: the store stands on a network share ({kind}: {printable(str(place.path))}). What several machines write to a file "
        "there may be lost or damage it. Give each machine a store of its own on its disk (--store), or let them share one in PostgreSQL."
    )


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
    if store.count("@") > 1 and not store.startswith(
        "sqlite:"
    ):  # read as it stands, what follows the first would be host and database, and be shown
        raise _complaint(
            f"more than one @ in the store's address: {without_password(store)}",
            f"{_ALLOWED}; an @ within a password is written %40, a / %2F",
        )
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

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
    return SECRET.sub(r"\1***", text)


def _password_apart(url: URL) -> URL:
    """Return the address with a password that stands among its settings (?password=…) where passwords are kept hidden."""
    given = url.query.get("password")
    if given is None:
        return url
    password = given if isinstance(given, str) else given[-1]
    return url.set(password=password).difference_update_query(["password"])


def _shown(url: URL) -> str:
    """Return the address without a password, also of another kind (sslpassword) among its settings."""
    return SECRET.sub(r"\1***", url.render_as_string(hide_password=True))


def _complaint(message: str, allowed: str) -> FileProblems:
    return about_file("--store", message, allowed=allowed)
