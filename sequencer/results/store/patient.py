"""psycopg's connection with a deadline: libpq waits for an answer for as long as the server's machine acknowledges what it was sent."""

from __future__ import annotations

import time
from collections.abc import Generator
from typing import Any

from psycopg import Connection, OperationalError, waiting
from typing_extensions import override

from sequencer.results.store.server_line import STOP_S, is_hurried

_LOOK_S = 0.1


class PatientConnection(Connection[Any]):
    """A connection that is given up, and raises `OperationalError`, where no byte has moved for ``answer_s`` (s; None: waits on).

    An interruption (Ctrl-C, SIGTERM) leaves it at once: psycopg's own would first ask the server to cancel, and wait for its answer.
    """

    answer_s: float | None = None

    @override
    def wait(self, gen: Generator[Any, Any, Any], *words: Any, **named: Any) -> Any:
        if self.answer_s is None:
            return super().wait(gen, *words, **named)
        try:
            return waiting.wait(self._watched(gen, self.answer_s), self.pgconn.socket, _LOOK_S)
        except (KeyboardInterrupt, SystemExit):
            self.pgconn.finish()
            raise

    def _watched(self, gen: Generator[Any, Any, Any], answer_s: float) -> Generator[Any, Any, Any]:
        """Hand on what psycopg and its wait say to each other, and look at the clock where there was nothing."""
        moved_s = time.monotonic()
        asked_s: float | None = None
        try:
            wants = next(gen)
            while True:
                ready = yield wants
                now_s = time.monotonic()
                if ready:
                    moved_s = now_s
                elif now_s - moved_s > answer_s:
                    raise self._given_up(f"the server has not answered for {answer_s:g} s")
                elif is_hurried():
                    asked_s = now_s if asked_s is None else asked_s
                    if now_s - asked_s > STOP_S:
                        raise self._given_up("the server had not answered when the run was asked to stop")
                wants = gen.send(ready)
        except StopIteration as over:
            return over.value

    def _given_up(self, why: str) -> OperationalError:
        self.pgconn.finish()
        return OperationalError(why)
