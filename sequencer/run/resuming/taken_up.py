"""Taking up what a run left that was cut short: its journal, its table, and what its store lacks."""

from __future__ import annotations

import glob
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.results.csv_table import LongerTable, ResultsTable, read_longer, table_path
from sequencer.results.journal import JournalRead
from sequencer.results.model import NOT_ENDED, Result
from sequencer.results.store.fence import Fence
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.spill import KeptRun
from sequencer.results.store.writer import StoreWriter
from sequencer.run.keeping.journal import Journal
from sequencer.units.format import counted

if TYPE_CHECKING:  # imports SQLAlchemy, which a run that begins does without
    from sequencer.results.store.import_kept import Imported


def taken_up(read: JournalRead, *, power_safe: bool) -> Journal:
    """Return the journal, to be gone on with after its last whole line. JournalBusy if its run goes on, OSError."""
    lines = read.lines
    return Journal.take_up(
        read.path,
        power_safe=power_safe,
        number=len(lines.lines),
        good_bytes=lines.good_bytes,
        last_sum=lines.last_sum,
    )


def table_of(read: JournalRead, *, power_safe: bool) -> tuple[ResultsTable, list[int], str]:
    """Return the run's table with the number of the check of each row that it holds or is to hold, and what is to be said of it. OSError.

    Where somebody has changed the table meanwhile it is left alone, and a new one beside it holds all rows.
    """
    if (found := _found_table(read, power_safe=power_safe)) is not None:
        return *found, ""
    rows, path = _rows(read), read.path.with_name(read.head.table)
    stem = Path(read.head.sequence_file).stem
    new = table_path(path.parent, time=read.head.record.time, serial=read.head.record.serial, sequence=stem)
    table = ResultsTable.take_up(new, (one for _, one in rows), power_safe=power_safe)
    assert table is not None
    said = f"the results table {path} was changed since the run wrote it, and was left as it is: all rows stand in {new}"
    return table, [index for index, _ in rows], said


def more_in_table(read: JournalRead) -> list[dict[str, str]]:
    """Return the rows of the run that its table holds and its journal, which could not be written, has not."""
    results = [one for _, one in _rows(read)]
    longer = read_longer(read.path.with_name(read.head.table), results, run=read.head.record.run)
    return [] if longer is None else longer.more


def _rows(read: JournalRead) -> list[tuple[int, Result]]:
    return [(check.check_index, one) for check in read.kept.checks for one in check.results]


def _found_table(read: JournalRead, *, power_safe: bool) -> tuple[ResultsTable, list[int]] | None:
    """Return the run's table as it stands, to be gone on with, and the number of the check of each row; None where it was changed."""
    rows, path = _rows(read), read.path.with_name(read.head.table)
    orders = (rows, sorted(rows, key=lambda row: row[0]))  # at its end a run puts its table in order
    for one in (path, *_made_beside(path, read.head.record.run)):
        for order in orders:
            table = ResultsTable.take_up(one, (row for _, row in order), power_safe=power_safe)
            if table is not None:
                return table, [index for index, _ in order]
        longer = read_longer(one, (row for _, row in rows), run=read.head.record.run)
        if longer is not None:
            return ResultsTable.take_up_longer(longer, power_safe=power_safe), _numbers(longer, rows)
    return None


def _made_beside(path: Path, run: str) -> list[Path]:
    """Return the tables that were made beside a changed one when the run was carried on before."""
    beside = sorted(path.parent.glob(f"{glob.escape(path.stem)}_[0-9]*.csv"))
    mark = f",{run},".encode()
    return [one for one in beside if mark in one.read_bytes()]


def _numbers(longer: LongerTable, rows: Sequence[tuple[int, Result]]) -> list[int]:
    """Return the number of the check of each row; one that is not known stays behind the row above it."""
    found: list[int] = []
    for known in longer.known:
        found.append(rows[known][0] if known is not None else (found[-1] if found else 0))
    return found


def unended(kept: KeptRun) -> KeptRun:
    """Return the run as one that goes on."""
    return replace(kept, outcome=NOT_ENDED, bench_safe=None, bench_s=None)


def import_into(writer: StoreWriter, kept: KeptRun) -> Imported:
    """Add to the store what it lacks of the run. Raises StoreProblem, also where the store holds another run of that name."""
    from sequencer.results.store.import_kept import NotTheSame
    from sequencer.results.store.store import Store

    with Store.open(writer.place, fence=writer.fence) as store:
        try:
            return store.import_kept(kept)
        except NotTheSame as wrong:
            raise StoreProblem(
                store.where, str(wrong), "The run goes on without it: import its journal into another store."
            ) from wrong


def bring_up_to_date(read: JournalRead, place: StorePlace, *, fence: Fence | None = None) -> list[str]:
    """Bring table and store of a run to what its journal has, without going on with it; return what is to be said of it, a line each."""
    said: list[str] = []
    try:
        found = _found_table(read, power_safe=not read.kept.simulated)
        if found is None:
            path = read.path.with_name(read.head.table)
            said.append(
                f"the results table {path} was changed since the run wrote it, and was left as it is."
            )
        else:
            with found[0] as table:
                before = table.count_kept()
                table.write(())
                if added := table.count_kept() - before:
                    said.append(f"{counted(added, 'result')} added to the table {table.path}.")
    except OSError as error:
        said.append(f"the results table could not be written: {error.strerror or error}.")
    try:
        with StoreWriter.open(place, fence=fence) as writer:
            came = import_into(writer, read.kept)
    except StoreProblem as problem:
        return [*said, f"{problem} The run stands in {read.path}, which 'sequencer import-kept' takes."]
    if came.results or came.ended:
        ended = "" if not came.ended else f", and how it ended: {read.kept.outcome}"
        said.append(f"{counted(came.results, 'result')} added to the store {place}{ended}.")
    return said
