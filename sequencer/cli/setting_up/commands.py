"""The commands that make and try what a run needs, with their options; each imports what it needs when it is called."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from sequencer.cli.common.options import (
    as_json_option,
    bench_option,
    clear_errors,
)


@click.command()
@bench_option
@click.option("--dry-run", is_flag=True, help="Put a simulated instrument behind every address.")
@as_json_option
@clear_errors
def identify(bench_name: str, dry_run: bool, as_json: bool) -> None:
    """Ask every instrument who it is, and try each harmless command of its profile."""
    from sequencer.cli.setting_up.identify import identify_command

    sys.exit(identify_command(bench_name, dry_run=dry_run, as_json=as_json))


@click.command()
@click.argument(
    "kind", type=click.Choice(["sequence", "bench", "plan", "model", "gauge", "batch"]), required=False
)
@click.option(
    "--into", type=click.Path(path_type=Path, file_okay=False), help="Write all schemas into this folder."
)
@click.option("--force", is_flag=True, help="With --into: write over a schema that this command wrote.")
@clear_errors
def schema(kind: str | None, into: Path | None, force: bool) -> None:
    """Write the JSON Schema of sequence, bench, plan, model, gauge or batch files, for an editor."""
    from sequencer.cli.setting_up.schema import schema_command

    schema_command(kind, into, force=force)


@click.command()
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


@click.command()
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
