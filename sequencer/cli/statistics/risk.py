"""`risk`: what a decision rule costs, given how the units spread and how well a result is known."""

from __future__ import annotations

import json
import math
from pathlib import Path

import click

from sequencer.cli.statistics.figures import in_one_unit, share_of
from sequencer.cli.statistics.risk_text import as_plain, lines_of, rules_of
from sequencer.cli.statistics.wrapped import show_lines, terminal_width
from sequencer.problems import InputError, about_file, option_problem
from sequencer.statistics.rule_risks import Process, find_rule_risks
from sequencer.uncertainty.decision import Limits

_NEEDED = ("--mean", "--spread", "--uncertainty")
_DIFFERENCES = ("--spread", "--uncertainty")


def risk_command(
    *,
    lower: str,
    upper: str,
    mean: str,
    spread: str,
    units: int | None,
    uncertainty: str,
    rule: str,
    false_accept: str,
    batch: str,
    check: str,
    folder: Path,
    store: str,
    as_json: bool,
) -> None:
    """Show the risks of the simple and the guarded rule, of one's own, and the guard band for a risk."""
    share = share_of("--false-accept", false_accept) if false_accept else None
    texts = {
        "--lower": lower,
        "--upper": upper,
        "--mean": mean,
        "--spread": spread,
        "--uncertainty": uncertainty,
    }
    if batch:
        given = [option for option, text in texts.items() if text] + ["--units"] * (units is not None)
        if given:
            raise option_problem(given[0], "the batch says it", allowed="--batch without it")
        from sequencer.cli.statistics.batch_risk import batch_risk

        batch_risk(
            batch, check, rule=rule, false_accept=share, folder=folder, store_name=store, as_json=as_json
        )
        return
    if check:
        raise option_problem("--check", "it is of a batch", allowed="--batch NAME beside it")
    numbers, unit = in_one_unit(texts, differences=_DIFFERENCES)
    _refuse_missing(numbers)
    _refuse_out_of_range(numbers, texts)
    table = find_rule_risks(
        Process(mean=numbers["--mean"], spread=numbers["--spread"], units=units),
        numbers["--uncertainty"],
        Limits(lower=numbers.get("--lower"), upper=numbers.get("--upper")),
        factors=rules_of(rule),
        false_accept=share,
    )
    if as_json:
        click.echo(json.dumps(as_plain(table, unit), ensure_ascii=False, indent=2))
    else:
        show_lines(lines_of(table, unit, width=terminal_width()))


def _refuse_missing(numbers: dict[str, float]) -> None:
    missing = [option for option in _NEEDED if option not in numbers]
    if "--lower" not in numbers and "--upper" not in numbers:
        missing.append("--lower or --upper")
    if missing:
        raise about_file(
            "risk",
            f"not given: {', '.join(missing)}",
            allowed="limits, how the units spread, and the uncertainty: 'sequencer risk --upper '4 W' --mean '3.7 W' "
            "--spread '0.12 W' --uncertainty '0.15 W'",
        )


def _refuse_out_of_range(numbers: dict[str, float], texts: dict[str, str]) -> None:
    problem: InputError | None = None
    if not numbers["--spread"] > 0.0:
        problem = option_problem(
            "--spread", f"'{texts['--spread']}' is no spread", found=texts["--spread"], allowed="above 0"
        )
    elif numbers["--uncertainty"] < 0.0:
        problem = option_problem(
            "--uncertainty",
            f"'{texts['--uncertainty']}' is no uncertainty",
            found=texts["--uncertainty"],
            allowed="0 or more",
        )
    elif numbers.get("--lower", -math.inf) >= numbers.get("--upper", math.inf):
        problem = option_problem(
            "--lower",
            f"'{texts['--lower']}' does not lie below the upper limit '{texts['--upper']}'",
            found=texts["--lower"],
            allowed=f"below {texts['--upper']}",
        )
    if problem is not None:
        raise problem
