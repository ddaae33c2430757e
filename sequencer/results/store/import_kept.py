"""Putting a run that was kept beside its table into the store: what is missing there is added, in one transaction."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, insert, or_, select, update
from sqlalchemy.sql.functions import count

from sequencer.frozen import dataclass
from sequencer.results.model import NOT_ENDED
from sequencer.results.store import rows as store_rows
from sequencer.results.store.insert import CheckRows
from sequencer.results.store.spill import KeptCheck, KeptRun
from sequencer.results.store.tables import instruments, results, runs
from sequencer.results.store.transaction import Writing, count_alike, is_measured_anew, replace_own

_SAME = ("time", "serial", "sequence", "sequence_hash", "bench_hash", "simulated", "again")


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """How much of a kept run was added, and how many results the store had of it before."""

    run: str
    checks: int
    results: int
    exchanges: int
    before: int
    ended: bool
    """Whether the store learned only now how the run ended."""
    new: bool = False
    """Whether the store had no run of that name."""

    @property
    def nothing(self) -> bool:
        """Whether the store had all of it."""
        return not (self.checks or self.ended or self.new)


class NotTheSame(Exception):
    """The store holds something else under the name of the run; the text says what."""


def import_kept(kept: KeptRun, connection: Connection, *, new: bool = False) -> Imported:
    """Add what the store lacks of ``kept``, whose row is there (``new``: only now); call it in a transaction. Raises `NotTheSame`.

    Checks are written in order and each as a whole, so that what the store has is how the run began.
    """
    name = kept.run
    # Another who imports the same file at the same moment waits here (SQLite: since the transaction began).
    row = connection.execute(select(runs).where(runs.c.run == name).with_for_update()).mappings().one()
    said = store_rows.run_row(kept)
    # a bench may have said that it is simulated when the store could not be written any more
    late = bool(said["simulated"]) and not row["simulated"]
    wrong = [one for one in _SAME if row[one] != said[one] and not (late and one == "simulated")]
    if wrong:
        raise NotTheSame(f"another run named {name} is in the store; it differs in {', '.join(wrong)}")
    if late:
        marked = {one: said[one] for one in ("simulated", "bench")}
        connection.execute(update(runs).where(runs.c.run == name).values(**marked))
    before = _count(connection, results, name)
    missing = _missing(kept, connection, before)
    known = connection.execute(select(count()).where(instruments.c.run == name)).scalar_one()
    if kept.instruments and not known:
        connection.execute(insert(instruments), store_rows.instrument_rows(name, kept.instruments))
    _write(connection, kept, missing)
    for check in missing:
        if check.results and check.results[0].check != "confirm":
            _settle(connection, kept.again or name, check.check_index, check.results[0].check)
    is_later = len(kept.resumed) > len(json.loads(row["resumed"]))
    ended = kept.outcome != NOT_ENDED and (row["outcome"] == NOT_ENDED or is_later)
    if ended or is_later:  # a run that was resumed since goes on, or ended otherwise
        how = {one: said[one] for one in ("outcome", "bench_safe", "bench_s", "status", "resumed")}
        connection.execute(update(runs).where(runs.c.run == name).values(**how))
    return Imported(
        run=name,
        checks=len(missing),
        results=sum(len(check.results) for check in missing),
        exchanges=sum(len(check.exchanges) for check in missing),
        before=before,
        ended=ended,
        new=new,
    )


def _missing(kept: KeptRun, connection: Connection, stored_results: int) -> list[KeptCheck]:
    """Return the checks that the store has not; all that it has must be the file's first, or `NotTheSame` is raised."""
    name = kept.run
    in_file = [
        store_rows.same_result(check.check_index, one.quantity, one.channel, one.value, one.stage)
        for check in kept.checks
        for one in check.results
    ]
    transaction = Writing.within(connection)
    there = transaction.count_left(name)
    if count_alike(transaction, name, in_file) < min(stored_results, len(in_file)):
        raise NotTheSame(f"the results of run {name} in the store are not those of the file")
    for at, check in enumerate(kept.checks):
        if there <= 0:
            return [one for one in kept.checks[at:] if one.results or one.exchanges]
        there -= len(check.results) + len(check.exchanges)
        if there < 0:
            raise NotTheSame(f"the store holds a part of check {check.check_index} of run {name}")
    return []


def _write(connection: Connection, kept: KeptRun, missing: Sequence[KeptCheck]) -> None:
    transaction = Writing.within(connection)
    for check in missing:
        if is_measured_anew(check.results):
            replace_own(transaction, kept.run, check.check_index)
        said = [one.as_exchange() for one in check.exchanges]
        CheckRows(kept.run, check.check_index, check.results, said, check.seconds).insert(transaction)


def _settle(connection: Connection, first: str, check_index: int, check: str) -> None:
    """Let the newest of those runs that found something in this check count: a kept run comes in later than it was made."""
    alike = select(runs.c.run).where(or_(runs.c.run == first, runs.c.again == first))
    here = results.c.run.in_(alike) & (results.c.check_index == check_index) & (results.c.check == check)
    newest = connection.execute(
        select(runs.c.run)
        .join(results, results.c.run == runs.c.run)
        .where(here)
        .order_by(runs.c.utc_s.desc(), runs.c.run.desc())
        .limit(1)
    ).scalar_one()
    connection.execute(update(results).where(here, results.c.run != newest).values(replaced_by=newest))
    connection.execute(
        update(results)
        .where(here, results.c.run == newest, results.c.replaced_by != newest)
        .values(replaced_by="")
    )


def _count(connection: Connection, table: Any, run: str) -> int:
    return int(connection.execute(select(count()).select_from(table).where(table.c.run == run)).scalar_one())
