"""Shows every byte that was exchanged in a run."""

from __future__ import annotations

import json
from pathlib import Path

import click

from sequencer.analysis.runs import find_run
from sequencer.problems import FileProblems, about_file, printable
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store


def trace_command(
    run_name: str, *, check_index: int | None, folder: Path, store_name: str = "", as_json: bool
) -> int:
    """Show what was exchanged in a run, a line an exchange; returns the exit status."""
    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        run = find_run(run_name, store, place, None)
        exchanges = store.read_exchanges(run["run"])
        checks = {one["check_index"] for one in (*exchanges, *store.read_results(run["run"]))}
    if check_index is not None:
        if check_index not in checks:
            raise _no_check(check_index, checks, run["run"])
        exchanges = [one for one in exchanges if one["check_index"] == check_index]
    for one in exchanges:
        content = one["content"].decode("ascii", "backslashreplace")
        if as_json:
            click.echo(json.dumps({**one, "content": content}))
            continue
        fault = f"  FAULT {one['fault']}" if one["fault"] else ""
        shown = printable(f"{content}{fault}")
        click.echo(
            f"{one['check_index']:3} {one['time_s']:10.4f} s  {one['instrument']:20} {one['direction']:8} {shown}"
        )
    return 0


def _no_check(index: int, checks: set[int], run: str) -> FileProblems:
    allowed = f"{min(checks)} to {max(checks)}" if checks else "none: it ended before its first check did"
    return about_file("--check", f"run {run} has no check {index}", allowed=allowed)
