"""Shows what the store holds: runs, and the results of one or of many."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import click

from sequencer.analysis.repeats import in_order, read_whole
from sequencer.analysis.runs import find_run
from sequencer.frozen import dataclass
from sequencer.problems import Complaint, FileProblems, printable
from sequencer.results.line import LineFacts
from sequencer.results.settings import value_as_plain
from sequencer.results.store.commands import resume_where_found
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store, Wanted
from sequencer.results.stored import (
    StoredResult,
    StoredRun,
    result_as_plain,
    run_as_plain,
)
from sequencer.results.text import evaluated_text, line_text, not_ended_line, repeats_text

EARLIEST_YEAR, LATEST_YEAR = 1970, 2999
"""The years that a moment may be in: some machines reckon with none before, and calendars end at 9999."""
UNSAFE = ", bench not confirmed safe"
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
    model: str = "",
    batch: str = "",
    station: str = "",
    operator: str = "",
    lot: str = "",
    since: str | None = None,
    until: str | None = None,
    limit: int | None = None,
    budget: bool = False,
    conditions: bool = False,
    every: bool = False,
    as_csv: bool = False,
    as_json: bool = False,
    folder: Path,
    store_name: str = "",
) -> int:
    """List runs or results, newest first, or show one run with its repeats; returns the exit status."""
    shown = _Shown(budget=budget, conditions=conditions, every=every, as_csv=as_csv, as_json=as_json)
    wanted = Wanted(
        serials=serials,
        sequence=sequence,
        model=model,
        batch=batch,
        station=station,
        operator=operator,
        lot=lot,
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
            members = read_whole(run, store, points=as_json)
            members = [
                replace(one, results=tuple(row for row in one.results if _is_wanted(row, wanted)))
                for one in members
            ]
            _show_one(members, shown, resume_where_found(members[0].run, folder, place))
            return 0
        if check or decisions or channel is not None or as_csv or budget or conditions:
            most = limit or MOST_RESULTS
            rows = store.find_results(wanted, limit=most + 1, points=as_json)
            _show_listed(rows[:most], shown, cut=len(rows) > most)
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
        if not EARLIEST_YEAR <= found.year <= LATEST_YEAR:
            raise FileProblems([_beyond(option, text)])
        is_date = len(text) <= len("2027-01-31")
        # The day is added before the zone is: a day with a change of the clock has 23 or 25 hours.
        return (found + timedelta(days=1) if whole_day and is_date else found).astimezone()
    except (ValueError, OverflowError) as error:
        complaint = Complaint(
            file=option,
            message="this is not a date or time",
            found=printable(text)[:40],
            allowed="ISO 8601, such as 2027-01-31, 2027-01-31T14:30, 2027-01-31T14:30+01:00",
        )
        raise FileProblems([complaint]) from error


def _beyond(option: str, text: str) -> Complaint:
    return Complaint(
        file=option,
        message="nothing was measured then",
        found=printable(text)[:40],
        allowed=f"a year from {EARLIEST_YEAR} to {LATEST_YEAR}, such as 2027-01-31; without {option} there is no end on that side",
    )


def _is_wanted(row: StoredResult, wanted: Wanted) -> bool:
    return (
        wanted.check in ("", row.check)
        and wanted.channel in (None, row.channel)
        and (not wanted.decisions or row.decision.value in wanted.decisions)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """What is shown of results, and how."""

    budget: bool
    conditions: bool
    every: bool
    as_csv: bool
    as_json: bool

    def beside(self, rows: list[StoredResult]) -> None:
        """Show what was asked for beside the table."""
        if self.conditions:
            _show_conditions(rows)
        if self.budget:
            _show_budgets(rows)


def _show_one(members: list[StoredRun], shown: _Shown, resume: str) -> None:
    rows = in_order(members)
    if shown.as_csv:
        _show_csv(rows)
    elif shown.as_json:
        first, *repeats = (run_as_plain(one, results=True) for one in members)
        click.echo(json.dumps({**first, "repeats": repeats}, ensure_ascii=False, indent=2))
    else:
        _show_results(members, rows, every=shown.every, resume=resume)
        shown.beside(rows)


def _show_listed(rows: list[StoredResult], shown: _Shown, *, cut: bool) -> None:
    if shown.as_csv:
        _show_csv(rows)
    elif shown.as_json:
        click.echo(json.dumps([result_as_plain(row) for row in rows], ensure_ascii=False, indent=2))
    elif not rows:
        click.echo("no results", err=True)
    else:
        from sequencer.cli.common.console import console_for
        from sequencer.cli.screens.screen import listing_table

        console_for().print(listing_table(rows))
        if marked := sum(row.simulated for row in rows):
            count = "all" if marked == len(rows) else str(marked)
            click.echo(f"simulated, no measurement of a real unit: {count} of the results listed here")
        if not all(row.counts for row in rows):
            click.echo(
                "in brackets: repeated since; the repeat counts, and 'sequencer results RUN' shows both with the reason"
            )
        shown.beside(rows)
    _say_if_cut(cut, len(rows), "results")


def _show_csv(rows: list[StoredResult]) -> None:
    from sequencer.results.export import csv_lines

    for line in csv_lines(rows):
        click.echo(line, nl=False)


def _say_if_cut(cut: bool, most: int, what: str) -> None:
    if cut:
        click.echo(f"the newest {most} {what}; there are more: --limit lists them", err=True)


def _show_runs(runs: list[StoredRun], *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps([run_as_plain(one) for one in runs], ensure_ascii=False, indent=2))
        return
    if not runs:
        click.echo("no runs", err=True)
    for one in runs:
        counts = [
            *sorted(one.decisions.items()),
            *([("repeated since", one.replaced)] if one.replaced else []),
        ]
        decided = ", ".join(f"{count} {decision}" for decision, count in counts)
        unit = f"{one.model} {one.serial}".strip()
        # two lines a run: beside the run's full name, which another command takes, no table fits 80 columns
        outcome = f"{one.outcome}{UNSAFE if one.was_left_unsafe else ''}"
        click.echo(printable(f"{one.run}  {unit}  {outcome}{': ' if decided else ''}{decided}"))
        part = f" ({one.part})" if one.part else ""
        click.echo(
            printable(
                f"    {one.sequence}{part}; {_bench(one)}; {one.time.isoformat(timespec='milliseconds')}"
            )
        )
        if said := line_text(LineFacts.of(one)):
            click.echo(printable(f"    {said}"))
        if one.resumed:
            click.echo(f"    resumed {one.resumed[-1].isoformat(timespec='milliseconds')}")
        if one.again:
            click.echo(printable(f"    repeats {repeats_text(one.again, one.reason)}"))
        if one.evaluated_from:
            click.echo(printable(f"    {evaluated_text(one)}"))


def _bench(run: StoredRun) -> str:
    """Return the bench of a run, marked where it is simulated and its name does not say so."""
    return f"{run.bench} (simulated)" if run.simulated and "(simulated)" not in run.bench else run.bench


def _show_results(members: list[StoredRun], rows: list[StoredResult], *, every: bool, resume: str) -> None:
    from sequencer.cli.common.console import console_for
    from sequencer.cli.screens.screen import results_table, run_lines

    console, (run, *repeats) = console_for(), members
    unit = f"{run.model} {run.serial}".strip()
    title = f"{run.sequence}: {unit} on {_bench(run)}, {run.time.isoformat(timespec='milliseconds')}"
    console.print(results_table(rows, title, width=console.width, every=every))
    console.print(
        run_lines(
            run=run.run,
            rule=rows[0].rule if rows else "",
            bench_s=run.bench_s,
            part=run.part,
            line=line_text(LineFacts.of(run)),
        ),
        soft_wrap=True,
    )
    if run.evaluated_from:
        console.print(printable(evaluated_text(run)), markup=False, highlight=False, soft_wrap=True)
    unsafe = UNSAFE if any(one.was_left_unsafe for one in members) else ""
    console.print(f"outcome: {printable(run.outcome)}{unsafe}", markup=False, highlight=False)
    for when in run.resumed:
        console.print(f"resumed: {when.isoformat(timespec='seconds')}", markup=False, highlight=False)
    if not_ended := not_ended_line(run, resume):
        console.print(printable(not_ended), markup=False, highlight=False, soft_wrap=True)
    for one in repeats:
        said = f"repeated: {one.part} in run {one.run}, because: {one.reason} (outcome: {one.outcome})"
        console.print(printable(said), markup=False, highlight=False, soft_wrap=True)


def _show_conditions(rows: list[StoredResult]) -> None:
    """Show under which confirmations and settings each result was taken."""
    for row in rows:
        where = "" if row.channel is None else f", channel {row.channel}"
        click.echo()
        click.echo(printable(f"{row.quantity}{where}, {row.mode} (run {row.run})"))
        if row.supply_v is not None:
            click.echo(f"    supply {row.supply_v:g} V")
        if row.limit_from:
            click.echo(printable(f"    limits: {row.limit_from}"))
        for one in row.confirmations:
            click.echo(printable(f"    {one}"))
        for setting in row.settings or ():
            plain = json.dumps(value_as_plain(setting.value), ensure_ascii=False)
            click.echo(printable(f"    {setting.name}: {plain}"))


def _show_budgets(rows: list[StoredResult]) -> None:
    from sequencer.results.budget_rows import table
    from sequencer.results.stored_budget import UNSTATED_NOT_KNOWN

    for row in rows:
        if row.budget is not None:
            where = "" if row.channel is None else f", channel {row.channel}"
            click.echo(f"\n{row.check}{where}\n{table(row.budget)}")
            if row.budget.unstated is None:
                click.echo(UNSTATED_NOT_KNOWN)
