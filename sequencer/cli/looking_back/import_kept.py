"""Puts runs into the store out of their journals, or out of what earlier sequencers kept beside it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import click

from sequencer.problems import printable
from sequencer.results.journal import read_left
from sequencer.results.store.import_kept import Imported, NotTheSame
from sequencer.results.store.place import find_place
from sequencer.results.store.spill import KeptRun, unusable
from sequencer.results.store.store import Store


def import_kept_command(
    files: Sequence[Path], *, folder: Path, store_name: str = "", as_json: bool = False
) -> int:
    """Put kept runs into the store; what it has of them stays as it is. Returns the exit status."""
    place = find_place(folder, store_name)
    kept = [(file, read_left(file)) for file in files]
    # Each file first, the store afterwards: what is wrong with one is said before anything is written.
    imported: list[Imported] = []
    with Store.open(place) as store:
        # A repeat comes after what it repeats, so that the order on the command line does not matter.
        for file, run in sorted(kept, key=lambda one: one[1].time):
            try:
                imported.append(store.import_kept(run))
            except NotTheSame as wrong:
                raise unusable(file, str(wrong), hint="nothing of it was put into the store") from wrong
            if not as_json:
                click.echo(f"{printable(str(file))}: {printable(_told(imported[-1], run, str(place)))}")
    if as_json:
        click.echo(json.dumps([asdict(one) for one in imported], ensure_ascii=False, indent=2))
    return 0


def _told(imported: Imported, kept: KeptRun, place: str) -> str:
    if imported.nothing:
        return (
            f"run {imported.run} is in the store already, all {imported.before} results of it; nothing added"
        )
    before = f"; {imported.before} results were there already" if imported.before else ""
    return (
        f"run {imported.run}: {imported.results} results and {imported.exchanges} messages of {imported.checks} checks "
        f"added to {place}{before}. Outcome: {kept.outcome}."
    )
