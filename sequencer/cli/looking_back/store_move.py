"""`store move`: puts all that one store holds into another, and says what that was."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path

import click

from sequencer.cli.common.options import INTERRUPTED
from sequencer.problems import Complaint, FileProblems, printable
from sequencer.results.store.move import Moved, Progress, move
from sequencer.results.store.place import StorePlace, find_place
from sequencer.units.format import counted, time_text

MOST_NAMED = 4


def move_command(source: str, target: str, *, as_json: bool) -> int:
    """Move a store; returns the exit status."""
    come_from, go_to = _place("FROM", source), _place("TO", target)
    try:
        with _progress() as told:
            moved = move(come_from, go_to, told)
    except KeyboardInterrupt:
        click.echo(f"Interrupted: nothing was moved. {go_to} is as it was, and so is {come_from}.", err=True)
        return INTERRUPTED
    if as_json:
        click.echo(json.dumps(asdict(moved), ensure_ascii=False, indent=2))
    else:
        for line in _lines(moved):
            click.echo(printable(line))
    for line in _warnings(moved):
        click.echo(printable(line), err=True)
    return 0


def _place(name: str, given: str) -> StorePlace:
    """Return the place that an argument names. Raises InputError that names the argument."""
    if not given.strip():
        allowed = "a file's path, or postgresql+psycopg://user@host/database"
        raise FileProblems([Complaint(file=name, message="no store is named", allowed=allowed)])
    try:
        place = find_place(Path(), given)
    except FileProblems as problems:
        raise FileProblems(replace(one, file=name) for one in problems.complaints) from None
    if place.path is not None and (wrong := _wrong_path(place.path)):
        allowed = "a store's file, such as results/results.sqlite, in a folder that is there"
        raise FileProblems(
            [Complaint(file=name, message=f"{printable(str(place.path))}: {wrong}", allowed=allowed)]
        )
    return place


def _wrong_path(path: Path) -> str:
    """Return why no store can be at a path; empty where one can."""
    try:
        if path.is_dir():
            return "this is a folder, not a store"
        if path.exists() and not path.is_file():
            return "this is not an ordinary file"
        return "" if path.parent.is_dir() else f"there is no folder {printable(str(path.parent))}"
    except (OSError, ValueError) as error:  # too long a name, or a NUL in it
        return f"no file can have this name: {error}"


def _lines(moved: Moved) -> Iterator[str]:
    before = f"; {counted(moved.runs_there, 'run')} it had already, the same" if moved.runs_there else ""
    yield f"Moved {counted(moved.runs, 'run')} from {moved.source} to {moved.target}{before}."
    width = max(len(one.table) for one in moved.tables)
    yield f"  {'table':{width}}  {'moved':>9}  {'there before':>12}  compared as"
    for one in moved.tables:
        if one.moved or one.there:
            yield f"  {one.table:{width}}  {one.moved:>9}  {one.there:>12}  {one.digest[:16]}"
    yield "Each row was read back and is the same. The store that was moved stays as it was."
    yield f"From now on name the new one: --store '{moved.target}', or in SEQUENCER_STORE (put the password in where there is one)."


def _warnings(moved: Moved) -> Iterator[str]:
    if moved.not_ended:
        more = " and more" if len(moved.not_ended) > MOST_NAMED else ""
        yield (
            f"{counted(len(moved.not_ended), 'run')} without an end: {', '.join(moved.not_ended[:MOST_NAMED])}{more}. What is going on now "
            "writes its later results to the store that was moved: end it, and give its journal to 'sequencer import-kept' with the new "
            "--store."
        )


@contextmanager
def _progress() -> Iterator[Progress]:
    """Show on a terminal which table is under way, and about how long the rest of it takes."""
    from sequencer.cli.common.console import console_for

    console = console_for(stderr=True)
    if not console.is_terminal:
        yield lambda _table, _done, _of: None
        return
    from rich.status import Status

    began: dict[str, float] = {}
    with Status("reading", console=console) as shown:

        def told(table: str, done: int, of: int) -> None:
            passed_s = time.monotonic() - began.setdefault(table, time.monotonic())
            left = f", {time_text(passed_s * (of - done) / done)} left" if done and passed_s > 1.0 else ""
            share = f"{100 * done // of} %" if of else "nothing in it"
            shown.update(f"table {table}: {share}{left}")

        yield told
