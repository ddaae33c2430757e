"""`batch`: lists batches, shows what one comes to, closes it and opens it again."""

from __future__ import annotations

import csv
import json
import shutil
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import click

from sequencer.analysis.batches.process import Process
from sequencer.analysis.batches.summary import (
    BatchSummary,
    find_record,
    find_summary,
    record_as_plain,
    summary_as_plain,
)
from sequencer.analysis.batches.units import read_batch_units
from sequencer.analysis.batches.words import share_text
from sequencer.analysis.batches.yields import Yields, find_yields
from sequencer.cli.screens.batch_screen import batch_lines
from sequencer.problems import option_problem, printable
from sequencer.results.csv_table import spreadsheet_safe
from sequencer.results.line import BY_HAND, OPENED_AGAIN, BatchRecord, with_reason
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.store import Store

LONGEST_REASON = 200


def batch_command(
    name: str,
    *,
    every: bool,
    group: int,
    by_hour: bool,
    as_csv: bool,
    against: str,
    closing: str | None,
    opening: str | None,
    folder: Path,
    store_name: str,
    as_json: bool,
) -> int:
    """List batches, or show, close or open one; returns the exit status."""
    place = find_place(folder, store_name)
    if not name:
        _refuse_without_name(as_csv=as_csv, against=against, closing=closing, opening=opening)
        _list(place, as_json=as_json)
        return 0
    if closing is not None or opening is not None:
        _change(name, place, closing=closing, opening=opening)
        return 0
    if against:
        return _lay_against(name, against, place, as_json=as_json, as_csv=as_csv, every=every)
    with Store.open_to_read(place) as store:
        found = find_summary(find_record(name, store, place), store, group=group, by_hour=by_hour)
    if as_json:
        click.echo(json.dumps(summary_as_plain(found), ensure_ascii=False, indent=2))
    elif as_csv:
        _show_csv(found)
    else:
        for line in batch_lines(found, width=shutil.get_terminal_size().columns, every=every):
            click.echo(line.rstrip())
    return 0


def _refuse_without_name(*, as_csv: bool, against: str, closing: str | None, opening: str | None) -> None:
    for option, given in (
        ("--csv", as_csv),
        ("--against", bool(against)),
        ("--close", closing is not None),
        ("--open", opening is not None),
    ):
        if given:
            raise option_problem(option, "it is of one batch", allowed=f"sequencer batch NAME {option}")


def _lay_against(
    name: str, against: str, place: StorePlace, *, as_json: bool, as_csv: bool, every: bool
) -> int:
    from sequencer.analysis.batches.against import against_as_plain, find_against
    from sequencer.cli.screens.against_screen import against_lines

    if as_csv:
        raise option_problem("--csv", "it is of one batch", allowed="--against with --json, or alone")
    with Store.open_to_read(place) as store:
        before, after = find_record(against, store, place), find_record(name, store, place)
        if before.batch == after.batch:
            raise option_problem("--against", "a batch is laid beside itself", allowed="another batch")
        if before.simulated != after.simulated:
            raise option_problem(
                "--against",
                "one of the two batches is simulated and the other is not",
                allowed="two batches of one kind of bench",
            )
        found = find_against(before, after, store)
    if as_json:
        click.echo(json.dumps(against_as_plain(found), ensure_ascii=False, indent=2))
    else:
        for line in against_lines(found, width=shutil.get_terminal_size().columns, every=every):
            click.echo(line.rstrip())
    return 0


def _list(place: StorePlace, *, as_json: bool) -> None:
    with Store.open_to_read(place) as store:
        found = [(one, find_yields(read_batch_units(store, one))) for one in store.read_batches()]
    if as_json:
        plain = [
            {**record_as_plain(one), "judged": yields.judged, "without_verdict": yields.without_verdict}
            for one, yields in found
        ]
        click.echo(json.dumps(plain, ensure_ascii=False, indent=2))
        return
    if not found:
        click.echo("no batches: 'sequencer run … --batch NAME' opens one", err=True)
    for one, yields in found:
        for line in _listed(one, yields):
            click.echo(printable(line))


def _listed(record: BatchRecord, yields: Yields) -> list[str]:
    """Return two lines a batch."""
    target = f" of {record.target}" if record.target else ""
    simulated = "; simulated" if record.simulated else ""
    first = f"; first pass {share_text(yields.first_pass)}" if yields.first_pass is not None else ""
    return [
        f"{record.batch}  {yields.judged}{target} units judged{first}",
        f"    {record.sequence}{simulated}; opened {record.opened:%Y-%m-%d %H:%M}; {record.state()}"
        + (f": {record.stopped}" if record.stopped else ""),
    ]


def _change(name: str, place: StorePlace, *, closing: str | None, opening: str | None) -> None:
    if closing is not None and opening is not None:
        raise option_problem(
            "--open", "a batch is closed or opened, not both", allowed="one of --close and --open"
        )
    option, reason = ("--close", closing) if closing is not None else ("--open", opening)
    said = " ".join((reason or "").split())
    if not said or len(said) > LONGEST_REASON or not said.isprintable():
        raise option_problem(
            option,
            "the reason is empty" if not said else "the reason is too long, or holds a control character",
            found=printable(said)[:40],
            allowed=f"1 to {LONGEST_REASON} printable characters, such as 'target reached'",
        )
    with Store.open_to_read(place) as reading:
        record = find_record(name, reading, place)
    with Store.open(place) as store:
        store.write_batch(record)  # of one that only its runs told of
        now = datetime.now().astimezone()
        if closing is not None:
            why = with_reason(record.stopped, "closed by hand", now, said)
            store.write_batch_state(record.batch, closed=now, closed_by=BY_HAND, stopped=why)
        else:
            # why it goes on stands where it is looked for: with why it had stopped
            why = with_reason(record.stopped, OPENED_AGAIN, now, said)
            store.write_batch_state(record.batch, closed=None, stopped=why, went_on=now, by_word=True)
    click.echo(printable(f"Batch '{record.batch}' is {'closed' if closing is not None else 'open'}: {said}"))


_COLUMNS = (
    *(
        "check",
        "quantity",
        "channel",
        "mode",
        "unit",
        "lower_limit",
        "upper_limit",
        "n",
        "missing",
        "bounds",
        "mean",
    ),
    *("sigma_within", "sigma_overall", "uncertainty", "cp", "cpk", "cpk_lower", "cpk_upper", "pp", "ppk"),
    *("ppk_lower", "ppk_upper", "normality", "outside", "drift_per_hour", "drift_expanded", "alarms"),
)


def _show_csv(found: BatchSummary) -> None:
    writer = csv.writer(sys.stdout)
    writer.writerow(_COLUMNS)
    for one in found.processes:
        writer.writerow([spreadsheet_safe(cell) for cell in _cells(one)])


def _cells(one: Process) -> Sequence[str | float | int | None]:
    quantity, found, limits = one.quantity, one.capability, one.quantity.limits
    head = (quantity.check, quantity.name, quantity.channel, quantity.mode, quantity.unit)
    bounds = (None, None) if limits is None else (limits.lower, limits.upper)
    drift = (None, None) if one.drift is None else (one.drift.per_hour, one.drift.expanded)
    tail = (*drift, len(one.alarms))
    counts = (len(quantity.values), quantity.missing, quantity.bounds)
    if found is None:
        return (*head, *bounds, *counts, *(None,) * 3, quantity.uncertainty, *(None,) * 10, *tail)
    return (
        *(*head, *bounds, *counts, found.mean, found.sigma_within, found.sigma_overall, quantity.uncertainty),
        *(found.cp and found.cp.value, found.cpk.value, found.cpk.lower, found.cpk.upper),
        *(found.pp and found.pp.value, found.ppk.value, found.ppk.lower, found.ppk.upper),
        *(found.normality, found.outside.count, *tail),
    )
