"""Whether what a connection was told has reached the server: a pooler in between may drop it, and nobody says so.

Settings travel in a connection's ``options``. PgBouncer refuses these, or, told to ignore them, drops them: nothing then keeps a page from
writing, a write from waiting without end, and the queue's tables from being made in another schema. So a mark is sent along and read back.
Measured with PgBouncer 1.18: ``python -m tests.benchmarks.try_pooler``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sequencer.results.store.problems import StoreProblem

TOLD = "-c sequencer.told=1"
"""The mark, as a part of a connection's ``options``; PostgreSQL takes any setting with a point in its name."""
_LOOK = "select pg_backend_pid(), current_setting('sequencer.told', true)"


def see_told(bare: Any, where: str, wanted: Mapping[str, str], *, has_own: bool) -> None:
    """See that ``wanted`` (settings, as ``pg_settings`` has them) hold on a connection of psycopg. Raises StoreProblem.

    Where a pooler is in between, statements are prepared no more: the next one may go to another session, which has others of these names.
    ``has_own``: the address has settings of its own, which must arrive too.
    """
    process, told = bare.execute(_LOOK).fetchone()
    if is_pooled := process != bare.info.backend_pid:
        bare.prepare_threshold = None
    held = told == "1" or (not (is_pooled and has_own) and _holds(bare, wanted))
    bare.rollback()
    if not held:
        settings = ", ".join(f"{name} = {value}" for name, value in wanted.items())
        raise StoreProblem(
            where,
            "what is set for a connection does not reach the server: a pooler between here and there drops it",
            f"Name the server itself. Results alone may go through a pooler, to an address without options, where the database has these "
            f"settings by itself ('ALTER DATABASE … SET …'): {settings}.",
        )


def see_direct(bare: Any, where: str) -> None:
    """See that no pooler is in between: a bench's lock and a wake-up are lost in one. Raises StoreProblem."""
    process, told = bare.execute(_LOOK).fetchone()
    bare.rollback()
    if told != "1" or process != bare.info.backend_pid:
        raise StoreProblem(
            where,
            "there is a pooler between here and the server: it keeps no bench's lock and wakes no worker",
            "Jobs need the server itself: give its own address.",
        )


def _holds(bare: Any, wanted: Mapping[str, str]) -> bool:
    asked = "select name, setting from pg_settings where name = any(%s)"
    return dict(bare.execute(asked, [list(wanted)]).fetchall()) == dict(wanted)
