"""Start-up: `sequencer --help` against an interpreter that does nothing, in fresh processes, turn and turn about.

Targets, in times the empty interpreter: `validate` 30, a simulated acceptance run 60; `--help` four times and 60 ms.
Run on a quiet machine: python tests/benchmarks/bench_startup.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TOP = Path(__file__).parents[2]
ROUNDS = 15
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "sequencer --help": ["-m", "sequencer", "--help"],
    "sequencer run --help": ["-m", "sequencer", "run", "--help"],
    "sequencer validate": ["-m", "sequencer", "validate", "fm-mobile-acceptance", "--bench", "bench"],
    "a simulated run": [
        *("-m", "sequencer", "run", "fm-mobile-acceptance", "--bench", "bench", "--serial", "M40-0007"),
        *("--confirmed", "--folder", tempfile.mkdtemp(prefix="bench_startup_")),
    ],
}
TARGETS = {"sequencer validate": 30.0, "a simulated run": 60.0}
"""Times the empty interpreter."""


def _took_s(arguments: list[str]) -> float:
    began_s = time.perf_counter()
    subprocess.run(
        [sys.executable, *arguments],
        cwd=TOP,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        check=True,
    )
    return time.perf_counter() - began_s


def main() -> None:
    """Print medians, and the target beside what was reached."""
    for arguments in COMMANDS.values():
        _took_s(arguments)  # once, so that every module is compiled
    took_s: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(ROUNDS):
        for name, arguments in COMMANDS.items():
            took_s[name].append(_took_s(arguments))
    medians_s = {name: statistics.median(all_s) for name, all_s in took_s.items()}
    empty_s = medians_s["python -c pass"]
    for name, median_s in medians_s.items():
        print(f"{name:22} {median_s * 1e3:7.1f} ms   {median_s / empty_s:5.1f} times the empty interpreter")
    target_s = 4.0 * empty_s + 0.060
    reached = "reached" if medians_s["sequencer --help"] <= target_s else "MISSED"
    for name, times in TARGETS.items():
        said = "reached" if medians_s[name] <= times * empty_s else "MISSED"
        print(f"target for {name}: {times:g} times: {said}")
    print(f"target for --help: {target_s * 1e3:.1f} ms (4 times + 60 ms): {reached}")


if __name__ == "__main__":
    main()
