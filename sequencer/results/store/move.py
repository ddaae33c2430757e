"""Moves a store into another, SQLite into PostgreSQL or the other way: whole runs, counted and compared row by row, in one transaction.

A run that both have must be the same in both, row for row, and is left as it is: so that a move may be repeated, and two stores may
become one, without anything being doubled. Numbers that a database gives (of results and messages) stay as they are in an empty store,
and go on behind those that are there in another.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import field

from sqlalchemy import Connection, Table, select, text
from sqlalchemy.sql.functions import count

from sequencer.frozen import dataclass
from sequencer.problems import printable
from sequencer.results.model import NOT_ENDED
from sequencer.results.store.move_keyed import Keyed
from sequencer.results.store.move_source import opened_source
from sequencer.results.store.moved_rows import Digest, Row, digest_of, insert_rows, read_rows
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import Doing, StoreProblem
from sequencer.results.store.store import Store
from sequencer.results.store.tables import benches_now, cleared, exchanges, metadata, readings, results, runs
from sequencer.units.format import counted

NAMED = 4
"""How many runs a complaint names."""
_NUMBERED = (results, exchanges)
"""The tables whose rows a database numbers."""
_MOVED = [table for table in metadata.sorted_tables if table is not benches_now]
"""What a bench does now is said to one store, and is not so any more once it is moved."""
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedTable:
    """What was moved of one table: ``moved`` rows, compared as ``digest``; ``there`` stood in the other store before."""

    table: str
    moved: int
    there: int
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What a move came to. ``not_ended``: runs without an end, of which one may be going on. ``schema``: that of the store moved."""

    source: str
    target: str
    tables: tuple[MovedTable, ...]
    runs: int
    runs_there: int
    schema: int
    not_ended: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Runs:
    """Which runs are moved: all of an empty store's, or those that the other has not."""

    new: frozenset[str]
    there: frozenset[str]
    results: set[int] = field(default_factory=set)  # numbers of results of the new ones, once they are known


def move(source: StorePlace, target: StorePlace, told: Progress = lambda _table, _done, _of: None) -> Moved:
    """Put all runs of ``source`` into ``target``, and see that they are there. ``told``: of which table how many rows of how many.

    Raises StoreProblem, and leaves ``target`` as it was, where the two hold different things under one name, or cannot be read or written.
    ``source`` is only read.
    """
    if (source.path is not None and target.is_at(source.path)) or (
        source.url is not None and source.url == target.url
    ):
        raise StoreProblem(
            str(target), "the store would be moved onto itself", "Name another place for it to go."
        )
    with opened_source(source) as (reading, schema), Store.open(target) as store:
        return _Move(reading, store, source=str(source), target=str(target), told=told).made(schema)


class _Move:
    def __init__(
        self, reading: Connection, store: Store, *, source: str, target: str, told: Progress
    ) -> None:
        self._reading = reading
        self._store = store
        self._source, self._target = source, target
        self._told = told
        self._shifts: dict[str, int] = {}
        self._of = 0

    def made(self, schema: int) -> Moved:
        with Doing(self._target, "write to"), self._store.begin_alone() as writing:
            chosen = self._chosen(writing)
            moved = tuple(self._table(table, chosen, writing) for table in _MOVED)
            self._number_on(writing)
        with Doing(self._source, "read"):
            open_runs = select(runs.c.run).where(runs.c.outcome == NOT_ENDED).order_by(runs.c.run)
            not_ended = tuple(self._reading.execute(open_runs).scalars())
        return Moved(
            source=self._source,
            target=self._target,
            tables=moved,
            runs=len(chosen.new),
            runs_there=len(chosen.there),
            schema=schema,
            not_ended=not_ended,
        )

    def _chosen(self, writing: Connection) -> _Runs:
        """Return which runs are moved. Raises StoreProblem where both have one of a name, and not the same."""
        with Doing(self._source, "read"):
            ours = frozenset(self._reading.execute(select(runs.c.run)).scalars())
        there = ours & frozenset(writing.execute(select(runs.c.run)).scalars())
        if there:
            with Doing(self._source, "read"):
                no_trace = _without_trace(self._reading) | _without_trace(writing)
                mine = _digests(self._reading, there, no_trace)
            theirs = _digests(writing, there, no_trace)
            if differing := sorted(name for name in there if mine[name] != theirs[name]):
                self._see_ended(differing, writing)
                named = ", ".join(map(printable, differing[:NAMED])) + (
                    " …" if len(differing) > NAMED else ""
                )
                raise StoreProblem(
                    self._target,
                    f"{len(differing)} of the runs that both stores hold are not the same in both: {named}",
                    "Nothing was moved. Move into an empty database: 'sequencer results RUN' with --store shows which of the two is right.",
                )
        return _Runs(new=ours - there, there=there)

    def _see_ended(self, differing: list[str], writing: Connection) -> None:
        """Raise StoreProblem where what differs was still going on when it was moved: its end is what the other store lacks."""
        without_end = select(runs.c.run).where(runs.c.outcome == NOT_ENDED)
        there = set(writing.execute(without_end).scalars())
        with Doing(self._source, "read"):
            here = set(self._reading.execute(without_end).scalars())
        if late := [name for name in differing if name in there and name not in here]:
            raise StoreProblem(
                self._target,
                f"{counted(len(late), 'run')} had not ended when moved here, and did since: "
                f"{', '.join(map(printable, late[:NAMED]))}{' …' if len(late) > NAMED else ''}",
                "Nothing was moved. 'sequencer import-kept JOURNAL' with --store and this store's address brings the rest of it from the "
                "journal beside its table; then move again.",
            )

    def _table(self, table: Table, chosen: _Runs, writing: Connection) -> MovedTable:
        self._of = self._count(table)
        if "run" not in table.c and table is not readings:
            return self._keyed(table, writing)
        shift = self._shift(table, writing)
        moved = Digest()
        insert_rows(writing, table, self._moving(table, chosen, shift, moved))
        found = self._found(table, chosen, writing)
        self._see_alike(table, moved, found)
        return MovedTable(
            table=table.name, moved=moved.count, there=self._of - moved.count, digest=str(moved)
        )

    def _moving(self, table: Table, chosen: _Runs, shift: int, moved: Digest) -> Iterator[Row]:
        """Yield the rows of the new runs as the other store is to have them, and count them."""
        at = _place_of_run(table)
        for done, row in enumerate(self._rows(table)):
            if done % 5000 == 0:
                self._told(table.name, done, 2 * self._of)
            if not (row[0] in chosen.results if table is readings else row[at] in chosen.new):
                continue
            if table is results:
                chosen.results.add(row[0])
            made = (row[0] + shift, *row[1:]) if shift else row
            moved.add(made)
            yield made

    def _found(self, table: Table, chosen: _Runs, writing: Connection) -> Digest:
        """Return what the other store gives back of the new runs."""
        found = Digest()
        at = _place_of_run(table)
        shift = self._shifts.get(results.name, 0)
        for done, row in enumerate(read_rows(writing, table)):
            if done % 5000 == 0:
                self._told(table.name, min(self._of + done, 2 * self._of), 2 * self._of)
            if (row[0] - shift in chosen.results) if table is readings else (row[at] in chosen.new):
                found.add(row)
        self._told(table.name, 2 * self._of, 2 * self._of)
        return found

    def _keyed(self, table: Table, writing: Connection) -> MovedTable:
        theirs = list(read_rows(writing, table))
        keyed = Keyed.of(table, self._rows(table), theirs)
        if keyed.differing:
            raise StoreProblem(
                self._target,
                f"both stores hold a {table.name} {printable(keyed.differing)!r}, and not the same",
                "Nothing was moved. Move into an empty database.",
            )
        keyed.write(writing)
        moved, found = Digest(), Digest()
        for row in keyed.wanted.values():
            moved.add(row)
        for row in read_rows(writing, table):
            if keyed.key(row) in keyed.wanted:
                found.add(row)
        self._see_alike(table, moved, found)
        self._told(table.name, self._of, self._of)
        return MovedTable(table=table.name, moved=len(keyed.new), there=keyed.there, digest=str(moved))

    def _see_alike(self, table: Table, moved: Digest, found: Digest) -> None:
        if moved != found:
            raise StoreProblem(
                self._target,
                f"what came back of table {table.name} is not what was put in: {moved.count} rows ({moved}) in, "
                f"{found.count} ({found}) back",
                "Nothing was moved. Move again; if it says so again, look at that database's disk and memory.",
            )

    def _shift(self, table: Table, writing: Connection) -> int:
        """Return what is added to the numbers of a table's rows, so that they go on behind those that are there."""
        if table is readings:
            return self._shifts.get(results.name, 0)
        if table not in _NUMBERED:
            return 0
        top = writing.execute(select(table.c.id).order_by(table.c.id.desc()).limit(1)).scalar()
        self._shifts[table.name] = int(top or 0)
        return self._shifts[table.name]

    def _number_on(self, writing: Connection) -> None:
        """Let a server number on behind what was put in with its numbers."""
        if writing.dialect.name == "sqlite":
            return
        for table in _NUMBERED:
            last = f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), (SELECT max(id) FROM {table.name}))"
            writing.execute(text(f"{last} WHERE EXISTS (SELECT 1 FROM {table.name})"))

    def _count(self, table: Table) -> int:
        with Doing(self._source, "read"):
            return int(self._reading.execute(select(count()).select_from(table)).scalar_one())

    def _rows(self, table: Table) -> Iterator[Row]:
        """Yield the rows of the store that is moved; what goes wrong in reading is told of it, not of the other."""
        rows = read_rows(self._reading, table)
        while True:
            with Doing(self._source, "read"):
                row = next(rows, None)
            if row is None:
                return
            yield row


def _place_of_run(table: Table) -> int:
    names = [column.name for column in table.columns]
    return names.index("run") if "run" in names else -1


def _without_trace(connection: Connection) -> frozenset[str]:
    return frozenset(connection.execute(select(cleared.c.run)).scalars())


def _digests(connection: Connection, wanted: frozenset[str], no_trace: frozenset[str]) -> Counter[str]:
    """Return of each run what all its rows come to, whatever numbers the database gave them; of ``no_trace`` all but a trace."""
    found: Counter[str] = Counter()
    of_result: dict[int, tuple[str, int]] = {}
    for table in _MOVED:
        at = _place_of_run(table)
        numbered = table in _NUMBERED
        if at < 0 and table is not readings:
            continue
        for row in read_rows(connection, table):
            if table is readings:
                if (of := of_result.get(row[0])) is not None:
                    found[of[0]] += digest_of((table.name, of[1], *row[1:]))
            elif (name := row[at]) in wanted and not (table in (exchanges, cleared) and name in no_trace):
                one = digest_of((table.name, *(row[1:] if numbered else row)))
                found[name] += one
                if table is results:
                    of_result[row[0]] = (name, one)
    return found
