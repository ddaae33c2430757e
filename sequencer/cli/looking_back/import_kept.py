"""Puts runs into the store out of their journals, or out of what earlier sequencers kept beside it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import click

from sequencer.problems import about_file, printable
from sequencer.results.journal import read_left
from sequencer.results.store.import_kept import Imported, NotTheSame
from sequencer.results.store.place import find_place
from sequencer.results.store.spill import KeptRun, unusable
from sequencer.results.store.store import Store
from sequencer.run.status import ExitStatus


def import_kept_command(
    files: Sequence[Path], *, folder: Path, store_name: str = "", as_json: bool = False
) -> int:
    """Put kept runs into the store; what it has of them stays as it is. Returns the exit status: 3 where a journal is damaged."""
    place = find_place(folder, store_name)
    kept = [(file, read_left(file)) for file in files]
    # Each file first, the store afterwards: what is wrong with one is said before anything is written.
    imported: list[Imported] = []
    losses: list[str] = []
    if place.path is not None and not store_name:
        _make(folder)
    with Store.open(place) as store:
        # A repeat comes after what it repeats, so that the order on the command line does not matter.
        for file, (run, lost, damaged, adjusting) in sorted(kept, key=lambda one: one[1][0].time):
            try:
                imported.append(store.import_kept(run))
            except NotTheSame as wrong:
                raise unusable(file, str(wrong), hint="nothing of it was put into the store") from wrong
            if not as_json:
                click.echo(f"{printable(str(file))}: {printable(_told(imported[-1], run, str(place)))}")
            for line in adjusting:
                click.echo(f"{printable(str(file))}: {line}", err=True)
            losses.append(lost)
            if lost:
                advice = (
                    " Bring it from a copy, if there is one; the results table may hold more."
                    if damaged
                    else ""
                )
                click.echo(
                    f"{printable(str(file))}: {printable(lost)}, and is not taken in.{advice}", err=True
                )
    if as_json:
        told = [{**asdict(one), "lost": lost} for one, lost in zip(imported, losses, strict=True)]
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    return int(
        ExitStatus.BENCH_FAILED if any(damaged for _, (_, _, damaged, _) in kept) else ExitStatus.PASSED
    )


def _make(folder: Path) -> None:
    """Make the folder of the store, as a run does. Raises FileProblems where that cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:  # ValueError: a name that no folder can have
        why = getattr(error, "strerror", None) or str(error)
        raise about_file(
            "--folder",
            f"the folder cannot be made: {why}",
            found=printable(str(folder)),
            allowed="a folder that is there, or can be made",
        ) from error


def _told(imported: Imported, kept: KeptRun, place: str) -> str:
    if imported.nothing:
        return (
            f"run {imported.run} is in the store already, all {imported.before} results of it; nothing added"
        )
    if imported.new and not imported.checks:
        return (
            f"run {imported.run}: added to {place}; the file holds no result of it. Outcome: {kept.outcome}."
        )
    before = f"; {imported.before} results were there already" if imported.before else ""
    return (
        f"run {imported.run}: {imported.results} results and {imported.exchanges} messages of {imported.checks} checks "
        f"added to {place}{before}. Outcome: {kept.outcome}."
    )
