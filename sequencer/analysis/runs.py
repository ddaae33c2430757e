"""Finds the runs that a person names."""

from __future__ import annotations

from sequencer.problems import about_file, nearest, printable
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store
from sequencer.results.stored import StoredRun

_NEWEST = 50
"""How many runs are looked through for a name like the one that is not there."""
_MOST_NAMED = 4
"""How many runs are named that begin alike."""


def find_run(name: str, store: Store, place: StorePlace, serial: str | None) -> StoredRun:
    """Return the run of that name, or the only one that begins so, or the newest for `last`. Raises FileProblems that names the nearest."""
    if name == "last":
        newest = store.read_runs(serial=serial, limit=1)
        if newest:
            return newest[0]
    elif (found := named_run(name, store, place)) is not None:
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
        allowed="'last', or a run that 'sequencer results' lists: its name, or as much of its beginning as no other has",
        hint=f"did you mean {alike[0]}?" if alike else "",
    )


def named_run(name: str, store: Store, where: StorePlace | str) -> StoredRun | None:
    """Return the run of that name, or the only one that begins so; None if there is none.

    Raises FileProblems, about ``where``, if several begin so.
    """
    if (found := store.read_run(name)) is not None or not name:
        return found
    alike = store.find_run_names(name, limit=_MOST_NAMED + 1)
    if len(alike) > 1:
        more = " and more" if len(alike) > _MOST_NAMED else ""
        raise about_file(
            where,
            f"several runs begin with {printable(name)!r}: {', '.join(alike[:_MOST_NAMED])}{more}",
            allowed="more of the name of one of them",
        )
    return store.read_run(alike[0]) if alike else None
