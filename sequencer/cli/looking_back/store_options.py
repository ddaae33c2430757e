"""The commands of `store`. Start-up imports this, so it imports click alone."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from sequencer.cli.common.options import as_json_option, clear_errors, folder_option, store_option
from sequencer.cli.common.program import Command


@click.group()
def store() -> None:
    """Look after the store: move it into a PostgreSQL server that several benches share, or back into a file; clear old traces."""


@store.command(cls=Command)
@click.argument("source", metavar="FROM")
@click.argument("target", metavar="TO")
@as_json_option
@clear_errors
def move(source: str, target: str, as_json: bool) -> None:
    """Put all runs of the store FROM into the store TO, each a file or postgresql+psycopg://user@host/database.

    Every row is counted and compared once it is there; all of it is one transaction, so that a move that is cut short leaves nothing behind
    and may be repeated. FROM stays as it is. A run that TO has already stays there once; where it is not the same, nothing is moved.
    """
    from sequencer.cli.looking_back.store_move import move_command

    sys.exit(move_command(source, target, as_json=as_json))


@store.command("clear-traces", cls=Command)
@click.option(
    "--older-than",
    metavar="DAYS",
    type=click.IntRange(1, 36_500),
    required=True,
    help="Only of runs that began so many days ago or earlier.",
)
@click.option("--delete", "is_meant", is_flag=True, help="Clear them; without it only what there is is said.")
@click.option(
    "--compact",
    is_flag=True,
    help="With --delete: write a store's file anew afterwards, so that the disk gets the room back.",
)
@folder_option
@store_option
@as_json_option
@clear_errors
def clear_traces(folder: Path, store: str, **asked: bool | int) -> None:
    """Say what the traces of old runs come to (every byte exchanged with the instruments); with --delete take them out of the store.

    Results, readings, budgets and files stay, and so does when a trace was cleared. Runs without an end keep theirs. Others may measure
    meanwhile.
    """
    from sequencer.cli.looking_back.store_clear import clear_command

    sys.exit(clear_command(folder=folder, store_name=store, **asked))  # type: ignore[arg-type]
