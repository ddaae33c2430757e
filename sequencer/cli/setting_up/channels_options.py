"""What `channels` takes on the command line. Start-up imports this, so it imports click alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.complete import names_of
from sequencer.cli.common.options import as_json_option, clear_errors


@click.command()
@click.argument("plan_name", metavar="PLAN", shell_complete=names_of("plan"))
@click.option(
    "--like",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="The list as the radio's software exported it (CSV).",
)
@click.option(
    "--into",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the list with the plan in it to this new file.",
)
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="ROLE=NAME",
    help="Which column is which, where its name does not tell: channel, frequency, transmit, name, mode; other (stays as it is); "
    "or unit=kHz, separator=tab.",
)
@click.option("--drop", is_flag=True, help="Leave out entries of channels that the plan does not have.")
@click.option(
    "--far", is_flag=True, help="Write also where entries move by more than a tenth of their frequency."
)
@as_json_option
@clear_errors
def channels(plan_name: str, **asked: Any) -> None:
    """Put the channels of PLAN into a radio's own exported list; every other column and the way it is written stay as they are."""
    from sequencer.cli.setting_up.channels import channels_command

    sys.exit(channels_command(plan_name, **asked))
