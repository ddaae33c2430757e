"""Finds the runs that a person names."""

from __future__ import annotations

from sequencer.problems import about_file, nearest
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store
from sequencer.results.stored import StoredRun

_NEWEST = 50
"""How many runs are looked through for a name like the one that is not there."""


def find_run(name: str, store: Store, place: StorePlace, serial: str | None) -> StoredRun:
    """Return the run of that name, or the newest for `last`. Raises FileProblems that names the nearest."""
    if name == "last":
        newest = store.read_runs(serial=serial, limit=1)
        if newest:
            return newest[0]
    elif (found := store.read_run(name)) is not None:
        return found
    whose = f" of unit {serial!r}" if serial is not None and name == "last" else ""
    if name == "last" and serial is None:
        raise about_file(
            place,
            "this store holds no run yet",
            hint="name another with --folder or --store",
        )
    alike = nearest(name, [one.run for one in store.read_runs(limit=_NEWEST)])
    raise about_file(
        place,
        f"no run {name!r}{whose} in this store",
        allowed="'last', or a run that 'sequencer results' lists",
        hint=f"did you mean {alike[0]}?" if alike else "",
    )
