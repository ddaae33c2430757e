"""Print how long reports take, and comparisons and histories beside the bare reading of the same rows from JSON.

    python tests/benchmarks/bench_report.py [--runs 200]

Runs are made up here: twelve results each, with budgets and two searches' readings, a tenth of them failing.
The bare baseline of looking back is what no way round can avoid: turning the stored JSON of budgets and readings into values.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sequencer.analysis.compare import compare, group_runs
from sequencer.analysis.history import histories
from sequencer.results.stored import StoredRun, points_as_plain
from sequencer.results.stored_budget import budget_as_plain
from tests.support.stored_rows import level_row, power_budget, row, run_of, sinad_points


def made_up_run(number: int, chance: random.Random) -> StoredRun:
    """Return a run of twelve results of one unit."""
    crossing = -120.0 + chance.gauss(0, 0.4) + (12.0 if number % 10 == 0 else 0.0)
    rows = [
        level_row(crossing, upper_limit=-113.0, points=sinad_points(crossing), id=1),
        level_row(-73.0, check="s9_point", quantity="S9 point", points=sinad_points(-73.0), id=2),
    ]
    for at, channel in enumerate((1, 10, 20, 30, 40)):
        power = 3.7 + chance.gauss(0, 0.02)
        other = {
            "unit": "W",
            "check": "carrier_power",
            "quantity": "carrier power",
            "channel": channel,
            "id": 3 + at,
        }
        rows.append(row(power, budget=power_budget(power, 0.005), lower_limit=3.0, upper_limit=4.0, **other))
        other = {
            "unit": "Hz",
            "check": "frequency_error",
            "quantity": "frequency error",
            "channel": channel,
            "id": 8 + at,
        }
        rows.append(row(chance.gauss(10, 2), uncertainty=3.0, lower_limit=-600.0, upper_limit=600.0, **other))
    return run_of(rows, run=f"run-{number}", serial=f"M40-{number:04}", simulated=True)


def seconds(what: Callable[[], object]) -> float:
    """Return how long a call takes."""
    began = time.perf_counter()
    what()
    return time.perf_counter() - began


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    count = parser.parse_args().runs
    chance = random.Random(1)
    runs = [made_up_run(number, chance) for number in range(count)]
    with tempfile.TemporaryDirectory() as folder:
        reports(runs, Path(folder))
    looking_back(runs)


def reports(runs: list[StoredRun], folder: Path) -> None:
    """Print the times of reports."""
    from sequencer.report import write_report

    first = seconds(lambda: write_report(runs[:1], folder / "one.html"))
    again = seconds(lambda: write_report(runs[:1], folder / "again.html"))
    print(
        f"report of 1 run, page: {first:6.2f} s with loading the libraries, {again:.2f} s after  (at most 3 s)"
    )
    print(
        f"report of 1 run, PDF:  {seconds(lambda: write_report(runs[:1], folder / 'one.pdf')):6.2f} s  (at most 3 s)"
    )
    whole = seconds(lambda: write_report(runs, folder / "all.html", plots="all"))
    size = (folder / "all.html").stat().st_size / 1e6
    print(
        f"report of {len(runs)} runs, page with all plots: {whole:6.2f} s, {size:.1f} MB  (200 runs: at most 30 s)"
    )
    bare = seconds(lambda: write_report(runs, folder / "bare.html", plots="none"))
    print(f"report of {len(runs)} runs, page without plots:  {bare:6.2f} s")


def looking_back(runs: list[StoredRun]) -> None:
    """Print comparison and history as ratios to parsing the rows."""
    fifty = runs[:50]
    stored = [
        (json.dumps(points_as_plain(one.points)), json.dumps(budget_as_plain(one.budget)))
        for run in fifty
        for one in run.results
        if one.budget is not None
    ]
    compare(group_runs(runs[:2]))  # loads scipy
    parsing = min(seconds(lambda: [(json.loads(p), json.loads(b)) for p, b in stored]) for _ in range(5))
    comparing = min(seconds(lambda: compare(group_runs(fifty))) for _ in range(5))
    print(
        f"comparison of {len(fifty)} units, 12 lines each: {1e3 * comparing:.1f} ms, "
        f"{comparing / parsing:.1f} times parsing its rows ({1e3 * parsing:.1f} ms)"
    )
    one_unit = [
        replace(
            one,
            serial="M40-0001",
            run=run.run,
            time=datetime.fromisoformat(f"2026-01-{1 + at % 28:02}T10:00:{at % 60:02}+00:00"),
        )
        for at, run in enumerate(runs)
        for one in run.results[:1]
    ]
    looking = min(seconds(lambda: histories(one_unit)) for _ in range(5))
    print(f"history of one quantity, {len(one_unit)} results: {1e3 * looking:.1f} ms")


if __name__ == "__main__":
    main()
