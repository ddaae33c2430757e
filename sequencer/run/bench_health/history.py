"""What the store holds of a serial on this bench: the earlier results that a check of the bench is held against."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sequencer.analysis.own_history import OwnHistory
from sequencer.results.model import BenchInstrument
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import StoreProblem

if TYPE_CHECKING:
    from sequencer.run.facts import RunFacts

MOST_ROWS = 50_000


def find_history(
    place: StorePlace, facts: RunFacts, now: Sequence[BenchInstrument], *, serial: str, check: str = ""
) -> OwnHistory:
    """Return the results of ``serial`` on the bench of ``facts``, of one check or (empty) of all, oldest first, without this run's own.

    A store that cannot be read is no reason to end a run: ``unreadable`` says why.
    """
    from sequencer.results.store.store import Store, Wanted

    try:
        with Store.open_to_read(place) as store:
            found = store.find_results(
                Wanted(serials=(serial,), check=check, measured=True), limit=MOST_ROWS, points=False
            )
            rows = [row for row in reversed(found) if row.bench == facts.bench_name and row.run != facts.run]
            who = store.read_instruments(list(dict.fromkeys(row.run for row in rows)))
    except StoreProblem as problem:
        return OwnHistory(now=tuple(now), simulated=facts.simulated, unreadable=str(problem))
    return OwnHistory(rows=tuple(rows), who=who, now=tuple(now), simulated=facts.simulated)
