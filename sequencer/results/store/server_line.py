"""How long a line to a PostgreSQL server may be silent: what every connection is told, and the deadlines of whoever waits for an answer."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

ANSWER_S = 5
"""How long a server may take to accept a connection, and a machine to answer a probe."""
WRITE_S = 10.0
"""How long a server may move no byte while a run's write, or a question of the queue, waits for it: longer than it waits for a lock."""
READ_S = 60.0
"""The same for whoever reads: a question about many runs may take a server long before the first byte."""
STOP_S = 1.0
"""How long a write is still waited for once somebody has asked the run to stop: the bench is made safe first."""
LINE: dict[str, Any] = {
    "connect_timeout": ANSWER_S,
    # On a line that has died a send, or a wait for an answer, would last for minutes (tcp(7)): the first is for what was sent and is not
    # acknowledged, the others for a wait with nothing under way.
    "tcp_user_timeout": 2000 * ANSWER_S,
    "keepalives": 1,
    "keepalives_idle": ANSWER_S,
    "keepalives_interval": 2,
    "keepalives_count": 3,
}
"""What libpq is told of every connection (PostgreSQL manual, 34.1.2)."""

_stop_asked: dict[int, Callable[[], bool]] = {}


@contextmanager
def hurried(is_stop_asked: Callable[[], bool]) -> Iterator[None]:
    """Let this thread's calls to a server be given up after `STOP_S` once ``is_stop_asked``: something else must not wait for them."""
    thread = threading.get_ident()
    before = _stop_asked.get(thread)
    _stop_asked[thread] = is_stop_asked
    try:
        yield
    finally:
        del _stop_asked[thread]
        if before is not None:
            _stop_asked[thread] = before


def hurried_words() -> dict[str, Any]:
    """Return what a new connection is told otherwise than by `LINE`: libpq's shortest wait, where this thread is hurried."""
    return {"connect_timeout": 2} if is_hurried() else {}


def is_hurried() -> bool:
    """Say whether what this thread waits for is to be given up soon."""
    asked = _stop_asked.get(threading.get_ident())
    return asked is not None and asked()
