"""What `gauge`, `risk` and `sampling` take on the command line. Start-up imports this, so it imports click alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from sequencer.cli.common.options import (
    as_json_option,
    clear_errors,
    folder_option,
    model_option,
    store_option,
)


@click.command()
@click.argument("study", metavar="[STUDY]", required=False, type=click.Path(path_type=Path))
@click.option("--bench", "bench_name", metavar="FILE", help="Bench file, or a shipped one's name.")
@model_option
@click.option(
    "--confirmed",
    is_flag=True,
    help="State that everything the sequence asks to confirm has been set, each time.",
)
@click.option(
    "--dry-run", is_flag=True, help="Put a simulated instrument behind every address, in virtual time."
)
@click.option(
    "--unasked", is_flag=True, help="Simulated bench: take units and operators as planned, and ask nobody."
)
@click.option(
    "--show",
    metavar="NAME",
    default="",
    help="Show the study of this name, or of this file (STUDY, or the .gauge file it is kept in): what it says, or what is missing.",
)
@click.option(
    "--end-early",
    is_flag=True,
    help="With --show: end a study that is not whole as it is, for good, and show what it says.",
)
@click.option(
    "--from",
    "listed",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Show what readings made elsewhere say: a CSV file with the columns unit, operator, value (and trial, quantity).",
)
@click.option("--lower", metavar="VALUE", default="", help="With --from: lower limit, such as '3 W'.")
@click.option("--upper", metavar="VALUE", default="", help="With --from: upper limit.")
@folder_option
@store_option
@as_json_option
@clear_errors
def gauge(study: Path | None, as_json: bool, **asked: Any) -> None:
    """Make the gauge study in the file STUDY: how much of what is measured is the units, how much the measuring itself.

    Every operator measures every unit several times, in an order drawn by lot; units and operators are asked for by name. It can be
    stopped at any time: the same command goes on with it. No value is shown until the study is whole. 'sequencer new gauge NAME' writes a
    file to begin with.
    """
    from sequencer.cli.statistics.gauge_asked import gauge_asked

    sys.exit(gauge_asked(study, as_json=as_json, **asked))


@click.command()
@click.option("--lower", metavar="VALUE", default="", help="Lower limit, such as '3 W'.")
@click.option("--upper", metavar="VALUE", default="", help="Upper limit.")
@click.option("--mean", metavar="VALUE", default="", help="Mean of the units' true values.")
@click.option("--spread", metavar="VALUE", default="", help="Their standard deviation.")
@click.option(
    "--units", type=click.IntRange(2, 1_000_000), help="From how many units mean and spread were found."
)
@click.option(
    "--uncertainty",
    metavar="VALUE",
    default="",
    help="Expanded uncertainty U of a result (about 95 %, k = 2).",
)
@click.option(
    "--rule",
    metavar="RULE",
    default="",
    help="A rule beside simple and guarded: a guard factor such as 0.83.",
)
@click.option(
    "--false-accept",
    metavar="SHARE",
    default="",
    help="Find the guard band that holds this share of all units wrongly accepted, such as '1 %'.",
)
@click.option(
    "--batch",
    metavar="NAME",
    default="",
    help="Take limits, spread and uncertainty from this batch's results.",
)
@click.option("--check", metavar="CHECK", default="", help="With --batch: of this check alone.")
@folder_option
@store_option
@as_json_option
@clear_errors
def risk(as_json: bool, **stated: Any) -> None:
    """Tell what a decision rule costs: how many bad units it accepts, and how many good ones it refuses.

    Numbers are written in one unit ('-113 dBm' goes with '1 dB'), or all without one; or all is taken from a batch.
    """
    from sequencer.cli.statistics.risk import risk_command

    risk_command(as_json=as_json, **stated)


@click.command()
@click.option(
    "--aql",
    "good",
    metavar="SHARE",
    required=True,
    help="Share failing that is good enough: such lots are seldom refused.",
)
@click.option(
    "--ltpd",
    "bad",
    metavar="SHARE",
    required=True,
    help="Share failing that is bad: such lots are seldom taken.",
)
@click.option(
    "--producers-risk",
    metavar="SHARE",
    default="5 %",
    show_default=True,
    help="How seldom the good lot is refused.",
)
@click.option(
    "--consumers-risk",
    metavar="SHARE",
    default="10 %",
    show_default=True,
    help="How seldom the bad lot is taken.",
)
@click.option(
    "--lot-size",
    type=click.IntRange(2, 100_000),
    help="How many units the lot has; without it, it is large beside the sample.",
)
@click.option(
    "--variables",
    is_flag=True,
    help="Show the plans by variables too: one limit, values that are normal, the mean so many standard deviations within it.",
)
@as_json_option
@clear_errors
def sampling(as_json: bool, **asked: Any) -> None:
    """Find how many units of a lot to test, and how many may fail, so that both risks are held."""
    from sequencer.cli.statistics.sampling import sampling_command

    sampling_command(as_json=as_json, **asked)
