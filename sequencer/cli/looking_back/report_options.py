"""What `report` takes on the command line. Start-up imports this, so it imports click alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.options import clear_errors, folder_option, store_option


@click.command()
@click.argument("words", nargs=-1, required=True, metavar="RUN... FILE")
@click.option("--batch", default="", help="Write the page of this batch instead: FILE alone, and no RUN.")
@click.option(
    "--gauge",
    default="",
    metavar="NAME",
    help="Write the page of this gauge study instead, which must be whole or ended: its name or its file; FILE alone, and no RUN.",
)
@click.option("--title", default="", help="The report's title.")
@click.option("--comment", "comments", multiple=True, help="A comment; may be given more than once.")
@click.option("--plots", type=click.Choice(["auto", "all", "none"]), default="auto", show_default=True)
@click.option(
    "--all",
    "every",
    is_flag=True,
    help="List every channel of a channel sweep, or draw every quantity of a batch, not the worst only.",
)
@click.option("--sheet", is_flag=True, help="Write the customer's sheet instead: one page, to be signed.")
@click.option(
    "--workshop",
    default="",
    envvar="SEQUENCER_WORKSHOP",
    show_envvar=True,
    help="The workshop, at the head of the sheet.",
)
@click.option("--customer", default="", help="The customer, on the sheet.")
@click.option("--job", "number", default="", help="The job's number, on the sheet.")
@click.option("--technician", default="", help="Who tested, on the sheet.")
@click.option("--budgets", is_flag=True, help="With --sheet: the uncertainty budgets on pages behind it.")
@click.option("--force", is_flag=True, help="Write over a report.")
@folder_option
@store_option
@clear_errors
def report(words: tuple[str, ...], folder: Path, store: str, **asked: Any) -> None:
    """Write a report of RUN ("last" for the newest), or of several, into FILE (.html or .pdf).

    With --batch it is what the batch comes to: yields, failures, capability, charts, seconds; with --gauge what a gauge study says.
    With --sheet it is the sheet for the customer: one page a run, with as found and as left, to be signed.
    """
    from sequencer.cli.looking_back.report import report_command

    sys.exit(report_command(words, folder=folder, store_name=store, **asked))
