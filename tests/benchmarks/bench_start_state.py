"""Every shipped check after every other that failed at one of its messages: does the second state what it states undisturbed?

Each message of each first check is failed, and the second checks take turns: with 28 checks a pair meets every 28th message of its
first. ``--every 1`` fails every message in every pair, which takes hours; ``--shift N`` pairs them otherwise; ``--first NAME`` does one
first check only.
Run: python tests/benchmarks/bench_start_state.py
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from tests.support.after_faults import CHECKS, Pair


def main() -> int:
    """Print what differs, and a line for each first check; return 1 if anything does."""
    options = argparse.ArgumentParser()
    options.add_argument("--every", type=int, default=len(CHECKS))
    options.add_argument("--shift", type=int, default=0)
    options.add_argument("--first", choices=CHECKS, action="append")
    chosen = options.parse_args()
    names, runs, wrong, began_s = list(CHECKS), 0, 0, time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        for first in chosen.first or names:
            here, bad = 0, 0
            for turn, second in enumerate(names):
                pair = Pair(Path(folder), first, second)
                for number in pair.numbers:
                    if (number + chosen.shift) % chosen.every != turn % chosen.every:
                        continue
                    here += 1
                    for one in pair.after(number):
                        bad += 1
                        print(f"  {one}", flush=True)
            print(f"{first}: {here} runs, {bad} different", flush=True)
            runs, wrong = runs + here, wrong + bad
    print(f"{len(names)} checks, {runs} runs, {wrong} results differ; {time.perf_counter() - began_s:.0f} s")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
