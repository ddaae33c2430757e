"""Batches, and what one comes to: the page that the report has, kept as long as nothing of the batch changes."""

from __future__ import annotations

import threading
from typing import Any

from sequencer.analysis.batches.summary import find_record, find_summary
from sequencer.problems import InputError, nearest
from sequencer.report.batch import batch_view
from sequencer.results.store.set_aside import rows_set_aside
from sequencer.results.store.store import Store
from sequencer.watch.asked import Query, WrongAddress

MOST_BATCHES = 200
MOST_KEPT = 8


def batches_page(store: Store, raw: bytes) -> dict[str, Any]:
    """Return the batches, the newest first."""
    Query.read(raw, ())
    found = store.read_batches()
    return {
        "batches": found[:MOST_BATCHES],
        "more": len(found) - MOST_BATCHES,
        "simulated": "",
    }


class BatchPages:
    """Works out batches; of one in which nothing has changed since, what it came to is kept."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[tuple[Any, ...], dict[str, Any]] = {}

    def page(self, store: Store, raw: bytes) -> dict[str, Any]:
        """Return one batch. Raises WrongAddress."""
        query = Query.read(raw, ("batch", "all"))
        name, every = query.needed("batch", "trial"), query.one("all") == "yes"
        try:
            record = find_record(name, store, store.place)
        except InputError as problem:
            alike = nearest(name, [one.batch for one in store.read_batches()])
            near = f" Did you mean {alike[0]!r}?" if alike else ""
            raise WrongAddress(f"There is no batch {name!r} in this store.{near}", status=404) from problem
        key = (name, every, record, store.read_batch_mark(name))
        with self._lock:
            shown = self._kept.get(key)
            if shown is None:
                with rows_set_aside() as missing:
                    found = find_summary(record, store)
                shown = self._kept[key] = {
                    **batch_view(found, every=every),
                    "unread": missing,
                    "simulated": "not a measurement of real units" if record.simulated else "",
                    "every": every,
                }
                while len(self._kept) > MOST_KEPT:
                    del self._kept[next(iter(self._kept))]
        return dict(shown)
