"""Shows one unit's results over time."""

from __future__ import annotations

import json
from pathlib import Path

import click

from sequencer.analysis.history import histories
from sequencer.problems import about_file
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store, Wanted
from sequencer.results.stored import instruments_text


def history_command(
    serial: str,
    *,
    check: str,
    channel: int | None,
    batch: str = "",
    station: str = "",
    folder: Path,
    store_name: str = "",
    as_json: bool,
) -> int:
    """Show quantities of one unit over time, with their drift; returns the exit status."""
    place = find_place(folder, store_name)
    with Store.open_to_read(place) as store:
        wanted = Wanted(
            serials=(serial,), check=check, channel=channel, batch=batch, station=station, measured=True
        )
        rows = store.find_results(wanted, points=False)[::-1]
        who = store.read_instruments(list(dict.fromkeys(row.run for row in rows)))
    if not rows:
        raise about_file(
            place,
            f"no results of unit {serial!r} that are asked for",
            hint="'sequencer results --serial …' lists what there is",
        )
    texts = {run: instruments_text(found) for run, found in who.items()}
    try:
        found = histories(rows, instruments=texts)
    except ValueError as error:
        raise about_file("the command line", str(error)) from error
    if not found:
        raise about_file(
            "the command line",
            "a person's answers to 'confirm' are no measurements, and have no history",
            hint=f"'sequencer results --serial {serial} --check confirm' lists them",
        )
    if as_json:
        click.echo(json.dumps([one.as_plain() for one in found], ensure_ascii=False, indent=2))
        return 0
    from sequencer.cli.common.console import console_for
    from sequencer.cli.screens.comparison_screen import history_screen

    console_for().print(history_screen(found))
    return 0
