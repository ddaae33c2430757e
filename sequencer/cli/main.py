"""The command line. Start-up imports only click; each command imports what it needs.

Exit status: 0 all passed, 1 a limit failed, 2 the input is wrong, 3 the bench failed or something was not measured, 4 interrupted;
with several, the highest.
"""

from __future__ import annotations

import sys
from copy import copy
from pathlib import Path
from typing import Any

import click

from sequencer.cli.check_bench_options import check_bench
from sequencer.cli.common.complete import names_of
from sequencer.cli.common.options import (
    CHANNEL,
    UnlessOption,
    as_json_option,
    bench_option,
    clear_errors,
    folder_option,
    model_option,
    only_option,
    order_option,
    store_option,
)
from sequencer.cli.common.program import Program
from sequencer.cli.looking_back.report_options import report
from sequencer.cli.looking_back.trace_options import import_kept, replay, trace
from sequencer.cli.setting_up.channels_options import channels
from sequencer.cli.setting_up.new_options import new
from sequencer.cli.unattended.options import series_options, taken_from

_EPILOG = (
    "Exit status: 0 all passed, 1 a limit failed, 2 the input is wrong, 3 the bench failed or something was not measured, 4 interrupted; "
    "with several, the highest."
)


@click.group(
    cls=Program,
    epilog=_EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="radio-bench-sequencer", prog_name="sequencer")
def main() -> None:
    """Run test sequences on two-way radios with networked bench instruments."""


@main.command()
@click.argument("sequence_name", metavar="SEQUENCE", shell_complete=names_of("sequence"))
@bench_option
@click.option("--serial", cls=UnlessOption, unless="units", help="Serial of the unit on the bench.")
@model_option
@click.option(
    "--confirmed", is_flag=True, help="State that everything the sequence asks to confirm has been set."
)
@click.option(
    "--dry-run", is_flag=True, help="Put a simulated instrument behind every address, in virtual time."
)
@only_option
@order_option
@click.option("--again", is_flag=True, help="Repeat the checks chosen with --only; the last repeat counts.")
@click.option(
    "--of",
    metavar="RUN",
    default="",
    help="The run to repeat; without it the last of this unit and sequence.",
)
@click.option("--reason", metavar="TEXT", help="Why they are repeated; without it asked for at the terminal.")
@click.option(
    "--entered",
    metavar="NAME=VALUE",
    multiple=True,
    help="A reading that the sequence asks a person for, given beforehand; may be given more than once.",
)
@series_options
@folder_option
@store_option
@as_json_option
@clear_errors
def run(
    sequence_name: str,
    bench_name: str,
    serial: str | None,
    model: str,
    confirmed: bool,
    dry_run: bool,
    folder: Path,
    store: str,
    as_json: bool,
    **part: Any,
) -> None:
    """Run SEQUENCE (a file, or a shipped one's name) on the unit on the bench.

    A check is repeated with --only CHECK --again: the run it belongs to is the last of this unit with this sequence (or the one named
    with --of), the last repeat counts, and what was found before stays in the store. The sequence file must be as it was then.

    Several runs one after another, with nobody there: `sequencer reference unattended`.
    """
    from sequencer.cli.run import Asked, run_command
    from sequencer.cli.screens.operator import Chosen

    series = taken_from(part)
    asked = Asked(
        sequence_name=sequence_name,
        bench_name=bench_name,
        serial=serial or "",
        model=model,
        confirmed=confirmed,
        dry_run=dry_run,
        folder=folder,
        store=store,
        chosen=Chosen(**part),
    )
    if not series.asked:
        sys.exit(run_command(asked, as_json=as_json))
    from sequencer.cli.unattended.command import series_command

    sys.exit(series_command(asked, series, as_json=as_json))


@main.command()
@click.argument("run_name", metavar="[RUN]", default="")
@click.option("--serial", default="", help="Serial of the unit on the bench, to be held against the run's.")
@click.option(
    "--confirmed", is_flag=True, help="State that everything the sequence asks to confirm has been set again."
)
@click.option(
    "--entered",
    metavar="NAME=VALUE",
    multiple=True,
    help="A reading that is still to be entered, given beforehand; may be given more than once.",
)
@folder_option
@store_option
@as_json_option
@clear_errors
def resume(run_name: str, **options: Any) -> None:
    """Carry on RUN that was cut short (without it the newest in the folder): the bench is made safe, what was finished stands.

    Checks that were not finished are measured, and those an instrument's fault spoilt. Refused where unit, sequence, model or bench file
    are not as they were. Confirmations are asked for again.
    """
    from sequencer.cli.resume import resume_command

    sys.exit(resume_command(run_name, **options))


@main.command()
@click.argument("presets", metavar="PRESET...", nargs=-1, required=True)
@bench_option
@click.option("--serial", required=True, help="Serial of the unit on the bench.")
@model_option
@click.option(
    "--rounds",
    type=click.IntRange(1, 10),
    default=3,
    show_default=True,
    help="How often it comes round to several presets that work on each other, at most.",
)
@click.option("--always", is_flag=True, help="Turn a preset even where it is found in its band.")
@click.option("--confirmed", is_flag=True, help="State that the unit's knobs stand as its model wants them.")
@folder_option
@store_option
@as_json_option
@clear_errors
def adjust(presets: tuple[str, ...], bench_name: str, **options: Any) -> None:
    """Bring each PRESET of the unit's model to its target: turned by you while its figure is shown, or written by the tool.

    Measured as found and as left by the ordinary check. Key time and duty hold meanwhile; after two minutes without a key PTT is released.
    """
    from sequencer.cli.adjust import adjust_command

    sys.exit(adjust_command(presets, bench_name, **options))


@main.command()
@click.argument("sequence_name", metavar="SEQUENCE", shell_complete=names_of("sequence"))
@bench_option
@click.option("--serial", default="", help="Serial of a unit, which chooses the model file.")
@model_option
@only_option
@order_option
@as_json_option
@clear_errors
def validate(sequence_name: str, bench_name: str, as_json: bool, **part: Any) -> None:
    """Prove that SEQUENCE can be run on the bench, and forecast the bench time. Sends nothing."""
    from sequencer.cli.validate import validate_command

    validate_command(sequence_name, bench_name, as_json=as_json, **part)


@main.command()
@bench_option
@click.option("--dry-run", is_flag=True, help="Put a simulated instrument behind every address.")
@as_json_option
@clear_errors
def identify(bench_name: str, dry_run: bool, as_json: bool) -> None:
    """Ask every instrument who it is, and try each harmless command of its profile."""
    from sequencer.cli.setting_up.identify import identify_command

    sys.exit(identify_command(bench_name, dry_run=dry_run, as_json=as_json))


@main.command()
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


main.add_command(trace)
main.add_command(replay)
main.add_command(import_kept)
_take_in = copy(import_kept)  # as it was called before
_take_in.hidden = True
main.add_command(_take_in, "take-in")


@main.command()
@click.argument("kind", type=click.Choice(["sequence", "bench", "plan", "model"]), required=False)
@click.option(
    "--into", type=click.Path(path_type=Path, file_okay=False), help="Write all schemas into this folder."
)
@click.option("--force", is_flag=True, help="With --into: write over a schema that this command wrote.")
@clear_errors
def schema(kind: str | None, into: Path | None, force: bool) -> None:
    """Write the JSON Schema of sequence, bench, plan or model files, for an editor."""
    from sequencer.cli.setting_up.schema import schema_command

    schema_command(kind, into, force=force)


main.add_command(new)


@main.command()
@click.argument("name", metavar="[NAME]", required=False)
@click.option(
    "--into", type=click.Path(path_type=Path, file_okay=False), help="Write all pages into this folder."
)
@click.option("--force", is_flag=True, help="With --into: write over a page that this command wrote.")
@clear_errors
def reference(name: str | None, into: Path | None, force: bool) -> None:
    """List the reference pages, or print the page NAME as Markdown; checks of installed packages are in it."""
    from sequencer.cli.setting_up.reference import reference_command

    reference_command(name, into, force=force)


@main.command()
@bench_option
@click.option("--serial", default="", help="Specimen on the bench; without it the first of a shelf.")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="First port; 0 takes free ones.")
@click.option(
    "--write-bench",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a bench file that reaches it over sockets.",
)
@clear_errors
def simulate(bench_name: str, serial: str, port: int, write_bench: Path | None) -> None:
    """Serve the bench's simulated instruments over TCP on this machine until interrupted."""
    from sequencer.cli.setting_up.simulate import simulate_command

    sys.exit(simulate_command(bench_name, serial=serial, port=port, write_bench=write_bench))


@main.command()
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


@main.command()
@click.option("--serial", required=True, help="The unit.")
@click.option("--check", default="", help="Only this check.")
@click.option("--channel", type=CHANNEL, help="Only this channel.")
@folder_option
@store_option
@as_json_option
@clear_errors
def history(serial: str, check: str, channel: int | None, folder: Path, store: str, as_json: bool) -> None:
    """Show one unit's results over time, with their uncertainty and drift."""
    from sequencer.cli.looking_back.history import history_command

    sys.exit(
        history_command(
            serial, check=check, channel=channel, folder=folder, store_name=store, as_json=as_json
        )
    )


@main.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--format",
    "kind",
    type=click.Choice(["csv", "jsonl", "parquet", "junit"]),
    help="Format, where FILE's name ends in none (.csv, .jsonl, .parquet, .xml for junit).",
)
@click.option("--force", is_flag=True, help="Write over an export of the same format.")
@click.option("--serial", help="Only this unit.")
@folder_option
@store_option
@clear_errors
def export(file: Path, folder: Path, store: str, **asked: Any) -> None:
    """Write stored results into FILE; `sequencer reference export` says what each column holds."""
    from sequencer.cli.looking_back.export import export_command

    sys.exit(export_command(file, folder=folder, store_name=store, **asked))


main.add_command(report)
main.add_command(check_bench)
main.add_command(channels)
