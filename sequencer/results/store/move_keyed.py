"""What is moved by its key and not by its run: units, batches, files, and whatever else has neither."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Self

from sqlalchemy import Connection, Table, update

from sequencer.frozen import dataclass
from sequencer.results.store.moved_rows import Row, insert_rows
from sequencer.results.store.tables import batches, files, units

Key = tuple[object, ...]
_SAME = (batches, files)
"""Tables whose rows must be the same where both stores have one of a key; of others that of the store moved into stays."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Keyed:
    """A table's rows by key: what is ``wanted`` in the other store at the end, which are ``new``, which there ``changed``.

    ``differing`` names one that both have and that is not the same; empty where there is none.
    """

    table: Table
    wanted: dict[Key, Row]
    new: tuple[Row, ...]
    changed: tuple[Row, ...]
    there: int
    differing: str

    @classmethod
    def of(cls, table: Table, ours: Iterable[Row], theirs: Iterable[Row]) -> Self:
        """Lay the rows of both stores beside each other."""
        key = _key(table)
        mine = {key(row): row for row in ours}
        others = {key(row): row for row in theirs if key(row) in mine}
        wanted, changed, differing = dict(mine), [], ""
        for name, other in others.items():
            if table is units:
                wanted[name] = _merged_unit(mine[name], other)
                if wanted[name] != other:
                    changed.append(wanted[name])
            else:
                wanted[name] = other
                if table in _SAME and mine[name] != other:
                    differing = differing or str(name[0])
        return cls(
            table=table,
            wanted=wanted,
            new=tuple(row for name, row in mine.items() if name not in others),
            changed=tuple(changed),
            there=len(others),
            differing=differing,
        )

    @property
    def key(self) -> Callable[[Row], Key]:
        """What gives a row's key."""
        return _key(self.table)

    def write(self, writing: Connection) -> None:
        """Put the new rows in, and change those that changed."""
        insert_rows(writing, self.table, self.new)
        names = [column.name for column in self.table.columns]
        for row in self.changed:
            said = dict(zip(names, row, strict=True))
            where = [column == said[column.name] for column in self.table.primary_key.columns]
            writing.execute(update(self.table).where(*where).values(**said))


def _key(table: Table) -> Callable[[Row], Key]:
    keys = {column.name for column in table.primary_key.columns}
    places = [at for at, column in enumerate(table.columns) if column.name in keys]
    return lambda row: tuple(row[at] for at in places)


def _merged_unit(one: Row, other: Row) -> Row:
    """Return a unit as both stores know it: its model as it was named last, first and last seen."""
    names = [column.name for column in units.columns]
    mine, theirs = (dict(zip(names, row, strict=True)) for row in (one, other))
    last = mine if mine["last_utc_s"] > theirs["last_utc_s"] and mine["model"] else theirs
    merged = {
        **theirs,
        "model": last["model"] or mine["model"],
        "first_utc_s": min(mine["first_utc_s"], theirs["first_utc_s"]),
        "last_utc_s": max(mine["last_utc_s"], theirs["last_utc_s"]),
    }
    return tuple(merged[name] for name in names)
