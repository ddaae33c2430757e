"""How many numbers the tool writes until a stored setting meets its target: by arithmetic, and on the simulated bench.

Run: python -m tests.benchmarks.bench_adjust. Promised: 8 or fewer in the median.
"""

from __future__ import annotations

import math
import random
import re
import statistics
import tempfile
from pathlib import Path

from sequencer.search.whole import Outcome, WholeSearch
from sequencer.search.whole_best import BestSearch
from tests.support.running import run_checks

LAWS = 2000
ENTRY = "{{check: adjust, preset: bias, of: supply_current, channel: 20, write: tx_bias, range: [0, 255], to: {to}, within: 20 mA}}"
BEST = "{{check: adjust, preset: tune, of: sinad, channel: 20, level: {level}, write: rx_tune, range: [0, 255], to: maximum}}"
NULL = (
    "{{check: adjust, preset: null, of: ssb_suppression, channel: 20, mode: {mode}, drive: 5 mV,"
    " write: balance, range: [0, 255], to: maximum}}"
)
LEVELS = ("-123 dBm", "-121 dBm", "-119 dBm", "-117 dBm")
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


def best_by_arithmetic(noise_db: float) -> list[int]:
    """Return the counts of searches for the top of a resonance drawn by lot, read six times a number; prints what was given away."""
    lot = random.Random(2)
    counts, lost_db, others = [], [], 0
    for _ in range(LAWS):
        top, width, start = lot.uniform(0.15, 0.85), lot.uniform(0.1, 0.3), lot.randrange(256)
        search = BestSearch(aim="maximum", lowest=0, highest=255, start=start, quiet=0.2)
        while (number := search.ask) is not None:
            read = [_loss_db(number, top, width) + lot.gauss(0.0, noise_db) for _ in range(6)]
            search.tell(statistics.fmean(read), scatter=statistics.stdev(read) / 6.0**0.5)
        if search.outcome is not Outcome.FOUND or search.best is None:
            others += 1
            continue
        counts.append(search.readings)
        lost_db.append(-_loss_db(search.best.number, top, width))
    lost_db.sort()
    print(
        f"best, a reading scatters by {noise_db:g} dB: {others} of {LAWS} not found; given away "
        f"{statistics.median(lost_db):.2f} dB in the median, 95 % within {lost_db[int(0.95 * len(lost_db))]:.2f} dB"
    )
    return counts


def _loss_db(number: int, top: float, width: float) -> float:
    return -min(10.0 * math.log10(1.0 + ((number / 255.0 - top) / width) ** 2), 15.0)


def best_on_the_bench() -> list[int]:
    """Return the counts of peaking a simulated tuned circuit at several levels, and a simulated balance."""
    entries = [BEST.format(level=level) for level in LEVELS]
    entries += [NULL.format(mode=mode) for mode in ("USB", "LSB")]
    return [_readings(entry, "MX40-0132") for entry in entries]


def on_the_bench() -> list[int]:
    """Return the counts of adjusting a simulated bias to several targets, each from where the specimen's file leaves it."""
    return [_readings(ENTRY.format(to=target), "MX40-0131") for target in TARGETS]


def _readings(entry: str, serial: str) -> int:
    """Return how many numbers one adjusting wrote."""
    with tempfile.TemporaryDirectory() as folder:
        ran = run_checks(Path(folder), serial, entry)
    notes = " ".join(one.note for one in ran.outcome.results if one.stage == "as left")
    found = re.search(r"(\d+) readings", notes)
    assert found is not None, notes
    return int(found[1])


def main() -> None:
    """Print medians and extremes."""
    for name, counts in (
        ("by arithmetic", by_arithmetic()),
        ("on the simulated bench", on_the_bench()),
        ("best, scatter 0.05 dB", best_by_arithmetic(0.05)),
        ("best, scatter 0.5 dB", best_by_arithmetic(0.5)),
        ("best, on the simulated bench", best_on_the_bench()),
    ):
        ordered = sorted(counts)
        tenth = ordered[int(0.9 * (len(ordered) - 1))]
        print(
            f"{name}: {len(counts)} settings, median {statistics.median(counts):g} numbers written, "
            f"90 % within {tenth}, most {max(counts)}"
        )


if __name__ == "__main__":
    main()
