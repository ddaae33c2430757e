"""Start-up: `sequencer --help` against an interpreter that does nothing, in fresh processes, turn and turn about.

Targets, in times the empty interpreter: `validate` 30, a simulated acceptance run 60; `--help` four times and 60 ms. Both the time that
passed and the processor's are said: on a busy machine the second is nearer to the truth, though busy neighbours slow it too.
Run on a quiet machine: python tests/benchmarks/bench_startup.py
"""

from __future__ import annotations

import os
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


def _took_s(arguments: list[str]) -> tuple[float, float]:
    """Return the time that passed and the processor's, s."""
    began_s = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, *arguments], cwd=TOP, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{arguments} ended with status {process.returncode}")
    return time.perf_counter() - began_s, used.ru_utime + used.ru_stime


def main() -> None:
    """Print medians, and the target beside what was reached."""
    for arguments in COMMANDS.values():
        _took_s(arguments)  # once, so that every module is compiled
    took: dict[str, list[tuple[float, float]]] = {name: [] for name in COMMANDS}
    for _ in range(ROUNDS):
        for name, arguments in COMMANDS.items():
            took[name].append(_took_s(arguments))
    passed_s, used_s = (
        {name: statistics.median(each[at] for each in all_s) for name, all_s in took.items()} for at in (0, 1)
    )
    empty = "python -c pass"
    for name in COMMANDS:
        print(
            f"{name:22} {passed_s[name] * 1e3:7.1f} ms {passed_s[name] / passed_s[empty]:5.1f} times the empty interpreter;"
            f" processor {used_s[name] * 1e3:7.1f} ms {used_s[name] / used_s[empty]:5.1f} times"
        )
    target_s = 4.0 * passed_s[empty] + 0.060
    reached = "reached" if passed_s["sequencer --help"] <= target_s else "MISSED"
    for name, times in TARGETS.items():
        said = "reached" if passed_s[name] <= times * passed_s[empty] else "MISSED"
        print(f"target for {name}: {times:g} times: {said}")
    print(f"target for --help: {target_s * 1e3:.1f} ms (4 times + 60 ms): {reached}")


if __name__ == "__main__":
    main()
