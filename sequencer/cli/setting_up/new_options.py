"""The command line of `new`; what it does is imported when it is called."""

from __future__ import annotations

from pathlib import Path

import click

from sequencer.cli.common.options import clear_errors
from sequencer.cli.common.program import Command


@click.command(cls=Command)
@click.argument(
    "kind", type=click.Choice(["model", "sequence", "bench", "gauge", "batch", "check", "driver"])
)
@click.argument("name")
@click.option(
    "--into",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(),
    help="Folder to write into; without it the current one.",
)
@click.option("--serials", metavar="PATTERN", help="model, batch: which serials its units have.")
@click.option("--channels", metavar="PLAN", help="model: its channel plan.")
@click.option("--supply", metavar="VOLTAGE", help="model: what it is fed with.")
@click.option("--power", metavar="POWER", help="model: the most a sound unit gives.")
@click.option("--drive", metavar="VOLTAGE", help="model: microphone drive for normal test modulation.")
@click.option("--s9", metavar="VOLTAGE", help="model: its meter line at S9.")
@click.option("--model", metavar="MODEL", help="sequence: the model that fills in what it leaves out.")
@click.option("--network", metavar="A.B.C", help="bench: first three numbers of the instruments' addresses.")
@click.option("--supply-max", metavar="VOLTAGE", help="bench: the highest voltage of the supply.")
@click.option("--rating", metavar="POWER", help="bench: what load or pad may be given.")
@click.option("--sequence", metavar="SEQUENCE", help="gauge, batch: the sequence that measures.")
@click.option("--measure", metavar="CHECK", help="gauge: which of its checks.")
@click.option("--target", metavar="N", help="batch: how many units it is to have.")
@click.option("--role", metavar="ROLE", help="driver: the role of the instrument.")
@clear_errors
def new(kind: str, name: str, into: Path, **given: str | None) -> None:
    """Write a commented new file called NAME that validates; for a check or a driver, a package with a passing test.

    What no option answers is asked for at a terminal, and taken as usual elsewhere. Nothing is written over.
    """
    from sequencer.cli.setting_up.new import new_command

    options = {f"--{option.replace('_', '-')}": text for option, text in given.items()}
    new_command(kind, name, into=into, given=options)
