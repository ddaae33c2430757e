"""What a run is told of the line it is made on: batch, station, operator, lot, fixture. Start-up imports click alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import reduce
from typing import Any

import click

_OPTIONS = (
    click.option(
        "--batch",
        metavar="NAME|FILE",
        default="",
        help="Batch that the unit belongs to: its name, which opens it where it is new, or a batch file.",
    ),
    click.option(
        "--station",
        default="",
        envvar="SEQUENCER_STATION",
        show_envvar=True,
        help="Where it is tested, for the results.",
    ),
    click.option(
        "--operator",
        default="",
        envvar="SEQUENCER_OPERATOR",
        show_envvar=True,
        help="Who tests it, for the results.",
    ),
    click.option("--lot", default="", help="Lot that the unit is of, for the results."),
    click.option("--fixture", default="", help="Fixture that holds it, for the results."),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineAsked:
    """What the command line says of the line; each is empty where it says nothing."""

    batch: str = ""
    station: str = ""
    operator: str = ""
    lot: str = ""
    fixture: str = ""


def line_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of the line."""
    return reduce(lambda made, option: option(made), reversed(_OPTIONS), command)


def line_taken_from(options: dict[str, Any]) -> LineAsked:
    """Take the options of the line out of all that were given. Raises InputError for a text that no row takes."""
    given = LineAsked(**{one.name: str(options.pop(one.name, "")).strip() for one in fields(LineAsked)})
    is_file = given.batch.endswith((".yaml", ".yml"))
    for one in fields(LineAsked):
        if text := getattr(given, one.name):
            _check(one.name, "" if is_file and one.name == "batch" else text)
    return given


def _check(name: str, text: str) -> None:
    from sequencer.inputs.names.line_name import allowed_name, wrong_with_name
    from sequencer.problems import option_problem

    names_files = name == "batch"
    if wrong := wrong_with_name(name, text, names_files=names_files):
        hint = "a batch file's name ends in .yaml" if names_files else ""
        raise option_problem(
            f"--{name}", wrong, found=text[:40], allowed=allowed_name(names_files=names_files), hint=hint
        )
