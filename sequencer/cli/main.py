"""The command line. Start-up imports only click; each command imports what it needs.

Exit status: 0 all passed, 1 a limit failed, 2 the input is wrong, 3 the bench failed or something was not measured, 4 interrupted;
5 the store is busy and nothing was begun; with several, the highest.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.complete import names_of
from sequencer.cli.common.line_options import line_options, line_taken_from
from sequencer.cli.common.options import (
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
from sequencer.cli.unattended.options import series_options, taken_from

_EPILOG = (
    "Exit status: 0 all passed, 1 a limit failed, 2 the input is wrong, 3 the bench failed or something was not measured, 4 interrupted; "
    "5 the store is busy and nothing was begun; with several, the highest."
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
@click.option(
    "--reason",
    metavar="TEXT",
    help="Why they are repeated (without it asked for at the terminal), or why a unit is tested again in its batch.",
)
@click.option(
    "--entered",
    metavar="NAME=VALUE",
    multiple=True,
    help="A reading that the sequence asks a person for, given beforehand; may be given more than once.",
)
@line_options
@series_options
@folder_option
@store_option
@as_json_option
@click.option(
    "--json-lines",
    is_flag=True,
    help="Write each result as a line of JSON as soon as it is found, and the run as the last line.",
)
@click.option(
    "--linked",
    type=click.Choice(["person", "alone"]),
    help="For a program that shows the run: --json-lines with its progress and, of 'person', its questions, answered on standard input.",
)
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
    json_lines: bool,
    linked: str | None,
    **part: Any,
) -> None:
    """Run SEQUENCE (a file, or a shipped one's name) on the unit on the bench.

    A check is repeated with --only CHECK --again: the run it belongs to is the last of this unit with this sequence (or the one named
    with --of), the last repeat counts, and what was found before stays in the store. The sequence file must be as it was then.

    Several runs one after another, with nobody there: `sequencer reference unattended`.
    """
    from sequencer.cli.run import Asked
    from sequencer.cli.screens.operator import Chosen

    series, line = taken_from(part), line_taken_from(part)
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
        line=line,
        linked=linked or "",
    )
    if not series.asked:
        from sequencer.cli.run_told import run_command

        sys.exit(run_command(asked, as_json=as_json, json_lines=json_lines or bool(linked)))
    if json_lines:
        from sequencer.problems import option_problem

        raise option_problem(
            "--json-lines", "it is of one run, and this is a series", allowed="--json: a line a run"
        )
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


main.elsewhere |= {
    name: f"sequencer.cli.{module}"
    for module, names in {
        "looking_back.commands": ("results", "compare", "history", "export"),
        "looking_back.batch_options": ("batch",),
        "looking_back.report_options": ("report",),
        "looking_back.store_options": ("store",),
        "looking_back.trace_options": ("trace", "replay", "import-kept", "take-in"),
        "setting_up.commands": ("identify", "schema", "reference", "simulate"),
        "setting_up.channels_options": ("channels",),
        "setting_up.new_options": ("new",),
        "check_bench_options": ("check-bench",),
        "benches.options": ("benches",),
        "station.options": ("line",),
        "fleet.options": ("jobs", "worker"),
        "statistics.commands": ("gauge", "risk", "sampling"),
        "watch_options": ("watch",),
    }.items()
    for name in names
}  # a new command: its name beside the module that declares it
