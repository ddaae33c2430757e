"""What `watch` takes on the command line. Start-up imports this, so it imports click alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.options import clear_errors, folder_option, store_option
from sequencer.cli.common.program import Command


@click.command(cls=Command)
@click.argument("what", metavar="[token]", type=click.Choice(["token"]), required=False)
@click.option(
    "--address",
    metavar="ADDRESS",
    default="127.0.0.1",
    show_default=True,
    help="Address that is listened on; another than this machine's own needs a token. 0.0.0.0 takes every one.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65_535),
    default=8710,
    show_default=True,
    help="Port; 0 takes any that is free.",
)
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="HOST",
    help="A further name by which browsers call this server, such as bench.example; may be given more than once.",
)
@click.option(
    "--certificate",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Certificate (PEM, with those between it and its root), with --key: the pages are served by https.",
)
@click.option(
    "--key",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The certificate's private key (PEM).",
)
@folder_option
@store_option
@clear_errors
def watch(what: str | None, folder: Path, store: str, **asked: Any) -> None:
    """Serve pages to watch the benches and look at what was found, for reading only; Ctrl-C ends it.

    `sequencer watch token` makes the token that other machines show once, and shows it, once. It takes the place of any before it.
    """
    from sequencer.cli.watch import token_command, watch_command

    if what == "token":
        sys.exit(token_command())
    sys.exit(watch_command(folder=folder, store_name=store, **asked))
