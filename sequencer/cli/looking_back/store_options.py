"""The commands of `store`. Start-up imports this, so it imports click alone."""

from __future__ import annotations

import sys

import click

from sequencer.cli.common.options import as_json_option, clear_errors
from sequencer.cli.common.program import Command


@click.group()
def store() -> None:
    """Look after the store: move it into a PostgreSQL server that several benches share, or back into a file."""


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
