"""The options of `run` that make a series of it. Start-up imports click alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import reduce
from pathlib import Path
from typing import Any

import click

_OPTIONS = (
    click.option(
        "--repeat", metavar="N", type=click.IntRange(1, 100_000), help="Run it N times, one after another."
    ),
    click.option(
        "--every",
        metavar="TIME",
        default="",
        help="From start to start, such as '30 min'; a start within a run is left out.",
    ),
    click.option(
        "--until",
        metavar="WHEN",
        default="",
        help="Begin no run that would end later: 06:00, or a date with a time.",
    ),
    click.option(
        "--units",
        metavar="LIST",
        is_eager=True,
        type=click.Path(path_type=Path, dir_okay=False),
        help="In place of --serial: a CSV list of units (serial, model, comment), measured one after another.",
    ),
    click.option(
        "--anew",
        is_flag=True,
        default=None,
        help="Begin a series anew that was cut short; without it the same command carries it on.",
    ),
    click.option(
        "--retries",
        metavar="N",
        type=click.IntRange(0, 1000),
        help="New tries of a run that the bench spoilt, with growing pauses.  [default: 3 where there are several runs]",
    ),
    click.option(
        "--stop-file",
        metavar="FILE",
        type=click.Path(path_type=Path),
        help="Stop before the next check once FILE is there.  [default: stop in the results folder]",
    ),
    click.option(
        "--log",
        metavar="FILE",
        type=click.Path(path_type=Path, dir_okay=False),
        help="Log for people, a line an event.  [default: BENCH.log in the results folder where there are several runs]",
    ),
    click.option(
        "--notify",
        metavar="COMMAND",
        default="",
        help="Called when a run fails and at the end, with the message on its standard input.",
    ),
    click.option(
        "--notify-file",
        metavar="FILE",
        type=click.Path(path_type=Path, dir_okay=False),
        help="File of mode 600 with addresses of notification services, a line each (extra `notify`).",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unattended:
    """What the command line says of a series; nothing of it is said of a single run."""

    repeat: int | None = None
    every: str = ""
    until: str = ""
    units: Path | None = None
    anew: bool | None = None
    retries: int | None = None
    stop_file: Path | None = None
    log: Path | None = None
    notify: str = ""
    notify_file: Path | None = None

    @property
    def asked(self) -> bool:
        """Whether anything of it was said."""
        return any(getattr(self, one.name) not in (None, "") for one in fields(self))


def series_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of a series."""
    return reduce(lambda made, option: option(made), reversed(_OPTIONS), command)


def taken_from(options: dict[str, Any]) -> Unattended:
    """Take the options of a series out of all that were given."""
    return Unattended(**{one.name: options.pop(one.name) for one in fields(Unattended)})
