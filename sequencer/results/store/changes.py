"""Says whether somebody has written to a store since it was last asked, for a few microseconds a question."""

from __future__ import annotations

from contextlib import suppress
from typing import Any, Self

from sequencer.results.store.file import open_file
from sequencer.results.store.place import OpenedFile, StorePlace
from sequencer.results.store.problems import Doing, StoreProblem
from sequencer.results.store.server_line import READ_S

# A transaction that wrote has a number of its own, also in another database of the server: a question too many costs little
_OF_SERVER = "SELECT pg_snapshot_xmax(pg_current_snapshot())::text"
_OF_FILE = "PRAGMA data_version"  # of one connection: it alone can tell what another is to it (SQLite manual, pragma)


class StoreChanges:
    """Watches one store by a connection of its own, which cannot write. Raises `StoreProblem`."""

    def __init__(self, place: StorePlace) -> None:
        self._where = str(place)
        self._question = _OF_FILE if place.url is None else _OF_SERVER
        self._last = ""
        self._file = OpenedFile.of(place)
        self._engine: Any = None
        with Doing(self._where, "open"):
            self._connection = self._open(place)

    def _open(self, place: StorePlace) -> Any:
        if place.path is not None:
            return open_file(place.path, watching=True)
        from sequencer.results.store.engine import make_engine

        self._engine = make_engine(place, watching=True, answer_s=READ_S)
        connection: Any = self._engine.raw_connection()
        connection.dbapi_connection.autocommit = True
        return connection

    def seen(self) -> bool:
        """Say whether somebody has written since the last question; true at the first."""
        if self._file is not None and not self._file.is_in_place():
            raise StoreProblem(
                self._where,
                "the store was moved or removed since it was opened",
                "Put it back, or name another.",
            )
        with Doing(self._where, "read"):
            cursor = self._connection.cursor()
            now = str(cursor.execute(self._question).fetchone()[0])
            cursor.close()
        changed, self._last = now != self._last, now
        return changed

    def close(self) -> None:
        """Let go of the connection."""
        with suppress(Exception):
            self._connection.close()
        if self._engine is not None:
            self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
