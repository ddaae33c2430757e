"""What a search would save that is told where a batch's units usually lie, and what that does to a unit that is not like them.

    python tests/benchmarks/bench_batch_prior.py [--trials 20] [--accuracy 0.5]

Trials are per FM receiver type, or per meter law. Each batch has ten units measured before, which spread by 1 dB: their median is told,
with a standard deviation of 1.5 times their scatter (from the median absolute deviation) and 1.5 dB at least, and a share of 0.3 of units
that may lie anywhere. The unit searched is one like them, or lies 20 dB or 6 dB off. Told, and not told, meet the same units and noise.
"""

from __future__ import annotations

import argparse
import math
import statistics
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_shipped_search import BentMeter, Row, fm_search, needle_search
from receivers import SinadReceiver, tables

from sequencer.search.curve_belief import Expected
from sequencer.search.protocol import find_crossing

SPREAD_DB = 1.0
LEAST_DB = 1.5
WIDENED = 1.5


def usual(levels: list[float]) -> Expected:
    """Return where the units of a batch usually lie."""
    middle = statistics.median(levels)
    scatter = 1.4826 * statistics.median(abs(one - middle) for one in levels)
    return Expected(level_db=middle, sd_db=max(LEAST_DB, WIDENED * scatter))


def _off(off_db: float, rng: np.random.Generator) -> float:
    return off_db if off_db else float(rng.normal(0.0, SPREAD_DB))


def sinad_row(name: str, trials: int, *, off_db: float, told: bool, accuracy_db: float) -> None:
    """Search the sensitivity of FM receivers that lie ``off_db`` from their batch."""
    found = Row(f"FM 12 dB SINAD, {name}, {'told' if told else 'not told'}")
    for number, table in enumerate(tables()):
        words = table.name.split()
        if words[0] != "fm":
            continue
        rng = np.random.default_rng([5, number])
        for _ in range(trials):
            batch_dbm = -174 + rng.normal(7.0, 3.0)
            own_dbm = batch_dbm + _off(off_db, rng)
            offset_db = SinadReceiver(table, 0.0, rng).offset_db
            unit = SinadReceiver(table, own_dbm + offset_db, rng, ceiling_db=40.0)
            tone, noise = np.exp(unit.log_tone), np.exp(unit.log_noise)
            curve = np.maximum.accumulate(10 * np.log10(1 + tone / (noise + tone * 1e-4)))
            truth_db = float(np.interp(12.0, curve, table.density_db)) - unit.offset_db
            before = list(truth_db - own_dbm + batch_dbm + rng.normal(0.0, SPREAD_DB, 10))
            search = fm_search(
                float(words[3]),
                deemphasis="de-emph" in words,
                accuracy_db=accuracy_db,
                expected=usual(before) if told else None,
            )
            found.add(table.name, find_crossing(search, unit.measure), truth_db, unit.bench.seconds)
    found.print()


def needle_row(name: str, trials: int, *, off_db: float, told: bool, accuracy_db: float) -> None:
    """Search S9 of needles that lie ``off_db`` from their batch; seconds in time constants."""
    found = Row(f"S9 by a needle, {name}, {'told' if told else 'not told'}")
    for bend_db in (-3.0, 0.0, 3.0):
        rng = np.random.default_rng([6, int(bend_db) + 5])
        for k in range(4 * trials):
            tau_s, batch_dbm = math.exp(rng.uniform(math.log(0.2), 0.0)), rng.normal(-73.0, 6.0)
            truth_db = batch_dbm + _off(off_db, rng)
            law = {
                "tau_s": tau_s,
                "bend": bend_db + rng.uniform(-0.5, 0.5),
                "ratio": 0.6,
                "soft": (0.0, 0.5, 1.5)[k % 3],
                "noise_db": rng.uniform(0.2, 0.56),
                "volts_per_db": 0.0417 * math.exp(0.2 * rng.normal()),
            }
            before = list(batch_dbm + rng.normal(0.0, SPREAD_DB, 10))
            meter = BentMeter(truth_db, rng, **law)
            search = needle_search(
                told_s=tau_s * math.exp(0.2 * rng.normal()),
                accuracy_db=accuracy_db,
                expected=usual(before) if told else None,
            )
            got = find_crossing(search, meter.measure)
            found.add(f"bend {bend_db:+.0f} dB", got, truth_db, meter.bench.seconds / tau_s)
    found.print()


def main() -> None:
    """Print a line for each kind of unit, told and not told."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=20)
    parser.add_argument("--accuracy", type=float, default=0.5)
    options = parser.parse_args()
    for row in (sinad_row, needle_row):
        for name, off_db in (("like its batch", 0.0), ("20 dB up", 20.0), ("6 dB down", -6.0)):
            for told in (False, True):
                row(name, options.trials, off_db=off_db, told=told, accuracy_db=options.accuracy)


if __name__ == "__main__":
    main()
