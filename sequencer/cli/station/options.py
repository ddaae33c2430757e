"""The command `line`. Start-up imports click alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.complete import names_of
from sequencer.cli.common.line_options import line_options, line_taken_from
from sequencer.cli.common.options import (
    as_json_option,
    bench_option,
    clear_errors,
    folder_option,
    model_option,
    only_option,
    order_option,
    store_option,
)
from sequencer.cli.station.asked import StationAsked


@click.command()
@click.argument("sequence_name", metavar="SEQUENCE", shell_complete=names_of("sequence"))
@bench_option
@model_option
@click.option(
    "--confirmed",
    is_flag=True,
    help="State that everything the sequence asks to confirm is set on every unit.",
)
@click.option(
    "--dry-run", is_flag=True, help="Put a simulated instrument behind every address, in virtual time."
)
@only_option
@order_option
@click.option(
    "--units",
    metavar="LIST",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV list of the units (serial, model, comment, position): whoever is not on it is asked about.",
)
@click.option("--auto", is_flag=True, help="Measure the units of the list in its order; nobody scans.")
@click.option(
    "--prefix", metavar="TEXT", default="", help="What the scanner types before a serial; taken off."
)
@click.option(
    "--suffix", metavar="TEXT", default="", help="What it types after a serial, before Enter; taken off."
)
@click.option(
    "--check-bench",
    is_flag=True,
    help="Have the bench check itself before the first unit, which is not measured where it is not in order, and after the last.",
)
@click.option("--sound", is_flag=True, help="Ring the terminal's bell with each verdict and question.")
@click.option(
    "--linked",
    is_flag=True,
    help="For a program that shows the station: faces as lines of JSON, scans and answers on standard input.",
)
@line_options
@folder_option
@store_option
@as_json_option
@clear_errors
def line(
    sequence_name: str,
    bench_name: str,
    model: str,
    confirmed: bool,
    dry_run: bool,
    only: tuple[str, ...],
    order: Any,
    folder: Path,
    store: str,
    as_json: bool,
    **station: Any,
) -> None:
    """Measure one unit after another with SEQUENCE: scan or type a serial, read the verdict, change the unit, scan the next.

    The bench stays open. The unit may be changed when the screen says so: PTT, generator and supply were read back as off. Without a
    terminal serials are read from standard input, a line each. `sequencer reference line` says more.
    """
    from sequencer.cli.run import Asked
    from sequencer.cli.screens.operator import Chosen
    from sequencer.cli.station.command import line_command

    facts = line_taken_from(station)
    asked = Asked(
        sequence_name=sequence_name,
        bench_name=bench_name,
        serial="",
        model=model,
        confirmed=confirmed,
        dry_run=dry_run,
        folder=folder,
        store=store,
        chosen=Chosen(only=only, order=order),
        line=facts,
    )
    sys.exit(line_command(asked, StationAsked(**station), as_json=as_json))
