"""A dry run in virtual time: how much faster than the bench it is, without and with the interpreter's start.

Target: the shipped acceptance sequence at least 300 times faster than the bench time it reports (start and imports apart).
Run: python tests/benchmarks/bench_dry_run.py
"""

from __future__ import annotations

import cProfile
import json
import os
import pstats
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import make_plan
from sequencer.run.people.confirm import GivenBeforehand
from sequencer.run.record import Record, RunFacts
from sequencer.run.runner import Runner

TOP = Path(__file__).parents[2]
SERIAL = "M40-0007"
TARGET = 300.0
ROUNDS = 9


def _run(folder: Path, name: str) -> tuple[float, float]:
    """Return wall time and bench time of one run, s: files read, plan proved, run, record on the disk."""
    began_s = time.perf_counter()
    plan = make_plan(load_sequence("fm-mobile-acceptance"), load_bench("bench"), serial=SERIAL)
    parts = bench_parts(plan.bench, serial=SERIAL, dry_run=True)
    facts = RunFacts(
        run=name,
        time=datetime.now().astimezone(),
        serial=SERIAL,
        model="",
        simulated=True,
        bench_name="bench (simulated)",
        plan=plan,
    )
    with Record(folder, facts) as record:
        outcome = Runner(plan, parts, record, GivenBeforehand()).run()
    return time.perf_counter() - began_s, outcome.bench_s


def _whole_process(folder: Path) -> tuple[float, float]:
    words = [
        "run",
        "fm-mobile-acceptance",
        "--bench",
        "bench",
        "--serial",
        SERIAL,
        "--confirmed",
        "--dry-run",
        "--json",
    ]
    began_s = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "sequencer", *words, "--folder", str(folder)],
        cwd=TOP,
        env={**os.environ, "PYTHONPATH": str(TOP)},
        capture_output=True,
        text=True,
        check=True,
    )
    return time.perf_counter() - began_s, json.loads(done.stdout)["bench_s"]


def main() -> None:
    """Print the ratios, with ``--profile`` also where the time goes."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _run(folder / "first", "first")
        runs = [_run(folder / "runs", f"run{number}") for number in range(ROUNDS)]
        wall_s = statistics.median(wall_s for wall_s, _ in runs)
        bench_s = runs[0][1]
        whole = [_whole_process(folder / "whole") for _ in range(5)]
        whole_s = statistics.median(wall_s for wall_s, _ in whole)
        reached = "reached" if bench_s / wall_s >= TARGET else "MISSED"
        print(f"bench time {bench_s:.1f} s, run {wall_s * 1e3:.0f} ms: {bench_s / wall_s:.0f} times faster")
        print(f"target {TARGET:.0f} times faster: {reached}")
        print(f"whole process {whole_s * 1e3:.0f} ms: {whole[0][1] / whole_s:.0f} times faster")
        if "--profile" in sys.argv:
            profile = cProfile.Profile()
            profile.runcall(_run, folder / "profiled", "profiled")
            pstats.Stats(profile).sort_stats("tottime").print_stats(25)


if __name__ == "__main__":
    main()
