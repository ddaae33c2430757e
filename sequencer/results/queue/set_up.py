"""Makes the jobs' tables, and those of the task queue that carries them, in one transaction."""

from __future__ import annotations

from contextlib import closing
from importlib import resources

from sequencer.results.queue.connect import (
    UPGRADES,
    VERSION,
    QueuePlace,
    find_queue,
    form_of,
    need_carrier,
    server_of,
)
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import Doing
from sequencer.results.store.writer import StoreWriter

_LOCK = 0x7365_7175_6A6F_6273
"""One at a time makes the tables; any number will do, if it is always the same."""


def set_up(place: StorePlace) -> tuple[QueuePlace, bool]:
    """See that the store and its queue are there; returns where, and whether the queue was made now. Raises StoreProblem, InputError."""
    server_of(place)
    need_carrier()
    from procrastinate.schema import SchemaManager

    with StoreWriter.open(place):
        pass
    found = find_queue(place, must_be_there=False)
    form = form_of(found)
    if form is not None:
        _bring_up_to_date(found, form)
        return found, False
    ours = (resources.files(__package__) / "tables.sql").read_text(encoding="utf-8")
    with Doing(str(place), "set up the queue in"), closing(found.connect()) as connection:
        connection.execute("select pg_advisory_xact_lock(%s)", [_LOCK])
        if connection.execute("select to_regclass('version')").fetchone() != (None,):  # another was quicker
            return found, False
        connection.execute(f'create schema if not exists "{found.schema}"')
        connection.execute(SchemaManager.get_schema())
        connection.execute(ours)
        connection.commit()
    return found, True


def _bring_up_to_date(found: QueuePlace, form: int) -> None:
    """Bring tables of an older form to this one's, in one transaction; whoever comes second finds it done."""
    if form >= VERSION:
        return
    with Doing(str(found.place), "bring the queue up to date in"), closing(found.connect()) as connection:
        connection.execute("select pg_advisory_xact_lock(%s)", [_LOCK])
        row = connection.execute("select number from version").fetchone()
        for number in range(VERSION if row is None else int(row[0]), VERSION):
            connection.execute(UPGRADES[number])
        connection.execute("update version set number = greatest(number, %s)", [VERSION])
        connection.commit()
