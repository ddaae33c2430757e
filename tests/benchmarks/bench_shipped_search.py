"""Print how the curve searches fare with the settings that the checks ship, on receivers and meters less kind than bench_search.py's.

    python tests/benchmarks/bench_shipped_search.py [--trials 20] [--seed 0] [--only sinad|needle|faults|dead]

Another ``--seed`` is another set of units: tune on one, report another.

Trials are per receiver type or meter law. Seconds are the virtual bench's. "n" and "s" are median/95th percentile; coverage is of the
stated 95 % interval, over the units found; "wrong" counts the units whose level was found and lies outside twice its interval. "eff" is the
median of the Cramer-Rao integration time over that spent near the crossing [and in the whole search].
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from receivers import GENERATOR_SETTLE_S, Bench, SinadReceiver, tables

from sequencer.checks.receive.s9_point import S0_TO_S9_DB
from sequencer.checks.shared.level_search.s_meter import NOMINAL_SD_DB, SLOPE_DOUBT
from sequencer.checks.shared.level_search.sensitivity import (
    AUDIO_SETTLING,
    SINAD_RANGE_DB,
    THERMAL_DBM_PER_HZ,
    USUAL_BANDWIDTH_HZ,
    USUAL_NOISE_FIGURE_DB,
)
from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected
from sequencer.search.curve_family import DB_PER_NEPER, Family, fm_family, meter_family, ratio_family
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.fm_sinad import FmCurve
from sequencer.search.protocol import Settling, find_crossing

WINDOW_DB = (-137.4, -20.0)
SEED = [0]


@dataclass
class Row:
    """Collects what each trial gave."""

    name: str
    readings: list[int] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    held: dict[str, list[bool]] = field(default_factory=dict)
    errors: list[float] = field(default_factory=list)
    wrong: int = 0
    named: int = 0
    """Units whose play was told."""
    efficiency: list[tuple[float, float]] = field(default_factory=list)
    statuses: collections.Counter[str] = field(default_factory=collections.Counter)

    def add(self, group: str, got: Any, truth_db: float, seconds: float) -> None:
        """Note one trial."""
        self.statuses[str(got.status)] += 1
        self.readings.append(got.readings)
        self.seconds.append(seconds)
        if got.found:
            error = got.level_db - truth_db
            self.errors.append(error)
            self.held.setdefault(group, []).append(abs(error) <= got.half_width_db)
            self.named += (got.play_db or 0.0) > 0.0
            self.wrong += abs(error) > 2 * max(got.half_width_db, 0.25)

    def print(self) -> None:
        """Print the line."""
        n, s = np.percentile(self.readings, [50, 95]), np.percentile(self.seconds, [50, 95])
        text = f"{self.name:44s} n {n[0]:2.0f}/{n[1]:2.0f}  s {s[0]:5.2f}/{s[1]:6.2f}"
        if self.errors:
            held = [one for group in self.held.values() for one in group]
            worst = min(self.held, key=lambda group: float(np.mean(self.held[group])))
            text += f"  covers {100 * np.mean(held):5.1f} % (worst {100 * np.mean(self.held[worst]):.0f} %: {worst})"
            text += f"  bias {np.mean(self.errors):+.3f} max {np.max(np.abs(self.errors)):.1f}"
        text += f"  wrong {100 * self.wrong / len(self.readings):.1f} %"
        if self.efficiency:
            near, whole = np.median(np.array(self.efficiency), axis=0)
            text += f"  eff {near:.2f} [{whole:.2f}]"
        others = {k: v for k, v in self.statuses.items() if k != "found"}
        print(text, others or "", f"play told: {self.named}" if self.named else "", flush=True)


def fm_search(
    deviation_hz: float,
    *,
    deemphasis: bool,
    accuracy_db: float,
    target_db: float = 12.0,
    tone_hz: float = 1000.0,
    window_db: tuple[float, float] = WINDOW_DB,
    expected: Expected | None = None,
) -> CurveSearch:
    """Return the search as the check `sensitivity` makes it; ``expected`` is what a batch tells it."""
    curve = FmCurve(
        deviation_hz=deviation_hz,
        deemphasis=deemphasis,
        bandwidth_hz=USUAL_BANDWIDTH_HZ,
        tone_hz=tone_hz,
        audio_band_hz=(300.0, 3000.0),
    )
    usual_dbm = THERMAL_DBM_PER_HZ + USUAL_NOISE_FIGURE_DB + curve.level_at(target_db)
    return CurveSearch(
        target=target_db,
        window_db=window_db,
        accuracy_db=accuracy_db,
        prior=fm_family(
            deviation_hz=deviation_hz,
            deemphasis=deemphasis,
            bandwidth_hz=None,
            tone_hz=tone_hz,
            target_db=target_db,
        ),
        expected=expected or Expected(level_db=usual_dbm, sd_db=5.0),
        settling=AUDIO_SETTLING,
        reading_range=SINAD_RANGE_DB,
    )


class Lapsing:
    """A joint that opens now and then: the reading falls away to noise."""

    def __init__(self, unit: SinadReceiver, share: float, rng: np.random.Generator) -> None:
        self.unit, self.share, self.rng, self.bench = unit, share, rng, unit.bench

    def measure(self, ask: Any) -> float:
        """Read; with a chance of ``share`` the signal was away."""
        reading = self.unit.measure(ask)
        return (
            abs(0.5 + 0.3 * float(self.rng.standard_normal())) if self.rng.random() < self.share else reading
        )


class Dipping:
    """A receiver whose AGC makes a hole of 25 dB in its SINAD far above the threshold."""

    def __init__(self, unit: SinadReceiver, at_db: float) -> None:
        self.unit, self.at_db, self.bench = unit, at_db, unit.bench

    def measure(self, ask: Any) -> float:
        """Read; about ``at_db`` 25 dB less."""
        dip_db = 25.0 * math.exp(-0.5 * ((ask.level_db - self.at_db) / 5.0) ** 2)
        return max(0.0, self.unit.measure(ask) - dip_db)


def sinad_row(
    name: str,
    trials: int,
    *,
    accuracy_db: float = 0.5,
    ceiling_db: tuple[float, float] = (28.0, 45.0),
    told_otherwise: bool = False,
    noise_figure: tuple[float, float] = (7.0, 3.0),
    lapses: float = 0.0,
    dips: bool = False,
    only: str = "",
    **faults: float,
) -> None:
    """Run the shipped search over every FM receiver."""
    row = Row(name)
    for number, table in enumerate(tables()):
        words = table.name.split()
        if words[0] != "fm" or only not in table.name:
            continue
        rng = np.random.default_rng([11, number, SEED[0]])
        for _ in range(trials):
            figure_db, top_db = rng.normal(*noise_figure), rng.uniform(*ceiling_db)
            unit = SinadReceiver(table, 0.0, rng, ceiling_db=top_db, **faults)
            unit = SinadReceiver(table, -174 + figure_db + unit.offset_db, rng, ceiling_db=top_db, **faults)
            tone, noise = np.exp(unit.log_tone), np.exp(unit.log_noise)
            curve = 10 * np.log10(1 + tone / (noise + tone * 10 ** (-top_db / 10)))
            truth_db = float(np.interp(12.0, np.maximum.accumulate(curve), table.density_db)) - unit.offset_db
            measured: Any = unit
            if lapses:
                measured = Lapsing(unit, lapses, rng)
            if dips:
                measured = Dipping(unit, truth_db + rng.uniform(25.0, 60.0))
            search = fm_search(
                float(words[3]), deemphasis=("de-emph" in words) != told_otherwise, accuracy_db=accuracy_db
            )
            got = find_crossing(search, measured.measure)
            moved_db = faults.get("drift_db_per_s", 0.0) * unit.bench.seconds
            row.add(table.name, got, truth_db - moved_db / 2, unit.bench.seconds)
            if got.found:
                ideal = unit.integration_s(accuracy_db)
                near = sum(one.ask.reading_s for one in got.history if one.ask.purpose == "near")
                row.efficiency.append(
                    (ideal / (near or unit.bench.reading_seconds), ideal / unit.bench.reading_seconds)
                )
    row.print()


class BentMeter:
    """A needle's line, V: below the bend one slope, above it ``ratio`` of that, sharp or rounded, with lag, scatter and play."""

    target_v = 2.25

    def __init__(self, truth_db: float, rng: np.random.Generator, **law: float) -> None:
        self.truth_db, self.rng, self.law, self.bench = truth_db, rng, law, Bench()
        self.state_v, self.held_db = 0.0, -140.0

    def at_rest_v(self, above_db: float) -> float:
        """Return the voltage so far above S9, at rest."""
        bend_db, ratio, soft = self.law["bend"], self.law["ratio"], max(self.law["soft"], 1e-3)

        def line(x: float) -> float:
            return x - (1 - ratio) * soft * float(np.logaddexp(0.0, (x - bend_db) / soft))

        return max(0.0, self.target_v + self.law["volts_per_db"] * (line(above_db) - line(0.0)))

    def measure(self, ask: Any) -> float:
        """Set, wait, read."""
        play_db = self.law.get("play", 0.0)
        self.held_db = min(max(self.held_db, ask.level_db - play_db / 2), ask.level_db + play_db / 2)
        moved, tau_s = self.bench.spend(ask), self.law["tau_s"]
        rest_v = self.at_rest_v(self.held_db - self.truth_db)
        if rest_v < self.state_v:
            tau_s = self.law.get("fall_s", tau_s)
        left_v = (self.state_v - rest_v) * math.exp(-(ask.wait_s + GENERATOR_SETTLE_S * moved) / tau_s)
        mean_v = left_v * tau_s / ask.reading_s * -math.expm1(-ask.reading_s / tau_s)
        self.state_v = rest_v + left_v * math.exp(-ask.reading_s / tau_s)
        scatter_v = self.law["noise_db"] * self.law["volts_per_db"] * math.sqrt(0.1 / ask.reading_s)
        return rest_v + mean_v + scatter_v * float(self.rng.standard_normal())


def needle_search(
    *,
    told_s: float,
    fall_s: float | None = None,
    accuracy_db: float = 0.5,
    expected: Expected | None = None,
) -> CurveSearch:
    """Return the search as the check `s9_point` makes it; ``expected`` is what a batch tells it."""
    target_v = BentMeter.target_v
    return CurveSearch(
        target=target_v,
        window_db=(-120.0, -20.0),
        accuracy_db=accuracy_db,
        prior=meter_family(target=target_v, unit_per_db=target_v / S0_TO_S9_DB, doubt=SLOPE_DOUBT),
        expected=expected or Expected(level_db=-73.0, sd_db=NOMINAL_SD_DB),
        settling=Settling(rise_s=told_s, fall_s=fall_s or told_s, least_s=0.03, doubt=0.5),
    )


def needle_row(
    name: str,
    trials: int,
    *,
    accuracy_db: float = 0.5,
    ratios: tuple[float, ...] = (1.0,),
    slower: float = 1.0,
    play: float = 0.0,
) -> None:
    """Run the shipped search over laws bent from 3 dB below to 3 dB above S9; seconds in time constants."""
    row = Row(name)
    for ratio in ratios:
        for bend_db in (-3.0, -1.0, 0.0, 1.0, 3.0) if ratio < 1.0 else (0.0,):
            rng = np.random.default_rng([12, int(100 * ratio), int(bend_db) + 5, SEED[0]])
            for k in range(trials):
                tau_s, truth_db = math.exp(rng.uniform(math.log(0.2), 0.0)), rng.normal(-73.0, 6.0)
                meter = BentMeter(
                    truth_db,
                    rng,
                    tau_s=tau_s,
                    bend=bend_db + rng.uniform(-0.5, 0.5),
                    ratio=ratio,
                    soft=(0.0, 0.5, 1.5)[k % 3],
                    noise_db=rng.uniform(0.2, 0.56),
                    volts_per_db=0.0417 * math.exp(0.2 * rng.normal()),
                    play=play,
                )
                told_s = tau_s / slower * math.exp(0.2 * rng.normal())
                search = needle_search(told_s=told_s, accuracy_db=accuracy_db)
                got = find_crossing(search, meter.measure)
                row.add(
                    f"ratio {ratio:g}, bend {bend_db:+.0f} dB", got, truth_db, meter.bench.seconds / tau_s
                )
    row.print()


def one_sided_row(name: str, trials: int, *, rise: float = 1.0, fall: float = 1.0) -> None:
    """Run the shipped search, told 0.3 s up and 0.6 s down, on straight needles ``rise`` and ``fall`` times as slow; in seconds."""
    row = Row(name)
    rng = np.random.default_rng([14, int(10 * rise), int(10 * fall), SEED[0]])
    for _ in range(trials):
        truth_db = rng.normal(-73.0, 6.0)
        law = {
            "bend": 0.0,
            "ratio": 1.0,
            "soft": 0.0,
            "noise_db": 0.3,
            "tau_s": 0.3 * rise,
            "fall_s": 0.6 * fall,
        }
        meter = BentMeter(truth_db, rng, volts_per_db=0.0417 * math.exp(0.2 * rng.normal()), **law)
        got = find_crossing(needle_search(told_s=0.3, fall_s=0.6), meter.measure)
        row.add("straight", got, truth_db, meter.bench.seconds)
    row.print()


def dead_row(
    name: str, trials: int, prior: Any, expected: Expected | None = None, *, target_db: float = 12.0
) -> None:
    """Count the dead meters that are said to have a crossing.

    They read from 7 dB below the target to 3 dB above, with a scatter of 0.3 to 4 dB.
    """
    statuses: collections.Counter[str] = collections.Counter()
    for mean_db in (5.0, 8.0, 10.0, 12.0, 15.0):
        for sd_db in (0.3, 1.0, 2.0, 3.0, 4.0):
            for k in range(trials):
                rng = np.random.default_rng([13, int(mean_db), int(10 * sd_db), k, SEED[0]])

                def read(
                    ask: Any, k: int = k, mean_db: float = mean_db, sd_db: float = sd_db, rng: Any = rng
                ) -> float:
                    shorter = math.sqrt(0.1 / ask.reading_s) if k % 2 else 1.0
                    away_db = sd_db * shorter * float(rng.standard_normal())
                    return max(0.0, mean_db + target_db - 12.0 + away_db)

                search = CurveSearch(
                    target=target_db,
                    window_db=WINDOW_DB,
                    prior=prior,
                    expected=expected,
                    settling=AUDIO_SETTLING,
                    reading_range=SINAD_RANGE_DB if isinstance(prior, Family) else None,
                )
                statuses[str(find_crossing(search, read).status)] += 1
    said = sum(n for status, n in statuses.items() if status in ("found", "not monotonic", "intermittent"))
    print(
        f"{name:44s} found {said} of {statuses.total()} ({100 * said / statuses.total():.2f} %)",
        dict(statuses),
        flush=True,
    )


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    trials, only, SEED[0] = options.trials, options.only, options.seed
    if only in ("", "sinad"):
        sinad_row("FM 12 dB SINAD +-0.5", trials)
        sinad_row("FM 12 dB SINAD +-0.25", trials, accuracy_db=0.25)
        sinad_row("ceiling 14 to 20 dB", trials, ceiling_db=(14.0, 20.0))
        sinad_row("ceiling 12.3 to 13 dB", trials, ceiling_db=(12.3, 13.0))
        sinad_row("de-emphasis told otherwise", trials, told_otherwise=True)
        sinad_row("deaf by 30 dB", trials, noise_figure=(37.0, 3.0))
    if only in ("", "faults"):
        sinad_row("5 % lapses", trials, lapses=0.05)
        sinad_row("20 % lapses", trials, lapses=0.2)
        sinad_row("AGC dip of 25 dB far above", trials, dips=True)
        sinad_row("overloaded from -90 dBm", trials, overload_db=-90.0)
        sinad_row("drift 0.5 dB/min, +-0.1 dB", max(2, trials // 5), drift_db_per_s=0.5 / 60, accuracy_db=0.1)
        sinad_row("drift 10 dB/min", trials, drift_db_per_s=10 / 60)
    if only in ("", "needle"):
        needle_row("needle S9, straight +-0.5", 5 * trials)
        needle_row("needle S9, bent +-0.5", trials, ratios=(0.6, 0.36, 0.2))
        needle_row("needle S9, bent +-0.2", max(2, trials // 2), ratios=(0.6, 0.36, 0.2), accuracy_db=0.2)
        needle_row("needle twice as slow as told", trials, ratios=(1.0, 0.36), slower=2.0)
        needle_row("needle with 1 dB of play", trials, ratios=(1.0, 0.36), play=1.0)
        for slower in (2.0, 3.0, 4.0, 5.0, 6.0):
            one_sided_row(f"needle that falls {slower:g} times as slowly as told", 5 * trials, fall=slower)
        for slower in (2.0, 3.0, 4.0, 5.0, 6.0):
            one_sided_row(f"needle that rises {slower:g} times as slowly as told", 5 * trials, rise=slower)
    if only in ("", "dead"):
        fm = fm_family(
            deviation_hz=1800.0, deemphasis=True, bandwidth_hz=None, tone_hz=1000.0, target_db=12.0
        )
        dead_row("dead meter, FM's prior", trials, fm, Expected(level_db=-117.0, sd_db=5.0))
        dead_row(
            "dead meter, SSB's and AM's prior",
            trials,
            ratio_family(target_db=12.0, slope=1.0, slope_sd=0.25, relative=0.07),
        )
        for mode, relative in (("AM and SSB", 0.07), ("CW", 0.14)):
            signal_to_noise = CurvePrior(
                slope=1.0,
                slope_sd=0.25,
                bend=-0.02,
                bend_sd=0.1,
                sd_db=relative * DB_PER_NEPER,
                ratio_db=True,
            )
            dead_row(f"dead meter, (S+N)/N's prior, {mode}", trials, signal_to_noise, target_db=10.0)
        quieting = CurvePrior(slope=1.5, slope_sd=0.6, bend=-0.1, bend_sd=0.2, sd_db=0.45, ratio_db=True)
        dead_row("dead meter, quieting's prior", trials, quieting, target_db=20.0)


if __name__ == "__main__":
    main()
