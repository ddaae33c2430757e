"""Writes what the store holds into a file for other programs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from sequencer.analysis.runs import find_run
from sequencer.cli.looking_back.results import moment
from sequencer.files.write import refuse_over
from sequencer.problems import about_file
from sequencer.results.export import export, format_of
from sequencer.results.own_kind import is_export
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store, Wanted


def export_command(
    file: Path,
    *,
    kind: str | None,
    force: bool,
    serial: str | None,
    run_name: str | None = None,
    batch: str = "",
    sequence: str = "",
    model: str = "",
    since: str | None = None,
    until: str | None = None,
    folder: Path,
    store_name: str = "",
) -> int:
    """Write all results, or those that are asked for, into a file; returns the exit status."""
    asked = Wanted(
        serials=(serial,) if serial else (),
        batch=batch,
        sequence=sequence,
        model=model,
        since=moment("--since", since),
        until=moment("--until", until, whole_day=True),
    )
    wanted = format_of(file, kind or "")
    place = find_place(folder, store_name)
    if place.is_at(file):
        raise about_file(file, "this is the store itself; nothing was written", hint="name another file")
    over = refuse_over(
        file, kind=f"an export ({wanted})", force=force, is_own=lambda path: is_export(path, wanted)
    )
    with Store.open_to_read(place) as store:
        if run_name:
            found = find_run(run_name, store, place, serial)
            members = [
                found.again or found.run,
                *(one.run for one in store.read_repeats(found.again or found.run)),
            ]
            asked = replace(asked, runs=tuple(members))
        written = export(store.iterate_runs(asked), file, wanted, over=over)
    click.echo(f"{file}: {written} results")
    if not written and asked != Wanted():
        click.echo(f"Nothing in {place} is as asked for: 'sequencer results' lists what there is.", err=True)
    return 0
