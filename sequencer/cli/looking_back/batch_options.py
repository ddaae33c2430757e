"""What `batch` takes on the command line. Start-up imports this, so it imports click alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.options import as_json_option, clear_errors, folder_option, store_option


@click.command()
@click.argument("name", metavar="[NAME]", default="")
@click.option(
    "--all", "every", is_flag=True, help="Show every quantity with its chart, not the three worst only."
)
@click.option(
    "--group",
    type=click.IntRange(2, 25),
    default=5,
    show_default=True,
    help="Units one after another that make a point of the chart of means.",
)
@click.option(
    "--by-hour",
    is_flag=True,
    help="Take the units of one hour together instead, for means and for the share that fails.",
)
@click.option(
    "--csv", "as_csv", is_flag=True, help="Write the capability of each quantity as CSV to standard output."
)
@click.option(
    "--against",
    metavar="NAME",
    default="",
    help="Lay this other batch beside it: yields, and the quantities whose mean has moved.",
)
@click.option(
    "--close", "closing", metavar="REASON", help="Close the batch: no run is taken into it any more."
)
@click.option(
    "--open", "opening", metavar="REASON", help="Open it again after it was closed or has stopped itself."
)
@folder_option
@store_option
@as_json_option
@clear_errors
def batch(name: str, folder: Path, store: str, **asked: Any) -> None:
    """Show what the runs of batch NAME come to: yields, failures, capability, charts, seconds. Without NAME: list the batches.

    Each unit counts once, however often it was tested: first pass by its first verdict, final by its last. `sequencer reference batches`
    says what each figure means, and what it does not.
    """
    from sequencer.cli.looking_back.batch import batch_command

    sys.exit(batch_command(name, folder=folder, store_name=store, **asked))
