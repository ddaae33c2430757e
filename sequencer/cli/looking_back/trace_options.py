"""What `trace`, `replay` and `import-kept` take on the command line. Start-up imports this, so it imports click alone."""

from __future__ import annotations

import sys
from copy import copy
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.options import as_json_option, clear_errors, folder_option, store_option
from sequencer.cli.common.program import Command


@click.command(cls=Command)
@click.argument("run_name", metavar="RUN")
@click.option(
    "--step", type=click.IntRange(0, 99_999), help="Only the check with this number, counted from 0."
)
@click.option("--check", default="", metavar="NAME", help="Only checks of this name.")
@click.option(
    "--instrument",
    "instruments",
    multiple=True,
    metavar="NAME",
    help="Only this instrument; may be given more than once.",
)
@click.option(
    "--faults", is_flag=True, help="Only messages that ended in a fault, and the same messages sent again."
)
@folder_option
@store_option
@as_json_option
@clear_errors
def trace(run_name: str, folder: Path, store: str, **asked: Any) -> None:
    """Show every byte that was exchanged in RUN ("last" for the newest); AGAIN marks what was sent again after a fault."""
    from sequencer.cli.looking_back.trace import trace_command

    sys.exit(trace_command(run_name, folder=folder, store_name=store, **asked))


@click.command(cls=Command)
@click.argument("run_name", metavar="RUN|FILE")
@click.option(
    "--sequence",
    "sequence_name",
    metavar="FILE",
    default="",
    help="Sequence in place of the run's own: other limits or another rule judge the same readings, as a re-evaluation.",
)
@click.option(
    "--bench",
    "bench_name",
    metavar="FILE",
    default="",
    help="Bench file in place of the run's own: a corrected accuracy or loss, as a re-evaluation.",
)
@click.option(
    "--as-test",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the run, whole, to FILE (.json or .json.gz), and beside it a pytest test that replays it.",
)
@click.option(
    "--mask-serial",
    is_flag=True,
    help="With --as-test: take the serials and the names of those who confirmed out of FILE.",
)
@click.option("--force", is_flag=True, help="With --as-test: write over a run that was written so.")
@folder_option
@store_option
@as_json_option
@clear_errors
def replay(run_name: str, folder: Path, store: str, **asked: Any) -> None:
    """Go through RUN ("last" for the newest, or FILE with one run) again without a bench: its stored trace answers.

    Exit status: 0 the same results and decisions, 1 something differs or could not be worked out, 2 it cannot be replayed.
    """
    from sequencer.cli.looking_back.replay import replay_command

    sys.exit(replay_command(run_name, folder=folder, store_name=store, **asked))


@click.command("import-kept", cls=Command)
@click.argument(
    "files", nargs=-1, required=True, metavar="FILE...", type=click.Path(path_type=Path, dir_okay=False)
)
@folder_option
@store_option
@as_json_option
@clear_errors
def import_kept(files: tuple[Path, ...], folder: Path, store: str, as_json: bool) -> None:
    """Put runs into the store that were kept beside it in FILE (.json) because it could not be written.

    What the store has of them already stays as it is; a file put in twice adds nothing. The file is left where it is.
    """
    from sequencer.cli.looking_back.import_kept import import_kept_command

    sys.exit(import_kept_command(files, folder=folder, store_name=store, as_json=as_json))


take_in = copy(import_kept)  # as it was called before
take_in.hidden = True
