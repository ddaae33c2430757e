"""Twenty-four simulated hours of repeated runs with faults sprinkled in: what grows from run to run, and what does not.

Run: ``python tests/benchmarks/bench_night.py`` (a minute or two; ``--trace`` counts Python's memory too and takes four times as long).
Quick check every 10 minutes on the simulated bench, with a real store file; into three of ten tries a fault is put, of which one in
five stays for the whole try. Printed are what the process held after the first twenty runs, at half time and at the end, and what a run
adds, by a straight line through the second half. Memory, objects, files, threads and children must not grow; the store grows by what a
run's results and bytes take.
"""

from __future__ import annotations

import sys
import tempfile
import time
import tracemalloc
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.support.night import Held, spend_night

RUNS = 144


def slope(numbers: Sequence[float]) -> float:
    """Return what each adds to the one before, by least squares."""
    middle = (len(numbers) - 1) / 2
    mean = sum(numbers) / len(numbers)
    above = sum((at - middle) * (one - mean) for at, one in enumerate(numbers))
    return above / sum((at - middle) ** 2 for at in range(len(numbers)))


def main() -> None:
    """Spend the night and print what was held."""
    if "--trace" in sys.argv:
        tracemalloc.start()
    with tempfile.TemporaryDirectory() as folder:
        began_s = time.perf_counter()
        night = spend_night(Path(folder), "quick-check", runs=RUNS, every="10 min")
        took_s = time.perf_counter() - began_s
        tables = len(list(Path(folder).glob("*.csv")))
    held = night.held
    print(
        f"\n{RUNS} runs in {len(held) - 1} tries, {night.faults} faults of which {night.lasting} stayed; status {night.status}"
    )
    print(
        f"{tables} tables, {len(night.hazards)} hazards seen by the witness; {took_s / (len(held) - 1):.2f} s of this machine a try"
    )
    print(f"{'':16}{'after 20':>14}{'half time':>14}{'at the end':>14}{'a try adds':>14}")
    for name in Held.__slots__:
        column = [float(getattr(one, name)) for one in held]
        adds = slope(column[len(column) // 2 :])
        print(f"{name:16}{column[20]:14.0f}{column[len(column) // 2]:14.0f}{column[-1]:14.0f}{adds:14.1f}")


if __name__ == "__main__":
    main()
