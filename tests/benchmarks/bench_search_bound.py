"""Print what the searches would take if they were told all but the level, beside what they take: the bound of what they may reach.

    python tests/benchmarks/bench_search_bound.py [--trials 10] [--seed 0] [--only sinad|needle|squelch]

"told" is the same search with a family of one curve, taken from the very receiver's waveforms: its curve, its ceiling, its scatter at
every level. What is left between it and the Cramer-Rao integration time is the search's own: reading times in steps, two readings near
by, the way there; what is left between "told" and "as shipped" is the price of not knowing the receiver. Same receivers, same seeds.

Needles (10 a trial) have one slope, and seconds in time constants. Squelches (20 a trial) are bench_search.py's as shipped. "One level" is
one switching level that is looked for by itself, by the test that tells most at each step, its jitter known, no answer lapsing: a search
for two takes no fewer than one from the window and one from where the hysteresis leaves it.
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_search import as_shipped, shipped_squelch
from bench_shipped_search import WINDOW_DB, BentMeter, Row, fm_search
from receivers import BLOCKS, SinadReceiver, Table, tables
from scipy.special import ndtr

from sequencer.checks.receive.s9_point import S0_TO_S9_DB
from sequencer.checks.shared.level_search.s_meter import NOMINAL_SD_DB, SLOPE_DOUBT
from sequencer.checks.shared.level_search.sensitivity import AUDIO_SETTLING, SINAD_RANGE_DB
from sequencer.search import switching_grid
from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected
from sequencer.search.curve_family import REACH_DB, STEP_DB, SURE_OF_SINAD, Family, meter_family
from sequencer.search.protocol import Settling, find_crossing

SELDOM = 5e-4  # a share of answers that lapse, in place of what is believed
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


def needle_row(
    name: str, trials: int, seed: int, *, play: bool = False, pace: bool = False, slope: bool = False
) -> None:
    """Run the shipped search for S9 on straight laws, told what is named beside what it is told anyway."""
    row = Row(name)
    purposes: collections.Counter[str] = collections.Counter()
    rng = np.random.default_rng([12, 100, 5, seed])
    for k in range(trials):
        tau_s, truth_db = math.exp(rng.uniform(math.log(0.2), 0.0)), rng.normal(-73.0, 6.0)
        meter = BentMeter(
            truth_db,
            rng,
            tau_s=tau_s,
            bend=rng.uniform(-0.5, 0.5),
            ratio=1.0,
            soft=(0.0, 0.5, 1.5)[k % 3],
            noise_db=rng.uniform(0.2, 0.56),
            volts_per_db=0.0417 * math.exp(0.2 * rng.normal()),
            play=0.0,
        )
        guessed_s, target_v = tau_s * math.exp(0.2 * rng.normal()), BentMeter.target_v
        told_s = tau_s if pace else guessed_s
        volts_per_db = meter.law["volts_per_db"] if slope else target_v / S0_TO_S9_DB
        search = CurveSearch(
            target=target_v,
            window_db=(-120.0, -20.0),
            prior=meter_family(
                target=target_v, unit_per_db=volts_per_db, doubt=0.03 if slope else SLOPE_DOUBT
            ),
            expected=Expected(level_db=-73.0, sd_db=NOMINAL_SD_DB),
            play_db=0.0 if play else None,
            settling=Settling(rise_s=told_s, fall_s=told_s, least_s=0.03, doubt=0.05 if pace else 0.5),
        )
        got = find_crossing(search, meter.measure)
        purposes.update(one.ask.purpose for one in got.history)
        row.add("straight", got, truth_db, meter.bench.seconds / tau_s)
    row.print()
    _print_mean(row, purposes)


def squelch_row(name: str, trials: int, seed: int, *, lapses: bool = True) -> None:
    """Run the search for both levels of a squelch; where not ``lapses``, it believes every answer."""
    row = Row(name)
    purposes: collections.Counter[str] = collections.Counter()
    rng = np.random.default_rng([4, seed])
    kept = switching_grid.DROPPED, switching_grid.LAPSE
    if not lapses:
        switching_grid.DROPPED, switching_grid.LAPSE = ((0.0, SELDOM, 1.0),), SELDOM
    for _ in range(trials):
        unit, hears_db, truths_db = shipped_squelch(rng)
        unit.bench.level_db = 0.0
        got = find_crossing(as_shipped(hears_db), unit.measure)
        purposes.update(one.ask.purpose for one in got.history)
        for crossing, truth_db in zip((got.rising, got.falling), truths_db, strict=True):
            row.add("both", crossing, truth_db, unit.bench.seconds)
    switching_grid.DROPPED, switching_grid.LAPSE = kept
    row.print()
    _print_mean(row, purposes, each=2)


def _print_mean(row: Row, purposes: collections.Counter[str], each: int = 1) -> None:
    count = len(row.readings) / each
    shares = ", ".join(f"{purpose} {number / count:.1f}" for purpose, number in purposes.most_common())
    print(f"    mean {np.mean(row.readings):.1f} readings ({shares}), {np.mean(row.seconds):.2f}", flush=True)


def one_level_tests(width_db: float, jitter_db: float, rng: np.random.Generator) -> int:
    """Return how many tests one level takes to a half-width of 0.5 dB, from anywhere within ``width_db``."""
    levels_db = np.linspace(-width_db / 2, width_db / 2, 401)
    truth_db, belief = rng.uniform(-width_db / 2, width_db / 2), np.full(401, 1 / 401)
    for count in range(1, 500):
        mean_db = float(belief @ levels_db)
        sd_db = math.sqrt(belief @ (levels_db - mean_db) ** 2)
        tries_db = mean_db + np.linspace(-1.2, 1.2, 9) * max(jitter_db, sd_db)
        left = np.zeros(len(tries_db))
        chances = ndtr((tries_db[:, None] - levels_db) / jitter_db)
        for chance in (chances, 1 - chances):
            joint = belief * chance
            total = joint.sum(axis=1)
            left += joint @ levels_db**2 - (joint @ levels_db) ** 2 / np.maximum(total, 1e-300)
        at_db = tries_db[int(np.argmin(left))]
        chance = ndtr((at_db - levels_db) / jitter_db)
        belief *= chance if rng.random() < ndtr((at_db - truth_db) / jitter_db) else 1 - chance
        belief /= belief.sum()
        low_db, high_db = np.interp([0.025, 0.975], np.cumsum(belief) - belief / 2, levels_db)
        if high_db - low_db <= 1.0:
            return count
    return count


def one_level_row(width_db: float, trials: int, seed: int) -> None:
    """Print the tests of one level by itself, over the jitters of the benchmark's squelches."""
    rng = np.random.default_rng([14, seed])
    tests = [one_level_tests(width_db, rng.uniform(0.2, 0.8), rng) for _ in range(trials)]
    print(
        f"one level, from within {width_db:g} dB, jitter known: n {np.median(tests):.0f}/{np.percentile(tests, 95):.0f} "
        f"mean {np.mean(tests):.1f}",
        flush=True,
    )


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=10)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    trials, seed = options.trials, options.seed
    if options.only in ("", "needle"):
        needle_row("needle, as shipped", 10 * trials, seed)
        needle_row("needle, told that it has no play", 10 * trials, seed, play=True)
        needle_row("needle, told its slope", 10 * trials, seed, slope=True)
        needle_row("needle, told its time constant", 10 * trials, seed, pace=True)
        needle_row("needle, told all but the level", 10 * trials, seed, play=True, slope=True, pace=True)
    if options.only in ("", "squelch"):
        squelch_row("squelch, as shipped", 20 * trials, seed)
        squelch_row("squelch, every answer believed", 20 * trials, seed, lapses=False)
        for width_db in (60.0, 10.0):
            one_level_row(width_db, 40 * trials, seed)
    if options.only not in ("", "sinad"):
        return
    named: dict[bool, Callable[[float], str]] = {
        False: lambda accuracy_db: f"as shipped, +-{accuracy_db:g}",
        True: lambda accuracy_db: f"told all but the level, +-{accuracy_db:g}",
    }
    for accuracy_db in (0.5, 0.25):
        for told, name in named.items():
            bound_row(name(accuracy_db), trials, seed, accuracy_db, told=told)


if __name__ == "__main__":
    main()
