"""One connection to the queue that is made anew where it has died; whoever uses it is told that the server is away."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any, TypeVar

from sequencer.results.queue.connect import QueuePlace

if TYPE_CHECKING:
    from psycopg import Connection

Answer = TypeVar("Answer")


class ServerAway(Exception):
    """The server did not do what it was asked; the text is what came back, without the address."""


class Line:
    """A connection, each statement a transaction. ``on_new`` is called with each new one, before it is used."""

    def __init__(
        self, found: QueuePlace, *, on_new: Callable[[Connection[Any]], None] = lambda made: None
    ) -> None:
        self._found = found
        self._on_new = on_new
        self._connection: Connection[Any] | None = None
        self.before = 0
        """The server's process of the connection before this one; 0 for none."""
        self._process = 0

    def do(self, ask: Callable[[Connection[Any]], Answer]) -> Answer:
        """Return what ``ask`` returns of the connection. Raises ServerAway, after which the next asks through a new one."""
        import psycopg

        try:
            if self._connection is None or self._connection.closed:
                self._connection = None
                made = self._found.connect(settings="-cstatement_timeout=8000", autocommit=True)
                self._connection = made
                self.before, self._process = self._process, made.info.backend_pid
                self._on_new(made)
            return ask(self._connection)
        except psycopg.Error as error:
            self.close()
            said = str(error).splitlines()
            raise ServerAway(said[0] if said else type(error).__name__) from error
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Let go of the connection; what was locked through it is free."""
        import psycopg

        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(psycopg.Error, OSError):
                connection.close()
