"""What `jobs` and `worker` take on the command line. Start-up imports this, so it imports click alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.complete import names_of
from sequencer.cli.common.line_options import line_taken_from
from sequencer.cli.common.options import (
    as_json_option,
    bench_option,
    clear_errors,
    folder_option,
    model_option,
)

_server_option = click.option(
    "--store",
    metavar="ADDRESS",
    default="",
    envvar="SEQUENCER_STORE",
    show_envvar=True,
    help="The store that the benches share: postgresql+psycopg://user@host/database.",
)


class _JobNumber(click.ParamType[int]):
    name = "job"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Return the number of a job. Raises click.BadParameter."""
        text = str(value)
        if not (text.isascii() and text.isdigit() and 1 <= int(text[:20]) < 2**63):
            shown = text if len(text) <= 40 else text[:40] + "…"
            self.fail(f"'{shown}' is not the number of a job; 'sequencer jobs' lists them.", param, ctx)
        return int(text)


@click.group(invoke_without_command=True)
@click.option(
    "--state",
    "states",
    multiple=True,
    type=click.Choice(["waiting", "taken", "done", "failed", "cancelled"]),
    help="Only jobs in this state; may be given more than once.",
)
@click.option(
    "--limit",
    type=click.IntRange(1, 100_000),
    default=50,
    show_default=True,
    help="Most jobs to list: taken, then waiting, then the newest that are over.",
)
@_server_option
@as_json_option
@click.pass_context
@clear_errors
def jobs(context: click.Context, /, **asked: Any) -> None:
    """Show the queue of jobs: what waits, which bench has what since when, what is done, refused or failed, and the benches.

    A job is a unit and a sequence waiting for a bench. `sequencer worker` on each bench's machine takes those that its bench can do.
    """
    if context.invoked_subcommand is not None:
        return
    from sequencer.cli.fleet.jobs import show_command

    sys.exit(show_command(**asked))


@jobs.command("add")
@click.argument("sequence_name", metavar="SEQUENCE", shell_complete=names_of("sequence"))
@click.option("--serial", "serials", multiple=True, help="Serial of a unit; may be given more than once.")
@click.option(
    "--units",
    metavar="LIST",
    type=click.Path(path_type=Path, dir_okay=False),
    help="A CSV list of units (serial, model, comment): a job for each.",
)
@model_option
@click.option(
    "--due", metavar="WHEN", default="", help="Not to be taken before then: 06:00, or a date with a time."
)
@click.option(
    "--priority",
    type=click.IntRange(-1000, 1000),
    default=0,
    show_default=True,
    help="Taken before those of a lower one.",
)
@click.option(
    "--batch",
    metavar="NAME",
    default="",
    help="Batch that the units belong to; the first run opens it where it is new.",
)
@click.option(
    "--operator",
    default="",
    envvar="SEQUENCER_OPERATOR",
    show_envvar=True,
    help="Who is to be named in the results.",
)
@click.option("--lot", default="", help="Lot that the units are of, for the results.")
@click.option(
    "--no-bench-yet",
    is_flag=True,
    help="Add jobs that none of the registered benches can do: one that can will be there later.",
)
@_server_option
@as_json_option
@clear_errors
def add(sequence_name: str, **asked: Any) -> None:
    """Add a job for each unit: SEQUENCE (a file that every bench has under this name, or a shipped one's name).

    All are added or none. Where workers have registered and no bench can do the sequence, that is said at once, with what each lacks.
    """
    from sequencer.cli.fleet.adding import add_command

    sys.exit(add_command(sequence_name, line=line_taken_from(asked), **asked))


@jobs.command("cancel")
@click.argument("numbers", metavar="JOB...", nargs=-1, required=True, type=_JobNumber())
@_server_option
@clear_errors
def cancel(numbers: tuple[int, ...], store: str) -> None:
    """Cancel each JOB by its number: one that waits is over at once, one that is measured stops, and its bench is made safe."""
    from sequencer.cli.fleet.jobs import cancel_command

    sys.exit(cancel_command(numbers, store=store))


@jobs.command("clear")
@click.option(
    "--older-than",
    metavar="DAYS",
    type=click.IntRange(2, 36_500),
    required=True,
    help="Only jobs that have been over for so many days.",
)
@click.option("--delete", "is_meant", is_flag=True, help="Clear them; without it only what there is is said.")
@_server_option
@as_json_option
@clear_errors
def clear(**asked: Any) -> None:
    """Say which jobs have long been done, failed or cancelled, and which benches are not heard of; with --delete take them out.

    The runs and results of every job stay, and so does every job that waits or is measured.
    """
    from sequencer.cli.fleet.jobs import clear_command

    sys.exit(clear_command(**asked))


@jobs.command("set-up")
@_server_option
@clear_errors
def set_up(store: str) -> None:
    """Make the queue's tables beside the store's, where they are not there yet."""
    from sequencer.cli.fleet.jobs import set_up_command

    sys.exit(set_up_command(store=store))


@click.command()
@bench_option
@click.option(
    "--confirmed", is_flag=True, help="State that everything sequences ask to confirm has been set."
)
@click.option(
    "--dry-run", is_flag=True, help="Put a simulated instrument behind every address, in virtual time."
)
@click.option(
    "--unit",
    "units",
    metavar="SERIAL",
    multiple=True,
    help="The unit that is connected to a real bench: it takes jobs of this unit only. May be given more than once.",
)
@click.option("--once", is_flag=True, help="End after one job.")
@click.option("--drain", is_flag=True, help="End when no job is due that the bench could take.")
@click.option(
    "--lease",
    "lease_s",
    metavar="SECONDS",
    type=click.FloatRange(3.0, 3600.0),
    default=120.0,
    show_default=True,
    help="How long its job stays its own while it is not heard of.",
)
@click.option(
    "--own-check-at",
    metavar="TIME",
    default="",
    help="Have the bench check itself each day from this time on, such as 06:00.",
)
@click.option(
    "--zone",
    default="",
    metavar="NAME",
    help="Zone of --own-check-at, such as Europe/Lisbon.  [default: this machine's]",
)
@folder_option
@_server_option
@clear_errors
def worker(bench_name: str, **asked: Any) -> None:
    """Let the bench take jobs from the queue, one at a time, until it is stopped (Ctrl-C, SIGTERM): `sequencer reference jobs`.

    It takes only what the bench can do. What it was measuring when it ended goes back into the queue, and is carried on or begun anew.
    """
    from sequencer.cli.fleet.worker import worker_command

    sys.exit(worker_command(bench_name, **asked))
