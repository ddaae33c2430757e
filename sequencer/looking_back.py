"""Commands that look back at what the store holds: side by side, over time, written out, as a report."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from sequencer.complaint import Complaint, FileProblems
from sequencer.listing import find_run
from sequencer.record import STORE_NAME
from sequencer.store import Store

MOST_RUNS = 10_000


def compare_command(
    names: tuple[str, ...], *, by: str, allow: tuple[str, ...], folder: Path, as_json: bool
) -> int:
    """Lay units, runs or groups side by side; returns the exit status."""
    from sequencer.compare import compare, group_of, group_runs

    with Store.open_to_read(folder / STORE_NAME) as store:
        named = [group_of(name, _runs_named(name, store, folder)) for name in names]
        groups = named or group_runs(_all_runs(store), by)
    comparison = _clearly(lambda: compare(groups, allow=allow))
    if as_json:
        click.echo(json.dumps(comparison.as_plain(), ensure_ascii=False, indent=2))
        return 0
    from rich.console import Console

    from sequencer.side_by_side import comparison_screen

    Console().print(comparison_screen(comparison))
    return 0


def history_command(serial: str, *, check: str, channel: int | None, folder: Path, as_json: bool) -> int:
    """Show quantities of one unit over time, with their drift; returns the exit status."""
    from sequencer.estimates import instruments_text
    from sequencer.history import histories

    with Store.open_to_read(folder / STORE_NAME) as store:
        runs = list(_all_runs(store, serial=serial))
    rows = [
        row
        for run in runs
        for row in run["results"]
        if (not check or row["check"] == check) and channel in (None, row["channel"])
    ]
    if not rows:
        raise _nothing(
            folder,
            f"no results of unit {serial!r} that are asked for",
            "'sequencer results --serial …' lists what there is",
        )
    found = _clearly(lambda: histories(rows, instruments={run["run"]: instruments_text(run) for run in runs}))
    if as_json:
        click.echo(json.dumps([one.as_plain() for one in found], ensure_ascii=False, indent=2))
        return 0
    from rich.console import Console

    from sequencer.side_by_side import history_screen

    Console().print(history_screen(found))
    return 0


def export_command(file: Path, *, kind: str, serial: str | None, folder: Path) -> int:
    """Write all results, or one unit's, into a file; returns the exit status."""
    from sequencer.export import export

    with Store.open_to_read(folder / STORE_NAME) as store:
        written = export(_all_runs(store, serial=serial), file, kind)
    click.echo(f"{file}: {written} results")
    return 0


def report_command(
    names: tuple[str, ...], file: Path, *, title: str, comments: tuple[str, ...], plots: Any, folder: Path
) -> int:
    """Write a report of one or more runs; returns the exit status."""
    from sequencer.report import write_report

    with Store.open_to_read(folder / STORE_NAME) as store:
        runs = [_with_results(find_run(name, store, folder, None), store) for name in names]
    write_report(runs, file, title=title, comments=comments, plots=plots)
    click.echo(str(file))
    return 0


def _with_results(run: dict[str, Any], store: Store) -> dict[str, Any]:
    return {**run, "results": store.read_results(run["run"])}


def _all_runs(store: Store, *, serial: str | None = None) -> Iterator[dict[str, Any]]:
    for run in reversed(store.read_runs(serial=serial, limit=MOST_RUNS)):
        yield _with_results(run, store)


def _runs_named(name: str, store: Store, folder: Path) -> list[dict[str, Any]]:
    """Return the runs of the unit ``name``, or the run of that name."""
    runs = list(_all_runs(store, serial=name))
    return runs or [_with_results(find_run(name, store, folder, None), store)]


def _clearly(look: Any) -> Any:
    try:
        return look()
    except ValueError as error:
        raise FileProblems(
            [Complaint(file="the command line", line=0, column=0, message=str(error))]
        ) from error


def _nothing(folder: Path, message: str, hint: str) -> FileProblems:
    return FileProblems([Complaint(file=str(folder), line=0, column=0, message=message, hint=hint)])
