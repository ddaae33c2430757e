"""Shows what the store holds: runs, the results of one, and every byte exchanged in it."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click

from sequencer.complaint import Complaint, FileProblems, nearest, printable
from sequencer.store import Store, Wanted
from sequencer.store_place import StorePlace, find_place

MOST_LISTED = 50
MOST_RESULTS = 1000


def results_command(
    run_name: str | None,
    *,
    serials: tuple[str, ...] = (),
    check: str = "",
    channel: int | None = None,
    decisions: tuple[str, ...] = (),
    sequence: str = "",
    since: str | None = None,
    until: str | None = None,
    limit: int | None = None,
    budget: bool = False,
    as_csv: bool = False,
    as_json: bool = False,
    folder: Path,
    store_name: str = "",
) -> int:
    """List runs or results, newest first, or show one run; returns the exit status."""
    wanted = Wanted(
        serials=serials,
        sequence=sequence,
        since=moment("--since", since),
        until=moment("--until", until, whole_day=True),
        check=check,
        channel=channel,
        decisions=decisions,
    )
    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        if run_name is not None:
            run = find_run(run_name, store, place, serials[0] if serials else None)
            rows = [row for row in store.read_results(run["run"]) if _is_wanted(row, wanted)]
            _show_one(run, rows, budget=budget, as_csv=as_csv, as_json=as_json)
            return 0
        if check or decisions or channel is not None or as_csv or budget:
            most = limit or MOST_RESULTS
            rows = store.find_results(wanted, limit=most + 1, points=as_json)
            _show_listed(rows[:most], cut=len(rows) > most, budget=budget, as_csv=as_csv, as_json=as_json)
            return 0
        most = limit or MOST_LISTED
        runs = store.read_runs(wanted, limit=most + 1)
    _show_runs(runs[:most], as_json=as_json)
    _say_if_cut(len(runs) > most, most, "runs")
    return 0


def moment(option: str, text: str | None, *, whole_day: bool = False) -> datetime | None:
    """Return an ISO 8601 date or time, in this machine's zone unless it names another; a date is its beginning, or its end.

    Raises FileProblems for anything else.
    """
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
        is_date = len(text) <= len("2027-01-31")
        # The day is added before the zone is: a day with a change of the clock has 23 or 25 hours.
        return (found + timedelta(days=1) if whole_day and is_date else found).astimezone()
    except (ValueError, OverflowError) as error:
        complaint = Complaint(
            file=option,
            line=0,
            column=0,
            message="this is no date or time",
            found=printable(text)[:40],
            allowed="ISO 8601, such as 2027-01-31, 2027-01-31T14:30, 2027-01-31T14:30+01:00",
        )
        raise FileProblems([complaint]) from error


def _is_wanted(row: dict[str, Any], wanted: Wanted) -> bool:
    return (
        wanted.check in ("", row["check"])
        and wanted.channel in (None, row["channel"])
        and (not wanted.decisions or row["decision"] in wanted.decisions)
    )


def _show_one(
    run: dict[str, Any], rows: list[dict[str, Any]], *, budget: bool, as_csv: bool, as_json: bool
) -> None:
    if as_csv:
        _show_csv(rows)
    elif as_json:
        click.echo(json.dumps({**run, "results": rows}, ensure_ascii=False, indent=2))
    else:
        _show_results(run, rows)
        if budget:
            _show_budgets(rows)


def _show_listed(rows: list[dict[str, Any]], *, cut: bool, budget: bool, as_csv: bool, as_json: bool) -> None:
    if as_csv:
        _show_csv(rows)
    elif as_json:
        click.echo(json.dumps(rows, ensure_ascii=False, indent=2))
    elif not rows:
        click.echo("no results", err=True)
    else:
        from rich.console import Console

        from sequencer.screen_listing import listing_table

        Console().print(listing_table(rows))
        if budget:
            _show_budgets(rows)
    _say_if_cut(cut, len(rows), "results")


def _show_csv(rows: list[dict[str, Any]]) -> None:
    from sequencer.export import csv_lines

    for line in csv_lines(rows):
        click.echo(line, nl=False)


def _say_if_cut(cut: bool, most: int, what: str) -> None:
    if cut:
        click.echo(f"the newest {most} {what}; there are more: --limit lists them", err=True)


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


def find_run(name: str, store: Store, place: StorePlace, serial: str | None) -> dict[str, Any]:
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
                file=str(place),
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
