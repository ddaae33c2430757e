"""Clears traces: the bytes that old runs exchanged are taken out of a store, which keeps everything else of those runs.

Traces are most of what a run leaves (three quarters, in PostgreSQL), and nothing but `trace` and `replay` reads them. Of each run whose
trace was cleared the store keeps when that was and how many messages there were, so that the lack is never taken for a run in which
nothing was exchanged, and a journal that comes in late is still counted right.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Exists, Select, delete, exists, func, insert, select
from sqlalchemy.sql.functions import count
from sqlalchemy.sql.functions import sum as total

from sequencer.frozen import dataclass
from sequencer.results.model import NOT_ENDED
from sequencer.results.store.tables import cleared, exchanges, runs

if TYPE_CHECKING:
    from sequencer.results.store.store import Store

AT_ONCE = 20
"""Runs in one transaction: some ten thousand messages, so that a run that writes meanwhile waits for a part of a second."""
PAUSE_S = 0.05
"""Between two of them, for whoever waits to write: SQLite keeps no order among those."""
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class OldTraces:
    """The traces of runs that began before a moment and have ended; ``content_bytes`` is what was sent and answered alone.

    What stays: traces of ``newer`` runs, and of ``not_ended`` older ones, of which one may be going on.
    """

    before: datetime
    runs: int = 0
    messages: int = 0
    content_bytes: int = 0
    newer: int = 0
    not_ended: int = 0


def find_old_traces(store: Store, before: datetime, told: Progress = lambda _done, _of: None) -> OldTraces:
    """Return what clearing would take out, and change nothing. ``told``: how many runs of how many were looked at. Raises StoreProblem."""
    with store.begin_reading() as connection:
        names = [str(name) for name in connection.execute(_old(before)).scalars()]
        found = [0, 0]
        for done, some in enumerate(_portions(names)):
            told(done * AT_ONCE, len(names))
            size = func.coalesce(total(func.length(exchanges.c.content)), 0)
            row = connection.execute(select(count(), size).where(exchanges.c.run.in_(some))).one()
            found = [found[0] + int(row[0]), found[1] + int(row[1])]
        newer = select(count()).where(_has_trace(), runs.c.utc_s >= before.timestamp())
        open_ones = select(count()).where(
            _has_trace(), runs.c.utc_s < before.timestamp(), runs.c.outcome == NOT_ENDED
        )
        return OldTraces(
            before=before,
            runs=len(names),
            messages=found[0],
            content_bytes=found[1],
            newer=int(connection.execute(newer).scalar_one()),
            not_ended=int(connection.execute(open_ones).scalar_one()),
        )


def clear_traces(
    store: Store, before: datetime, now: datetime, told: Progress = lambda _done, _of: None
) -> tuple[int, int]:
    """Take the traces of runs that began before ``before`` and have ended out of the store; returns how many runs and messages.

    A few runs are one transaction: cut short anywhere, each run has its trace or the word that it was cleared, and the same call does the
    rest. Raises StoreProblem.
    """
    with store.begin_reading() as connection:
        names = [str(name) for name in connection.execute(_old(before)).scalars()]
    done, messages = 0, 0
    rest = threading.Event()
    for some in _portions(names):
        told(done, len(names))
        with store.begin_writing() as connection:
            runs_done, messages_done = _clear(connection, some, before, now)
        done, messages = done + runs_done, messages + messages_done
        rest.wait(PAUSE_S)
    return done, messages


def _clear(connection: Connection, names: Sequence[str], before: datetime, now: datetime) -> tuple[int, int]:
    # locked: somebody may be bringing in the rest of such a run, or carrying it on
    still = connection.execute(_old(before).where(runs.c.run.in_(names)).with_for_update()).scalars().all()
    if not still:
        return 0, 0
    of_these = exchanges.c.run.in_(still)
    counted = connection.execute(
        select(exchanges.c.run, count()).where(of_these).group_by(exchanges.c.run)
    ).all()
    before_it = dict(
        connection.execute(select(cleared.c.run, cleared.c.messages).where(cleared.c.run.in_(still))).all()
    )
    connection.execute(delete(cleared).where(cleared.c.run.in_(still)))
    said = [
        {"run": run, "time": now.isoformat(), "messages": number + before_it.get(run, 0)}
        for run, number in counted
    ]
    connection.execute(insert(cleared), said)
    connection.execute(delete(exchanges).where(of_these))
    return len(said), sum(number for _, number in counted)


def _old(before: datetime) -> Select[tuple[str]]:
    """Return the question for the runs whose traces are cleared, the oldest first."""
    return (
        select(runs.c.run)
        .where(runs.c.utc_s < before.timestamp(), runs.c.outcome != NOT_ENDED, _has_trace())
        .order_by(runs.c.utc_s, runs.c.run)
    )


def _has_trace() -> Exists:
    return exists().where(exchanges.c.run == runs.c.run)


def _portions(names: Sequence[str]) -> Iterator[Sequence[str]]:
    for start in range(0, len(names), AT_ONCE):
        yield names[start : start + AT_ONCE]
