"""Writes what the store holds into a file for other programs."""

from __future__ import annotations

from pathlib import Path

import click

from sequencer.results.export import export
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store, Wanted


def export_command(file: Path, *, kind: str, serial: str | None, folder: Path, store_name: str = "") -> int:
    """Write all results, or one unit's, into a file; returns the exit status."""
    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        written = export(store.iterate_runs(Wanted(serials=(serial,) if serial else ())), file, kind)
    click.echo(f"{file}: {written} results")
    return 0
