"""Writes what the store holds into a file for other programs."""

from __future__ import annotations

from pathlib import Path

import click

from sequencer.files.write import refuse_over
from sequencer.problems import about_file
from sequencer.results.export import export, format_of
from sequencer.results.own_kind import is_export
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store, Wanted


def export_command(
    file: Path, *, kind: str | None, force: bool, serial: str | None, folder: Path, store_name: str = ""
) -> int:
    """Write all results, or one unit's, into a file; returns the exit status."""
    wanted = format_of(file, kind or "")
    place = find_place(folder, store_name)
    if place.is_at(file):
        raise about_file(file, "this is the store itself; nothing was written", hint="name another file")
    over = refuse_over(
        file, kind=f"an export ({wanted})", force=force, is_own=lambda path: is_export(path, wanted)
    )
    with Store.open_to_read(place) as store:
        written = export(
            store.iterate_runs(Wanted(serials=(serial,) if serial else ())), file, wanted, over=over
        )
    click.echo(f"{file}: {written} results")
    return 0
