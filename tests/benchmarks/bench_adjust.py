"""How many numbers the tool writes until a stored setting meets its target: by arithmetic, and on the simulated bench.

Run: python -m tests.benchmarks.bench_adjust. Promised: 8 or fewer in the median.
"""

from __future__ import annotations

import random
import re
import statistics
import tempfile
from pathlib import Path

from sequencer.search.whole import Outcome, WholeSearch
from tests.support.running import run_checks

LAWS = 2000
ENTRY = "{{check: adjust, preset: bias, of: supply_current, channel: 20, write: tx_bias, range: [0, 255], to: {to}, within: 20 mA}}"
TARGETS = ("1.3 A", "1.4 A", "1.5 A", "1.6 A", "1.7 A", "1.8 A", "1.9 A", "2 A", "2.1 A", "2.3 A")


def by_arithmetic() -> list[int]:
    """Return the counts of searches over bent laws, targets and starts drawn by lot, to 2 % of the range."""
    lot = random.Random(1)
    counts = []
    for _ in range(LAWS):
        power, share, start = lot.uniform(0.3, 3.0), lot.uniform(0.1, 0.9), lot.randrange(256)
        falling, noise = lot.random() < 0.5, 0.002
        search = WholeSearch(target=share, tolerance=0.02, lowest=0, highest=255, start=start, quiet=noise)
        while (number := search.ask) is not None:
            figure = (number / 255.0) ** power
            search.tell((1.0 - figure if falling else figure) + lot.gauss(0.0, noise), scatter=noise)
        assert search.outcome in (Outcome.FOUND, Outcome.NEAREST), search.outcome
        counts.append(search.readings)
    return counts


def on_the_bench() -> list[int]:
    """Return the counts of adjusting a simulated bias to several targets, each from where the specimen's file leaves it."""
    counts = []
    for target in TARGETS:
        with tempfile.TemporaryDirectory() as folder:
            ran = run_checks(Path(folder), "MX40-0131", ENTRY.format(to=target))
        notes = " ".join(one.note for one in ran.outcome.results if one.stage == "as left")
        found = re.search(r"(\d+) readings", notes)
        assert found is not None, notes
        counts.append(int(found[1]))
    return counts


def main() -> None:
    """Print medians and extremes."""
    for name, counts in (("by arithmetic", by_arithmetic()), ("on the simulated bench", on_the_bench())):
        ordered = sorted(counts)
        tenth = ordered[int(0.9 * (len(ordered) - 1))]
        print(
            f"{name}: {len(counts)} settings, median {statistics.median(counts):g} numbers written, "
            f"90 % within {tenth}, most {max(counts)}"
        )


if __name__ == "__main__":
    main()
