"""`store clear-traces`: says what the traces of old runs come to, and takes them out where it is told to."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import click

from sequencer.cli.common.options import INTERRUPTED
from sequencer.problems import about_file, option_problem, printable
from sequencer.results.store.clear import OldTraces, Progress, clear_traces, find_old_traces
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.store import Store
from sequencer.units.format import counted


def clear_command(
    *, older_than: int, is_meant: bool, compact: bool, folder: Path, store_name: str, as_json: bool
) -> int:
    """Say what there is, and clear it with ``is_meant``; returns the exit status."""
    place = find_place(folder, store_name)
    if compact and not is_meant:
        raise option_problem(
            "--compact", "nothing is cleared without --delete", allowed="together with --delete"
        )
    if compact and place.path is None:
        raise about_file(
            "--compact",
            "a server gives the room to new rows by itself",
            found=str(place),
            allowed="a store in a file; in PostgreSQL 'VACUUM FULL exchange' gives it back to the disk, while nobody measures",
        )
    now = datetime.now().astimezone()
    before = now - timedelta(days=older_than)
    done: list[int] = []
    with Store.open_to_read(place) as store:
        with _progress("looking at") as told:
            found = find_old_traces(store, before, told)
        if is_meant:
            try:
                with _progress("clearing") as told:
                    cleared = clear_traces(store, before, now, told)
                    done.extend(cleared)
            except KeyboardInterrupt:
                said = "each run has its trace, or it was cleared and that is kept. The same command does the rest."
                click.echo(f"Interrupted: {said}", err=True)
                return INTERRUPTED
            if compact:
                store.compact()
    _show(place, found, tuple(done), as_json=as_json, older_than=older_than)
    return 0


def _show(
    place: StorePlace, found: OldTraces, done: tuple[int, ...], *, as_json: bool, older_than: int
) -> None:
    if as_json:
        plain = {
            "store": str(place),
            "before": found.before.isoformat(timespec="seconds"),
            "runs": found.runs,
            "messages": found.messages,
            "content_bytes": found.content_bytes,
            "newer_runs": found.newer,
            "not_ended_runs": found.not_ended,
            "cleared": {"runs": done[0], "messages": done[1]} if done else None,
        }
        click.echo(json.dumps(plain, ensure_ascii=False, indent=2))
        return
    for line in _lines(place, found, done, older_than):
        click.echo(printable(line))


def _lines(place: StorePlace, found: OldTraces, done: tuple[int, ...], older_than: int) -> Iterator[str]:
    days = counted(older_than, "day")
    yield f"{place}: runs that began before {found.before:%Y-%m-%d %H:%M %z} ({days} ago)"
    if done:
        yield f"  cleared: the traces of {counted(done[0], 'run')}, {counted(done[1], 'message')}"
    else:
        size = f"{found.content_bytes / 1e6:.1f} MB of content"
        yield f"  to clear: the traces of {counted(found.runs, 'run')}, {counted(found.messages, 'message')}, {size}"
    yield f"  stay: the traces of {counted(found.newer, 'newer run')}"
    if found.not_ended:
        yield f"        and of {counted(found.not_ended, 'older run')} without an end, which may be going on or be carried on"
    yield "  stay: all results, readings, budgets and files of every run"
    if not done:
        yield "Nothing was changed. With --delete they are cleared; 'trace' and 'replay' of those runs are lost then."


@contextmanager
def _progress(verb: str) -> Iterator[Progress]:
    """Show on a terminal how far it is."""
    from sequencer.cli.common.console import console_for

    console = console_for(stderr=True)
    if not console.is_terminal:
        yield lambda _done, _of: None
        return
    from rich.status import Status

    with Status(verb, console=console) as shown:
        yield lambda done, of: shown.update(f"{verb} traces: {done} of {counted(of, 'run')}")
