"""Print how the searches with two signals fare on hidden receivers: readings, seconds, and how often the interval holds the truth.

    python tests/benchmarks/bench_two_signals.py [--trials 20] [--seed 0] [--only selectivity] [--before]

Receivers are those of receivers.py, simulated as waveforms. An interferer adds noise to theirs, by 1 dB for each dB (what comes
through a filter, or an oscillator's noise), or by more (``steep``: 1.5 to 3 dB, as blocking and products do); a product of two signals
is itself the signal, and rises by 3 dB. Trials are per receiver type; each is two offsets, the second begun with what the first gave.
"n" and "s" are median/95th percentile of one offset; the sensitivity before them is not counted, its error is in the wanted level.
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_shipped_search import fm_search
from receivers import GENERATOR_SETTLE_S, Bench, SinadReceiver, Table, tables

from sequencer.checks.shared.level_search.sensitivity import AUDIO_SETTLING, SINAD_RANGE_DB
from sequencer.checks.shared.two_signal import search as ratio_search
from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected
from sequencer.search.curve_family import ratio_family
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.curve_spoilt import Room
from sequencer.search.protocol import Ask, Crossing, find_crossing

SEED, BEFORE = [0], [False]
SECOND_DB = 3.0  # how far apart two offsets' ratios lie, a standard deviation
HIGHEST_DBM = -1.0
LOWEST_DBM = -137.0


class Spoilt:
    """A receiver with a wanted signal ``room_db`` above its sensitivity, and an interferer that spoils it; levels are the interferer's."""

    def __init__(self, unit: SinadReceiver, *, wanted_dbm: float, truth_dbm: float, **law: float) -> None:
        self.unit, self.wanted_dbm, self.truth_dbm, self.law = unit, wanted_dbm, truth_dbm, law
        self.bench, self.shown_db = Bench(), 0.0
        self.state_dbm = -200.0

    def effective_dbm(self, level_dbm: float) -> float:
        """Return the level that a wanted signal alone would need to be received as well as beside the interferer."""
        if product := self.law.get("product"):
            return self.unit.truth_db + product * (level_dbm - self.truth_dbm)
        room = 10 ** ((self.wanted_dbm - self.unit.truth_db) / 10) - 1
        more = room * 10 ** (self.law.get("steep", 1.0) * (level_dbm - self.truth_dbm) / 10)
        return self.wanted_dbm - 10 * math.log10(1 + more)

    def alone_db(self, rng: np.random.Generator) -> float:
        """Return SINAD of the wanted signal alone, as the check reads it: 4 times 0.25 s."""
        del rng
        return float(np.mean([self.unit.read(self.wanted_dbm, 0.25) for _ in range(4)]))

    def measure(self, ask: Ask) -> float:
        """Set, wait, read."""
        moved = self.bench.spend(ask)
        settle_s = ask.wait_s + (GENERATOR_SETTLE_S if moved else 0.0)
        left = (self.state_dbm - ask.level_db) * math.exp(-settle_s / self.unit.tau_s)
        mean_left = left * self.unit.tau_s / ask.reading_s * -math.expm1(-ask.reading_s / self.unit.tau_s)
        self.state_dbm = ask.level_db + left * math.exp(-ask.reading_s / self.unit.tau_s)
        reading_db = self.unit.read(self.effective_dbm(ask.level_db + mean_left), ask.reading_s)
        if (mean_db := self.law.get("dead_db")) is not None:
            scatter_db = self.law["dead_sd"] * float(self.unit.rng.standard_normal())
            reading_db = max(0.0, mean_db + scatter_db)
        tau_s = self.law.get("averaged_s", 0.0)
        if tau_s:
            kept = math.exp(-(settle_s + ask.reading_s) / tau_s)
            reading_db = self.shown_db = reading_db + (self.shown_db - reading_db) * kept
        return reading_db


class Row:
    """Collects what each trial gave."""

    def __init__(self, name: str) -> None:
        self.name, self.readings, self.seconds = name, list[int](), list[float]()
        self.held, self.errors, self.widths = dict[str, list[bool]](), list[float](), list[float]()
        self.far, self.statuses = 0, collections.Counter[str]()

    def add(self, group: str, got: Crossing, truth_dbm: float, seconds: float) -> None:
        """Note one offset."""
        self.statuses[str(got.status)] += 1
        self.readings.append(got.readings)
        self.seconds.append(seconds)
        if got.found and got.level_db is not None:
            error_db = got.level_db - truth_dbm
            self.errors.append(error_db)
            self.widths.append(got.half_width_db)
            self.held.setdefault(group, []).append(abs(error_db) <= got.half_width_db)
            self.far += abs(error_db) > 2 * max(got.half_width_db, 0.25)

    def print(self) -> None:
        """Print the line."""
        n, s = np.percentile(self.readings, [50, 95]), np.percentile(self.seconds, [50, 95])
        text = f"{self.name:34s} n {n[0]:2.0f}/{n[1]:2.0f} mean {np.mean(self.readings):4.2f}"
        text += f"  s {s[0]:4.2f}/{s[1]:5.2f} mean {np.mean(self.seconds):4.2f}"
        if self.errors:
            held = [one for group in self.held.values() for one in group]
            worst = min(self.held, key=lambda group: float(np.mean(self.held[group])))
            text += f"  covers {100 * np.mean(held):5.1f} % of {len(held)} (worst {100 * np.mean(self.held[worst]):.0f} %: {worst})"
            text += f"  bias {np.mean(self.errors):+.3f} rms {np.std(self.errors):.2f}  far off {self.far}"
        others = {k: v for k, v in self.statuses.items() if k != "found"}
        print(text, others or "", flush=True)


def made_unit(table: Table, rng: np.random.Generator, target_db: float = 12.0) -> SinadReceiver:
    """Return a receiver whose ``truth_db`` is where it crosses the target under its ceiling, dBm."""
    top_db, figure_db = rng.uniform(28.0, 45.0), rng.normal(7.0, 3.0)
    unit = SinadReceiver(table, 0.0, rng, ceiling_db=top_db)
    unit = SinadReceiver(table, -174 + figure_db + unit.offset_db, rng, ceiling_db=top_db)
    tone, noise = np.exp(unit.log_tone), np.exp(unit.log_noise)
    curve = 10 * np.log10(1 + tone / (noise + tone * 10 ** (-top_db / 10)))
    density_db = float(np.interp(target_db, np.maximum.accumulate(curve), table.density_db))
    unit.truth_db = density_db - unit.offset_db
    return unit


def ratio_row(
    name: str,
    trials: int,
    *,
    usual: ratio_search.Usual,
    off_db: float = 0.0,
    law: Callable[[np.random.Generator], dict[str, float]] = lambda _: {},
    kinds: tuple[str, ...] = ("fm",),
) -> None:
    """Run the searches of two offsets on every receiver."""
    row = Row(name)
    for number, table in enumerate(tables()):
        words = table.name.split()
        if words[0] not in kinds:
            continue
        rng = np.random.default_rng([31, number, SEED[0]])
        for _ in range(trials):
            unit = made_unit(table, rng)
            first = find_crossing(sensitivity_search(words), unit.measure)
            if not first.found or first.level_db is None:
                continue
            wanted_dbm = first.level_db + 3.0
            ratio_db, given = rng.normal(usual.above_db + off_db, usual.sd_db), law(rng)
            before: dict[float, Crossing] = {}
            for offset_hz, apart_db in ((10e3, 0.0), (-10e3, rng.normal(0.0, SECOND_DB))):
                truth_dbm = min(wanted_dbm + ratio_db + apart_db, HIGHEST_DBM - 2.0)
                # One stream for each offset, so that how many readings the first took changes nothing of the second.
                unit.rng = np.random.default_rng(int(rng.integers(2**32)))
                spoilt = Spoilt(unit, wanted_dbm=wanted_dbm, truth_dbm=truth_dbm, **given)
                alone_db, target_db = spoilt.alone_db(rng), 12.0
                if alone_db < target_db + 1.0:
                    continue
                search = search_of(words, alone_db, wanted_dbm, usual, offset_hz, before, first)
                got = find_crossing(search, spoilt.measure)
                row.add(table.name, got, truth_dbm, spoilt.bench.seconds)
                if got.found:
                    before[offset_hz] = got
    row.print()


def search_of(
    words: list[str],
    alone_db: float,
    wanted_dbm: float,
    usual: ratio_search.Usual,
    offset_hz: float,
    before: dict[float, Crossing],
    first: Crossing,
) -> CurveSearch:
    """Return the search as the checks make it; with ``--before`` as they made it until 2026-11-27."""
    fm = words[0] == "fm"
    receiver = ratio_search.Receiver(
        mode=words[0].upper(),
        deviation_hz=float(words[3]) if fm else 1200.0,
        deemphasis="de-emph" in words,
    )
    window_dbm = (LOWEST_DBM, HIGHEST_DBM)
    if BEFORE[0]:
        return search_before(wanted_dbm, usual, offset_hz, before)
    return ratio_search.spoilt_search(
        receiver,
        target_db=12.0,
        alone_db=alone_db,
        room=Room(
            above_db=3.0,
            sd_db=first.half_width_db / 1.96,
            slope=first.slope or 1.0,
            slope_sd=first.slope_sd or 1.0,
        ),
        expected=ratio_search.expected_dbm(wanted_dbm, usual, offset_hz, before),
        window_dbm=window_dbm,
        accuracy_db=0.5,
    )


def sensitivity_search(words: list[str]) -> CurveSearch:
    """Return the search for the sensitivity, as the checks make it."""
    if words[0] == "fm":
        return fm_search(float(words[3]), deemphasis="de-emph" in words, accuracy_db=0.5)
    return CurveSearch(
        target=12.0,
        window_db=(LOWEST_DBM, -20.0),
        prior=ratio_family(target_db=12.0, slope=1.0, slope_sd=0.25, relative=0.07),
        settling=AUDIO_SETTLING,
        reading_range=SINAD_RANGE_DB,
    )


def search_before(
    wanted_dbm: float, usual: ratio_search.Usual, offset_hz: float, before: dict[float, Crossing]
) -> CurveSearch:
    """Return the search by one slope, begun 50 dB above the wanted signal, or 6 dB below where the interferer is on the channel."""
    prior = CurvePrior(slope=0.8, slope_sd=0.35, bend=0.05, bend_sd=0.15, sd_db=0.8, ratio_db=True)
    mirrored = before.get(-offset_hz)
    start_dbm = wanted_dbm + (50.0 if usual.above_db > 0 else -6.0)
    if mirrored is not None and mirrored.level_db is not None and mirrored.slope:
        start_dbm, slope = mirrored.level_db, min(max(abs(mirrored.slope), 0.3), 5.0)
        prior = replace(prior, slope=slope, slope_sd=0.3 * slope, sd_db=mirrored.sd_db)
    return CurveSearch(
        target=12.0,
        window_db=(LOWEST_DBM, HIGHEST_DBM),
        rising=False,
        accuracy_db=0.5,
        prior=prior,
        settling=AUDIO_SETTLING,
        reading_range=SINAD_RANGE_DB,
        start_db=min(max(start_dbm, LOWEST_DBM), HIGHEST_DBM),
    )


def product_row(name: str, trials: int, usual: ratio_search.Usual) -> None:
    """Run the search for the level of two signals whose product is heard."""
    row = Row(name)
    for number, table in enumerate(tables()):
        words = table.name.split()
        if words[0] != "fm":
            continue
        rng = np.random.default_rng([32, number, SEED[0]])
        for _ in range(trials):
            unit = made_unit(table, rng)
            truth_dbm = min(unit.truth_db + rng.normal(usual.above_db, usual.sd_db), HIGHEST_DBM - 2.0)
            unit.rng = np.random.default_rng(int(rng.integers(2**32)))
            spoilt = Spoilt(unit, wanted_dbm=unit.truth_db, truth_dbm=truth_dbm, product=3.0)
            expected = Expected(level_db=unit.truth_db + usual.above_db, sd_db=usual.sd_db)
            receiver = ratio_search.Receiver(
                mode="FM", deviation_hz=float(words[3]), deemphasis="de-emph" in words
            )
            search = ratio_search.product_search(
                receiver,
                target_db=12.0,
                expected=expected,
                window_dbm=(LOWEST_DBM, HIGHEST_DBM),
                accuracy_db=0.5,
            )
            if BEFORE[0]:
                search = CurveSearch(
                    target=12.0,
                    window_db=(LOWEST_DBM, HIGHEST_DBM),
                    accuracy_db=0.5,
                    prior=intermodulation_before(),
                    settling=AUDIO_SETTLING,
                    reading_range=SINAD_RANGE_DB,
                    start_db=unit.truth_db + 65.0,
                )
            got = find_crossing(search, spoilt.measure)
            row.add(table.name, got, truth_dbm, spoilt.bench.seconds)
    row.print()


def intermodulation_before() -> CurvePrior:
    """Return what one slope said of a product."""
    return CurvePrior(slope=4.0, slope_sd=2.0, bend=-0.3, bend_sd=0.6, sd_db=0.8, ratio_db=True)


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=10)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="")
    parser.add_argument("--before", action="store_true", help="search by one slope, as until November 2026")
    options = parser.parse_args()
    trials, SEED[0], BEFORE[0] = options.trials, options.seed, options.before
    rows: dict[str, Callable[[str], None]] = {
        "selectivity": lambda name: ratio_row(name, trials, usual=ratio_search.ADJACENT),
        "blocking, 1 to 3 dB a dB": lambda name: ratio_row(
            name,
            trials,
            usual=ratio_search.FAR,
            law=lambda g: {"steep": float(g.choice((1.0, 1.5, 2.0, 3.0)))},
        ),
        "selectivity 15 dB worse than usual": lambda name: ratio_row(
            name, trials, usual=ratio_search.ADJACENT, off_db=-15.0
        ),
        "co-channel": lambda name: ratio_row(name, trials, usual=ratio_search.ON_CHANNEL),
        "selectivity, AM and SSB": lambda name: ratio_row(
            name, 2 * trials, usual=ratio_search.ADJACENT, kinds=("am", "ssb")
        ),
        "averaged over 0.1 to 1 s": lambda name: ratio_row(
            name,
            max(1, trials // 2),
            usual=ratio_search.ADJACENT,
            law=lambda g: {"averaged_s": math.exp(g.uniform(math.log(0.1), 0.0))},
        ),
        "dead, 8 to 14 dB, scatter to 4 dB": lambda name: ratio_row(
            name, trials, usual=ratio_search.ADJACENT, law=_dead
        ),
        "intermodulation": lambda name: product_row(name, trials, ratio_search.PRODUCT),
    }
    for name, run in rows.items():
        if options.only in name:
            run(name)


def _dead(rng: np.random.Generator) -> dict[str, float]:
    return {"dead_db": rng.uniform(8.0, 14.0), "dead_sd": rng.uniform(0.3, 4.0)}


if __name__ == "__main__":
    main()
