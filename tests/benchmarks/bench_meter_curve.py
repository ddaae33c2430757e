"""Print how a whole curve of a signal meter's needle is found: readings and time constants of nine marks, and how often they hold.

    python tests/benchmarks/bench_meter_curve.py [--trials 20] [--seed 0] [--alone]

Meters are those of bench_shipped_search.py: one slope, or bent within 1 dB of S9 to half of it, with scatter and lag. Marks are S1 to
S9, as `s_meter_curve` looks for them: each begins with what the marks before it gave. ``--alone``: each mark as if it were the first.
Another ``--seed`` is another set of meters. "n" and "tau" are median/95th percentile of whole curves; coverage is of single marks.
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_shipped_search import BentMeter
from scipy.optimize import brentq

from sequencer.checks.receive.s_meter_curve import NEIGHBOURS, NEXT_MARK_SD_DB, NORMAL_95
from sequencer.checks.shared.level_search.s_meter import NOMINAL_SD_DB, SLOPE_DOUBT
from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected, Known
from sequencer.search.curve_family import meter_family
from sequencer.search.protocol import Crossing, Settling, find_crossing

MARKS_DB = tuple(range(-48, 1, 6))
S9_DBM, NOMINAL_V_PER_DB = -73.0, 0.0417


def mark_v(above_db: float) -> float:
    """Return the nominal voltage of a mark."""
    return BentMeter.target_v + NOMINAL_V_PER_DB * above_db


def made_meter(rng: np.random.Generator, number: int, play_db: float) -> BentMeter:
    """Return a meter."""
    return BentMeter(
        rng.normal(S9_DBM, 6.0),
        rng,
        tau_s=math.exp(rng.uniform(math.log(0.2), 0.0)),
        bend=rng.uniform(-1.0, 1.0),
        ratio=(1.0, 0.5)[number % 2],
        soft=(0.0, 0.5, 1.5)[number % 3],
        noise_db=rng.uniform(0.2, 0.56),
        volts_per_db=NOMINAL_V_PER_DB * math.exp(0.1 * rng.normal()),
        play=play_db,
    )


def truth_dbm(meter: BentMeter, volts: float) -> float:
    """Return the level at which a meter without play rests at a voltage."""
    return meter.truth_db + float(brentq(lambda x: meter.at_rest_v(x) - volts, -70.0, 60.0))


class Line:
    """What the marks found tell the search for the next."""

    def __init__(self, told_s: float, *, alone: bool) -> None:
        self.told_s, self.alone = told_s, alone
        self.marks: list[Known] = []
        self.stands: Known | None = None
        self.play_db: float | None = None
        self.last_db = 0.0

    def search(self, above_db: float) -> CurveSearch:
        """Return the search for a mark as the check makes it."""
        nominal_dbm, beside = S9_DBM + above_db, self.marks
        about = Expected(level_db=nominal_dbm, sd_db=NOMINAL_SD_DB)
        if beside:
            off_db = beside[-1].level_db - S9_DBM - self.last_db
            about = Expected(level_db=nominal_dbm + off_db, sd_db=NEXT_MARK_SD_DB)
        return CurveSearch(
            target=mark_v(above_db),
            window_db=(-137.0, -20.0),
            prior=meter_family(target=mark_v(above_db), unit_per_db=NOMINAL_V_PER_DB, doubt=SLOPE_DOUBT),
            expected=about,
            start_db=about.level_db,
            known=beside[-NEIGHBOURS:],
            stands=self.stands,
            play_db=self.play_db,
            settling=Settling(rise_s=self.told_s, fall_s=self.told_s, least_s=0.03, doubt=0.5),
        )

    def learn(self, above_db: float, found: Crossing) -> None:
        """Take a mark that was found."""
        self.stands = None
        if self.alone or not found.found or found.level_db is None:
            return
        sd_db, last = found.half_width_db / NORMAL_95, found.history[-1]
        self.marks.append(Known(level_db=found.level_db, reading=mark_v(above_db), sd_db=sd_db))
        self.last_db = above_db
        self.play_db = found.play_db if self.play_db is None else self.play_db
        if last.ask.purpose == "near" and isinstance(last.value, float):
            self.stands = Known(level_db=last.ask.level_db, reading=last.value, sd_db=sd_db)


def curve_row(
    name: str, trials: int, seed: int, *, alone: bool, slower: float = 1.0, play_db: float = 0.0
) -> None:
    """Run whole curves and print a line."""
    readings, taus, errors, held, far = [], [], [], [], 0
    purposes: collections.Counter[str] = collections.Counter()
    statuses: collections.Counter[str] = collections.Counter()
    for number in range(trials):
        rng = np.random.default_rng([41, number, seed])
        meter = made_meter(rng, number, play_db)
        tau_s = meter.law["tau_s"]
        line, count = Line(tau_s / slower * math.exp(0.2 * rng.normal()), alone=alone), 0
        for above_db in MARKS_DB:
            if meter.at_rest_v(above_db - 80.0) >= mark_v(above_db):
                continue
            found: Any = find_crossing(line.search(above_db), meter.measure)
            line.learn(above_db, found)
            count += found.readings
            purposes.update(one.ask.purpose for one in found.history)
            statuses[str(found.status)] += 1
            if found.found:
                error_db = found.level_db - truth_dbm(meter, mark_v(above_db))
                errors.append(error_db)
                held.append(abs(error_db) <= found.half_width_db)
                far += abs(error_db) > 2 * found.half_width_db
        readings.append(count)
        taus.append(meter.bench.seconds / tau_s)
    n, t = np.percentile(readings, [50, 95]), np.percentile(taus, [50, 95])
    print(
        f"{name:32s} n {n[0]:3.0f}/{n[1]:3.0f} mean {np.mean(readings):5.1f}  tau {t[0]:5.1f}/{t[1]:5.1f} mean {np.mean(taus):5.1f}"
        f"  covers {100 * np.mean(held):5.1f} % of {len(held)}  bias {np.mean(errors):+.3f}"
        f" max {np.max(np.abs(errors)):.1f}  beyond twice {far}",
        {purpose: round(count / trials, 1) for purpose, count in purposes.items()},
        {status: count for status, count in statuses.items() if status != "found"} or "",
        flush=True,
    )


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--alone", action="store_true", help="each mark as if it were the first")
    options = parser.parse_args()
    told = {"alone": options.alone}
    curve_row("nine marks", options.trials, options.seed, **told)
    curve_row("nine marks, twice as slow as told", options.trials, options.seed, slower=2.0, **told)
    curve_row("nine marks, 1 dB of play", options.trials, options.seed, play_db=1.0, **told)


if __name__ == "__main__":
    main()
