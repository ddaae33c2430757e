"""Print what the search for SINAD would take if it were told all but the level, beside what it takes: the bound of its efficiency.

    python tests/benchmarks/bench_search_bound.py [--trials 10] [--seed 0]

"told" is the same search with a family of one curve, taken from the very receiver's waveforms: its curve, its ceiling, its scatter at
every level. What is left between it and the Cramer-Rao integration time is the search's own: reading times in steps, two readings near
by, the way there; what is left between "told" and "as shipped" is the price of not knowing the receiver. Same receivers, same seeds.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_shipped_search import WINDOW_DB, Row, fm_search
from receivers import BLOCKS, SinadReceiver, Table, tables

from sequencer.checks.shared.level_search.sensitivity import AUDIO_SETTLING, SINAD_RANGE_DB
from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected
from sequencer.search.curve_family import REACH_DB, STEP_DB, SURE_OF_SINAD, Family
from sequencer.search.protocol import find_crossing

AXIS_DB = np.arange(-REACH_DB, REACH_DB + STEP_DB / 2, STEP_DB)


def told_family(table: Table, unit: SinadReceiver, top_db: float, truth_db: float) -> Family:
    """Return the one curve of this receiver, with its scatter, over its distance from the crossing."""
    density_db = AXIS_DB + truth_db + unit.offset_db
    tone = np.interp(density_db, table.density_db, unit.log_tone)
    noise = np.interp(density_db, table.density_db, unit.log_noise)
    above, below = density_db - table.density_db[-1], table.density_db[0] - density_db
    noise -= 0.2303 * np.maximum(above, 0.0)  # beyond the table as SinadReceiver.read has it
    tone -= 0.46 * np.maximum(below, 0.0)
    ceiling = 10 ** (-top_db / 10)
    signal = 1 / (np.exp(noise - tone) + ceiling)
    runs = np.array(
        [
            (p - np.abs(t) ** 2 / 2)[: BLOCKS // 4 * 4].reshape(-1, 4).mean(axis=1)
            for p, t in zip(table.power, table.tone, strict=True)
        ]
    )
    relative = np.interp(density_db, table.density_db, runs.std(axis=1) / runs.mean(axis=1) * math.sqrt(2))
    own = np.exp(noise - tone) / (np.exp(noise - tone) + ceiling)
    excess = 10 * np.log10(1 + signal) - 12.0

    def one(row: np.ndarray) -> np.ndarray:
        return row[None].astype(np.float32)

    return Family(
        x_db=AXIS_DB,
        excess=one(excess),
        slope=one(np.gradient(excess, STEP_DB)),
        scatter=one(relative * own),
        share=one(np.maximum(signal / (1 + signal), 0.05)),
        doubt=one(np.full_like(excess, 0.01)),
        log_weight=np.zeros(1),
        ratio=True,
        scale=float(np.gradient(excess, STEP_DB)[len(AXIS_DB) // 2]),
        gains=((1.0, 1.0),),
        sure_odds=SURE_OF_SINAD,
    )


def bound_row(name: str, trials: int, seed: int, accuracy_db: float, *, told: bool) -> None:
    """Run the search over every FM receiver, told everything or as shipped."""
    row = Row(name)
    widths: list[float] = []
    for number, table in enumerate(tables()):
        words = table.name.split()
        if words[0] != "fm":
            continue
        rng = np.random.default_rng([11, number, seed])
        for _ in range(trials):
            figure_db, top_db = rng.normal(7.0, 3.0), rng.uniform(28.0, 45.0)
            unit = SinadReceiver(table, 0.0, rng, ceiling_db=top_db)
            unit = SinadReceiver(table, -174 + figure_db + unit.offset_db, rng, ceiling_db=top_db)
            tone, noise = np.exp(unit.log_tone), np.exp(unit.log_noise)
            curve = 10 * np.log10(1 + tone / (noise + tone * 10 ** (-top_db / 10)))
            truth_db = float(np.interp(12.0, np.maximum.accumulate(curve), table.density_db)) - unit.offset_db
            unit.rng = np.random.default_rng(int(rng.integers(2**32)))
            search = fm_search(float(words[3]), deemphasis="de-emph" in words, accuracy_db=accuracy_db)
            if told:
                search = CurveSearch(
                    target=12.0,
                    window_db=WINDOW_DB,
                    accuracy_db=accuracy_db,
                    prior=told_family(table, unit, top_db, truth_db),
                    expected=Expected(level_db=-118.0, sd_db=5.0),
                    settling=AUDIO_SETTLING,
                    reading_range=SINAD_RANGE_DB,
                )
            got = find_crossing(search, unit.measure)
            row.add(table.name, got, truth_db, unit.bench.seconds)
            if got.found:
                ideal_s = unit.integration_s(accuracy_db)
                near_s = sum(one.ask.reading_s for one in got.history if one.ask.purpose == "near")
                row.efficiency.append(
                    (ideal_s / (near_s or unit.bench.reading_seconds), ideal_s / unit.bench.reading_seconds)
                )
                widths.append(got.half_width_db)
    row.print()
    rms_db = math.sqrt(np.mean(np.square(row.errors)))
    print(
        f"    mean {np.mean(row.seconds):.2f} s, {np.mean(row.readings):.2f} readings; half-width {np.median(widths):.3f} dB, "
        f"1.96 times the residuals' rms {1.96 * rms_db:.3f} dB",
        flush=True,
    )


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=10)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    named: dict[bool, Callable[[float], str]] = {
        False: lambda accuracy_db: f"as shipped, +-{accuracy_db:g}",
        True: lambda accuracy_db: f"told all but the level, +-{accuracy_db:g}",
    }
    for accuracy_db in (0.5, 0.25):
        for told, name in named.items():
            bound_row(name(accuracy_db), options.trials, options.seed, accuracy_db, told=told)


if __name__ == "__main__":
    main()
