"""The commands that look at stored runs, with their options; each imports what it needs when it is called."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.options import (
    CHANNEL,
    as_json_option,
    clear_errors,
    folder_option,
    store_option,
)


@click.command()
@click.argument("run_name", metavar="[RUN]", required=False)
@click.option("--serial", "serials", multiple=True, help="Only this unit; may be given more than once.")
@click.option("--check", default="", help="Only results of this check.")
@click.option("--channel", type=CHANNEL, help="Only results on this channel.")
@click.option(
    "--decision",
    "decisions",
    multiple=True,
    type=click.Choice(["pass", "conditional pass", "conditional fail", "fail", "no limit", "not measured"]),
    help="Only results so decided; may be given more than once.",
)
@click.option("--sequence", default="", help="Only of the sequence of this name.")
@click.option("--model", default="", help="Only units of this model.")
@click.option("--batch", default="", help="Only of this batch.")
@click.option("--station", default="", help="Only of this station.")
@click.option("--operator", default="", help="Only of this operator.")
@click.option("--lot", default="", help="Only of this lot.")
@click.option("--since", metavar="DATE", help="Only from this date or time on (ISO 8601).")
@click.option("--until", metavar="DATE", help="Only up to this date, its whole day, or up to this time.")
@click.option(
    "--limit",
    type=click.IntRange(1, 1_000_000),
    help="Most to list, newest first.  [default: 50 runs, 1000 results]",
)
@click.option(
    "--all", "every", is_flag=True, help="Show every channel of a channel sweep, not the worst only."
)
@click.option("--budget", is_flag=True, help="Show the uncertainty budget of each result.")
@click.option(
    "--conditions",
    is_flag=True,
    help="Show the supply, confirmations and settings each result was taken under.",
)
@click.option("--csv", "as_csv", is_flag=True, help="Write results as CSV to standard output.")
@folder_option
@store_option
@as_json_option
@clear_errors
def results(run_name: str | None, folder: Path, store: str, **asked: Any) -> None:
    """List the runs in the store, or show the results of RUN ("last" for the newest) and of all that repeat its checks.

    Of a check that was repeated the last result counts; the others stand in brackets.
    With --check, --channel, --decision or --csv the results themselves are listed, over all runs, newest first.
    """
    from sequencer.cli.looking_back.results import results_command

    sys.exit(results_command(run_name, folder=folder, store_name=store, **asked))


@click.command()
@click.argument("names", nargs=-1, metavar="[UNIT|RUN]...")
@click.option(
    "--by",
    type=click.Choice(["unit", "run", "date", "model", "bench", "sequence"]),
    default="unit",
    show_default=True,
    help="What is laid side by side, where no names are given.",
)
@click.option(
    "--allow",
    multiple=True,
    type=click.Choice(["sequence", "conditions", "simulated"]),
    help="Compare although this differs; may be given more than once.",
)
@click.option("--all", "every", is_flag=True, help="Show every result, not only the differences that count.")
@folder_option
@store_option
@as_json_option
@clear_errors
def compare(names: tuple[str, ...], folder: Path, store: str, **asked: Any) -> None:
    """Lay units, runs or groups side by side, and show which differences count; with --all each result, check by check."""
    from sequencer.cli.looking_back.compare import compare_command

    sys.exit(compare_command(names, folder=folder, store_name=store, **asked))


@click.command()
@click.option("--serial", required=True, help="The unit.")
@click.option("--check", default="", help="Only this check.")
@click.option("--channel", type=CHANNEL, help="Only this channel.")
@click.option("--batch", default="", help="Only what was found in this batch.")
@click.option("--station", default="", help="Only what was found at this station.")
@folder_option
@store_option
@as_json_option
@clear_errors
def history(serial: str, folder: Path, store: str, **asked: Any) -> None:
    """Show one unit's results over time, with their uncertainty and drift."""
    from sequencer.cli.looking_back.history import history_command

    sys.exit(history_command(serial, folder=folder, store_name=store, **asked))


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--format",
    "kind",
    type=click.Choice(["csv", "jsonl", "parquet", "junit"]),
    help="Format, where FILE's name ends in none (.csv, .jsonl, .parquet, .xml for junit).",
)
@click.option("--force", is_flag=True, help="Write over an export of the same format.")
@click.option("--serial", help="Only this unit.")
@click.option("--run", "run_name", help="Only this run, with all that repeat its checks.")
@click.option("--batch", default="", help="Only of this batch.")
@click.option("--sequence", default="", help="Only of the sequence of this name.")
@click.option("--model", default="", help="Only units of this model.")
@click.option(
    "--since", metavar="DATE", help="Only runs that began on this date or time or later (ISO 8601)."
)
@click.option(
    "--until", metavar="DATE", help="Only runs that began up to this date, its whole day, or up to this time."
)
@folder_option
@store_option
@clear_errors
def export(file: Path, folder: Path, store: str, **asked: Any) -> None:
    """Write stored results into FILE; `sequencer reference export` says what each column holds."""
    from sequencer.cli.looking_back.export import export_command

    sys.exit(export_command(file, folder=folder, store_name=store, **asked))
