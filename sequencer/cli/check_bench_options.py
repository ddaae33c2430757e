"""What `check-bench` takes on the command line. Start-up imports this, so it imports click alone."""

from __future__ import annotations

import sys
from typing import Any

import click

from sequencer.cli.common.options import (
    as_json_option,
    bench_option,
    clear_errors,
    folder_option,
    store_option,
)


@click.command("check-bench")
@bench_option
@click.option(
    "--golden",
    is_flag=True,
    help="Measure the bench's golden unit, which must be connected, and judge it by its own history.",
)
@click.option(
    "--confirmed", is_flag=True, help="State that everything the sequence asks to confirm has been set."
)
@click.option(
    "--dry-run", is_flag=True, help="Put a simulated instrument behind every address, in virtual time."
)
@folder_option
@store_option
@as_json_option
@clear_errors
def check_bench(bench_name: str, **options: Any) -> None:
    """Let the bench check itself: generator into power meter, against its own history. No unit is needed and none is keyed.

    With --golden the bench's golden unit is measured instead. Exit status 3 where the bench is not as it was.
    """
    from sequencer.cli.check_bench import check_bench_command

    sys.exit(check_bench_command(bench_name, **options))
