"""What is said of the run before, where it was cut short."""

from __future__ import annotations

from pathlib import Path

from sequencer.planning.plan import Plan
from sequencer.problems import printable
from sequencer.results.store.commands import resume_command
from sequencer.results.store.place import StorePlace
from sequencer.run.keeping.journals import glance, journals


def cut_short_line(folder: Path, place: StorePlace, plan: Plan, *, simulated: bool) -> str:
    """Return that the newest run in ``folder`` was cut short on this bench, and what carries it on; empty where it was not."""
    looked = (found for path in journals(folder) if (found := glance(path)) is not None)
    before = next((one for one in looked if not one.evaluated_from), None)
    is_here = before is not None and before.bench_hash == plan.bench.hash
    if before is None or not is_here or before.simulated != simulated or not before.is_cut_short:
        return ""
    at = f" in {before.last}" if before.last else ""
    return printable(
        f"The run before this one on this bench was cut short{at}: {resume_command(before.run, folder, place)} carries it on afterwards."
    )
