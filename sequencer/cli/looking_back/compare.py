"""Lays what the store holds side by side."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path

import click

from sequencer.analysis.compare import compare, group_of, group_runs
from sequencer.analysis.repeats import read_whole
from sequencer.analysis.runs import find_run
from sequencer.problems import about_file
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.store import Store, Wanted
from sequencer.results.stored import StoredRun


def compare_command(
    names: tuple[str, ...],
    *,
    by: str,
    allow: tuple[str, ...],
    folder: Path,
    store_name: str = "",
    as_json: bool,
    every: bool = False,
) -> int:
    """Lay units, runs or groups side by side; returns the exit status."""
    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        groups = [group_of(name, members) for name, members in _named(names, store, place)]
        groups = groups or group_runs(store.iterate_runs(Wanted(measured=True), points=False), by)
    try:
        comparison = compare(groups, allow=allow)
    except ValueError as error:
        raise about_file("the command line", str(error)) from error
    if as_json:
        click.echo(json.dumps(comparison.as_plain(), ensure_ascii=False, indent=2))
        return 0
    from sequencer.cli.common.console import console_for
    from sequencer.cli.screens.comparison_screen import comparison_screen
    from sequencer.cli.screens.differences_screen import differences_screen

    console = console_for()
    console.print(
        comparison_screen(comparison) if every else differences_screen(comparison, width=console.width)
    )
    return 0


def _named(names: Sequence[str], store: Store, place: StorePlace) -> Iterator[tuple[str, list[StoredRun]]]:
    """Yield each name with the runs of that unit, or else the run of that name and those that repeat its checks."""
    of_units: dict[str, list[StoredRun]] = {}
    if names:
        for run in store.iterate_runs(Wanted(serials=names, measured=True), points=False):
            of_units.setdefault(run.serial, []).append(run)
    seen: dict[str, str] = {}
    for name in names:
        if name in of_units:
            yield name, of_units[name]
            continue
        members = read_whole(find_run(name, store, place, None), store, points=False)
        first = members[0].run
        if first in seen and seen[first] != name:
            raise about_file(
                "the command line",
                f"{seen[first]} and {name} are one run and its repeat, of which the last result counts",
                hint=f"'sequencer results {first}' shows both results",
            )
        seen[first] = name
        yield name, members
