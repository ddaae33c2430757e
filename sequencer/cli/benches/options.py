"""The command `benches`. Start-up imports click alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.complete import names_of
from sequencer.cli.common.line_options import line_options, line_taken_from
from sequencer.cli.common.options import (
    as_json_option,
    clear_errors,
    folder_option,
    only_option,
    order_option,
    store_option,
)
from sequencer.cli.common.program import Command


@click.command(cls=Command)
@click.argument("listed", metavar="LIST", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--sequence",
    "sequence_name",
    metavar="SEQUENCE",
    default="",
    shell_complete=names_of("sequence"),
    help="Sequence of the benches for which the list names none.",
)
@click.option(
    "--confirmed",
    is_flag=True,
    help="State that everything the sequences ask to confirm has been set on every unit.",
)
@click.option(
    "--dry-run", is_flag=True, help="Put a simulated instrument behind every address, in virtual time."
)
@click.option(
    "--line",
    "stations",
    is_flag=True,
    help="Work each bench as a station of `sequencer line`: scan or type the bench's number, then the unit's serial.",
)
@only_option
@order_option
@line_options
@folder_option
@store_option
@as_json_option
@clear_errors
def benches(
    listed: Path,
    sequence_name: str,
    confirmed: bool,
    dry_run: bool,
    stations: bool,
    only: tuple[str, ...],
    order: Any,
    folder: Path,
    store: str,
    as_json: bool,
    **line: Any,
) -> None:
    """Run on several benches of this machine at once: LIST is a CSV file with a line for each (bench, sequence, serial or units, model).

    Each bench is worked by a process of its own, all are shown on one screen, and what befalls one touches no other. Questions are asked
    one at a time, with the bench's name. Ctrl-C stops all of them, each with its bench made safe.
    `sequencer reference many-benches` says more.
    """
    from sequencer.cli.benches.command import benches_command
    from sequencer.cli.run import Asked
    from sequencer.cli.screens.operator import Chosen

    asked = Asked(
        sequence_name=sequence_name,
        bench_name="",
        serial="",
        confirmed=confirmed,
        dry_run=dry_run,
        folder=folder,
        store=store,
        chosen=Chosen(only=only, order=order),
        line=line_taken_from(line),
    )
    if stations:
        from sequencer.cli.benches.stations import stations_command

        sys.exit(stations_command(listed, asked, as_json=as_json))
    sys.exit(benches_command(listed, asked, as_json=as_json))
