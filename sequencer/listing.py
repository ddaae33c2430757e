"""Shows what the store holds: runs, the results of one, and every byte exchanged in it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from sequencer.complaint import Complaint, FileProblems, nearest, printable
from sequencer.record import STORE_NAME
from sequencer.store import Store

MOST_LISTED = 50


def results_command(
    run_name: str | None, *, serial: str | None, budget: bool, folder: Path, as_json: bool
) -> int:
    """List runs, newest first, or show one; returns the exit status."""
    with Store.open_to_read(folder / STORE_NAME) as store:
        if run_name is None:
            _show_runs(store.read_runs(serial=serial, limit=MOST_LISTED), as_json=as_json)
            return 0
        run = find_run(run_name, store, folder, serial)
        rows = store.read_results(run["run"])
    if as_json:
        click.echo(json.dumps({**run, "results": rows}, ensure_ascii=False, indent=2))
    else:
        _show_results(run, rows)
        if budget:
            _show_budgets(rows)
    return 0


def trace_command(run_name: str, *, check_index: int | None, folder: Path, as_json: bool) -> int:
    """Show what was exchanged in a run, a line an exchange; returns the exit status."""
    with Store.open_to_read(folder / STORE_NAME) as store:
        run = find_run(run_name, store, folder, None)
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


def _show_runs(runs: list[dict[str, Any]], *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(runs, ensure_ascii=False, indent=2))
        return
    if not runs:
        click.echo("no runs", err=True)
    for one in runs:
        decided = ", ".join(f"{count} {decision}" for decision, count in sorted(one["decisions"].items()))
        unit = f"{one['model']} {one['serial']}".strip()
        # two lines a run: beside the run's full name, which another command takes, no table fits 80 columns
        click.echo(printable(f"{one['run']}  {unit}  {one['outcome']}{': ' if decided else ''}{decided}"))
        click.echo(printable(f"    {one['sequence']}; {one['bench']}; {one['time']}"))


def _show_results(run: dict[str, Any], rows: list[dict[str, Any]]) -> None:
    from rich.console import Console

    from sequencer.screen import results_table, run_lines

    console = Console()
    unit = f"{run['model']} {run['serial']}".strip()
    title = f"{run['sequence']}: {unit} on {run['bench']}, {run['time']}"
    console.print(results_table(rows, title, width=console.width))
    console.print(
        run_lines(run=run["run"], rule=rows[0]["rule"] if rows else "", bench_s=run["bench_s"]),
        soft_wrap=True,
    )
    console.print(f"outcome: {printable(run['outcome'])}", markup=False, highlight=False)


def _show_budgets(rows: list[dict[str, Any]]) -> None:
    from sequencer.budget_rows import from_plain, table

    for row in rows:
        if row["budget"] is not None:
            where = "" if row["channel"] is None else f", channel {row['channel']}"
            click.echo(f"\n{row['check']}{where}\n{table(from_plain(row['budget']))}")


def find_run(name: str, store: Store, folder: Path, serial: str | None) -> dict[str, Any]:
    """Return the run of that name, or the newest for `last`. Raises FileProblems that names the nearest."""
    if name == "last":
        newest = store.read_runs(serial=serial, limit=1)
        if newest:
            return newest[0]
    elif (found := store.read_run(name)) is not None:
        return found
    whose = f" of unit {serial!r}" if serial is not None and name == "last" else ""
    alike = nearest(name, [one["run"] for one in store.read_runs(limit=MOST_LISTED)])
    raise FileProblems(
        [
            Complaint(
                file=str(folder / STORE_NAME),
                line=0,
                column=0,
                message=f"no run {name!r}{whose} in this store",
                allowed="'last', or a run that 'sequencer results' lists",
                hint=f"did you mean {alike[0]}?" if alike else "",
            )
        ]
    )


def _no_check(index: int, checks: set[int], run: str) -> FileProblems:
    allowed = f"{min(checks)} to {max(checks)}" if checks else "none: it ended before its first check did"
    return FileProblems(
        [
            Complaint(
                file="--check", line=0, column=0, message=f"run {run} has no check {index}", allowed=allowed
            )
        ]
    )
