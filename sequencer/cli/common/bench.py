"""What the commands that name a bench share: its title, a serial for it, its loss tables in words, and whether somebody is there."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, TextIO

from sequencer.inputs.bench_parts.loss_table import LoadedTable
from sequencer.inputs.load_bench import LoadedBench
from sequencer.problems import printable

if TYPE_CHECKING:
    from sequencer.planning.plan import Plan


def bench_title(loaded: LoadedBench, *, dry_run: bool = False) -> str:
    """Return the bench's name; where it is simulated it says so."""
    return loaded.bench.bench + (" (simulated)" if dry_run or loaded.bench.simulated else "")


def is_terminal(stream: TextIO | None) -> bool:
    """Say whether a person may sit at ``stream``."""
    return stream is not None and not stream.closed and stream.isatty()


def any_serial(loaded: LoadedBench) -> str:
    """Return the serial of the first specimen on a simulated bench's shelf; 'none' for real gear."""
    from sequencer.bench.simulation import shelf_serials

    return next(iter(shelf_serials(loaded)), "none")


def watchdog_lines(plan: Plan, *, warnings_only: bool = False) -> list[str]:
    """Return what becomes of a pressed PTT if this program hangs; nothing for a simulated bench or a sequence that keys nothing."""
    if not any(step.side == "transmit" for step in plan.steps):
        return []
    from sequencer.bench.watchdog import warns, watchdog_line

    on = plan.bench.bench, plan.bench.profiles
    line = watchdog_line(*on)
    return [printable(line)] if line and (not warnings_only or warns(*on)) else []


def loss_lines(plan: Plan, *, old_only: bool = False) -> list[str]:
    """Return what there is to say of the losses of a plan's paths: their tables, and where the plan goes beyond them."""
    from sequencer.planning.doubts.loss_beyond import loss_beyond_lines

    return [*loss_table_lines(plan.bench, old_only=old_only), *loss_beyond_lines(plan)]


def loss_table_lines(bench: LoadedBench, *, old_only: bool = False) -> list[str]:
    """Return a line for each loss table that the bench file names, or for each that is old or overruled by the bench file."""
    today = datetime.now().astimezone().date()
    return [
        f"loss of the {name} path from {printable(table.described(today))}{_overruled(bench, name, table)}"
        for name, table in bench.tables.items()
        if table.is_old(today) or not old_only or _overruled(bench, name, table)
    ]


def _overruled(bench: LoadedBench, name: str, table: LoadedTable) -> str:
    """Say that the bench file states another uncertainty than the table; nothing where the table's holds."""
    path = bench.bench.paths.receive if name == "receive" else bench.bench.paths.transmit
    own_db, stated_db = table.table.uncertainty_db, path.uncertainty_db if path is not None else None
    if stated_db is None or stated_db == own_db:
        return ""
    instead = "none" if own_db is None else f"{own_db:g} dB"
    return f"; its uncertainty is {stated_db:g} dB as the bench file states, not {instead} as the table does"
