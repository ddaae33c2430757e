"""Print how the crossing searches fare on simulated receivers, meters, bars, squelches and faults, beside classical searches.

    python tests/benchmarks/bench_search.py [--trials 100] [--seed 0] [--only sinad|baseline|needle|switching|shipped|lapses|faults]

Trials are per receiver type. Seconds are the virtual bench's: 35 ms for each change of level, the waits and the readings. Coverage is how
often the search's own 95 % interval holds the truth; "worst" is the worst receiver type. "eff" is the Cramer-Rao integration time
over the integration time spent near the crossing (and, in brackets, in the whole search).

"shipped" is the squelch with the window, the dwell, the waits and the knowledge of the check `squelch`; the other squelches are searched
with the search's own defaults, a window of 60 dB and nothing known.
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
import time
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from receivers import Bar, NeedleMeter, SinadReceiver, Squelch, tables

from sequencer.checks.receive.squelch import (
    OPEN_AT_DBM,
    SquelchSettings,
    opening_near,
    opening_usual,
    squelch_search,
)
from sequencer.checks.shared.level_search.sensitivity import usual_fm_dbm
from sequencer.search.curve import CurveSearch
from sequencer.search.protocol import Ask, Settling, Status, find_crossing
from sequencer.search.switching import SwitchingSearch
from tests.support.curve_priors import SINAD_PRIOR, fm_sinad_prior, needle_prior

WINDOW_DB = (-130.0, -90.0)
SHIPPED_WINDOW_DB = (-137.4, -20.0)
SEED = [0]


class Tally:
    """Collects what each trial gave and prints one line."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.readings, self.seconds, self.errors, self.widths, self.groups = [], [], [], [], []
        self.near_eff, self.whole_eff = [], []
        self.statuses = collections.Counter()
        self.started = time.perf_counter()

    def add(
        self, readings, seconds, status="found", error=math.nan, width=math.nan, group="", eff=None
    ) -> None:
        """Note one trial."""
        self.statuses[str(status)] += 1
        self.readings.append(readings)
        self.seconds.append(seconds)
        self.errors.append(error)
        self.widths.append(width)
        self.groups.append(group)
        if eff:
            self.near_eff.append(eff[0])
            self.whole_eff.append(eff[1])

    def line(self) -> str:
        """Return the line."""
        n50, n95 = np.percentile(self.readings, [50, 95])
        s50, s95 = np.percentile(self.seconds, [50, 95])
        text = f"{self.name:44s} n {n50:3.0f}/{n95:3.0f}  s {s50:6.2f}/{s95:6.2f}"
        errors, widths, groups = np.array(self.errors), np.array(self.widths), np.array(self.groups)
        good = np.isfinite(errors)
        if good.any():
            held = np.abs(errors) <= widths
            per = {g: held[good & (groups == g)].mean() for g in set(groups[good])}
            worst = min(per, key=per.get)
            text += f"  rmse {np.sqrt(np.mean(errors[good] ** 2)):.3f} bias {errors[good].mean():+.3f}"
            text += f" max {np.abs(errors[good]).max():.1f}"
            text += f"  covers {100 * held[good].mean():5.1f} % (worst {100 * per[worst]:.0f} %: {worst})"
        if self.near_eff:
            text += f"  eff {np.mean(self.near_eff):.2f} ({np.mean(self.whole_eff):.2f})"
        others = {k: v for k, v in self.statuses.items() if k != "found"}
        return text + (f"  {others}" if others else "")

    def far_off(self) -> str:
        """Return how many levels lie outside twice their interval."""
        errors, widths = np.array(self.errors), np.array(self.widths)
        good = np.isfinite(errors)
        far = int((np.abs(errors[good]) > 2 * widths[good]).sum())
        return f"  beyond twice: {far} of {int(good.sum())}"


def sinad_row(
    name, accuracy_db, prior_for, trials, *, kinds=None, window_db=WINDOW_DB, seed=1, settings=None, **faults
):
    """Run the curve search over all receivers."""
    tally = Tally(name)
    for number, table in enumerate(tables()):
        if kinds and not table.name.startswith(kinds):
            continue
        rng = np.random.default_rng([seed, number, SEED[0]])
        for _ in range(trials):
            crossing_db = rng.uniform(-124.0, -108.0)
            unit = SinadReceiver(table, crossing_db, rng, ceiling_db=rng.uniform(28, 45), **faults)
            search = CurveSearch(
                target=12.0,
                window_db=window_db,
                accuracy_db=accuracy_db,
                prior=prior_for(table),
                **(settings or {}),
            )
            got = find_crossing(search, unit.measure)
            truth_db = crossing_db - faults.get("drift_db_per_s", 0.0) * unit.bench.seconds
            eff = None
            if got.found:
                ideal = unit.integration_s(accuracy_db)
                near = sum(t.ask.reading_s for t in got.history if t.ask.purpose == "near")
                eff = (ideal / (near or unit.bench.reading_seconds), ideal / unit.bench.reading_seconds)
            error = got.level_db - truth_db if got.found else math.nan
            tally.add(got.readings, unit.bench.seconds, got.status, error, got.half_width_db, table.name, eff)
    print(tally.line(), flush=True)
    return tally


def informed(table):
    """Return the prior of a bench that knows deviation and de-emphasis; SSB and AM have none."""
    words = table.name.split()
    if words[0] != "fm":
        return SINAD_PRIOR
    return fm_sinad_prior(deviation_hz=float(words[3]), deemphasis="de-emph" in words)


def blind(_table):
    """Return the prior of a bench that knows only that it reads SINAD."""
    return SINAD_PRIOR


def classical_wait_s(step_db: float) -> float:
    """Return the study's settling time for a step."""
    return max(0.03, 0.015 * math.log(max(abs(step_db), 0.1) / 0.05))


class Averaged:
    """Plain averaging for the classical searches: n readings of a fixed length."""

    def __init__(self, unit, reading_s, count):
        self.unit, self.reading_s, self.count, self.readings = unit, reading_s, count, 0

    def __call__(self, level_db: float) -> float:
        """Return the averaged reading at a level, minus target."""
        previous = self.unit.bench.level_db
        wait_s = classical_wait_s(level_db - previous) if previous is not None else 0.1
        total = 0.0
        for k in range(self.count):
            self.readings += 1
            total += self.unit.measure(
                Ask(level_db=level_db, wait_s=wait_s if k == 0 else 0.0, reading_s=self.reading_s)
            )
        return total / self.count - 12.0


def linear_db(read, start_db: float) -> float:
    """Step up 1 dB until past the target, then back 1 dB and up in 0.1 dB steps; return the level reached."""
    level = start_db
    while read(level) > 0:
        level -= 1.0
    while read(level) < 0:
        level += 0.1
    return level


def baseline_rows(trials: int) -> None:
    """Print brentq with the averaging that just meets +-0.5 dB, and 1 dB then 0.1 dB stepping that does."""

    def brent(read):
        try:
            return brentq(read, -130.0, -90.0, xtol=0.25)
        except ValueError:
            return math.nan

    ways = [
        (f"brentq T={t} n={n} xtol 0.25", brent, t, n) for t, n in ((0.1, 2), (0.25, 1), (0.25, 2), (0.5, 1))
    ]
    ways += [
        (f"linear from -100, T={t} n={n}", lambda r: linear_db(r, -100.0), t, n)
        for t, n in ((0.1, 4), (0.5, 1))
    ]
    ours = {
        "informed": sinad_row("search, informed", 0.5, informed, max(10, trials // 4), kinds="fm", seed=2),
        "blind": sinad_row("search, blind", 0.5, blind, max(10, trials // 4), seed=2),
    }
    for name, solve, reading_s, count in ways:
        tally = Tally(name)
        for number, table in enumerate(tables()):
            rng = np.random.default_rng([2, number, SEED[0]])
            for _ in range(max(10, trials // 4)):
                crossing_db = rng.uniform(-124.0, -108.0)
                unit = SinadReceiver(table, crossing_db, rng, ceiling_db=rng.uniform(28, 45))
                read = Averaged(unit, reading_s, count)
                level = solve(read)
                tally.add(read.readings, unit.bench.seconds, "found", level - crossing_db, 0.5, table.name)
        slower = ", ".join(
            f"{np.median(tally.seconds) / np.median(t.seconds):.1f}x {k}" for k, t in ours.items()
        )
        print(tally.line(), f" seconds: {slower}", flush=True)


def needle_row(
    name, accuracy_db, trials, *, known=True, prior=True, slow_fall=1.0, seed=3, settings=None, **faults
):
    """Run the curve search on a needle; seconds are also given in time constants."""
    tally, taus = Tally(name), []
    rng = np.random.default_rng([seed, SEED[0]])
    for _ in range(trials):
        truth = rng.uniform(-95, -55)
        tau = math.exp(rng.uniform(math.log(0.2), 0.0))
        meter = NeedleMeter(
            truth,
            rng,
            tau,
            tau * slow_fall,
            noise_db=rng.uniform(0.2, 0.56),
            volts_per_db=rng.uniform(0.02, 0.05),
            above=rng.uniform(0.4, 1.0),
            bow=rng.uniform(0, 0.01),
            faults=faults,
        )
        told = tau * math.exp(rng.normal() * 0.15) if known else 0.4
        search = CurveSearch(
            target=NeedleMeter.target,
            window_db=(-110.0, -50.0),
            accuracy_db=accuracy_db,
            prior=needle_prior(unit_per_db=meter.volts_per_db * math.exp(rng.normal() * 0.2))
            if prior
            else None,
            settling=Settling(rise_s=told, fall_s=told * (slow_fall if known else 1.0)),
            **(settings or {}),
        )
        got = find_crossing(search, meter.measure)
        taus.append(meter.bench.seconds / tau)
        error = got.level_db - truth if got.found else math.nan
        tally.add(got.readings, meter.bench.seconds, got.status, error, got.half_width_db)
    print(tally.line(), f" tau {np.median(taus):.1f}/{np.percentile(taus, 95):.1f}", flush=True)
    return tally


def switching_row(name, trials, make, *, seed=4, settings=None, lapses=0.0):
    """Run the switching search; errors of both levels are pooled. ``lapses`` of the answers are off (a bar: dark) whatever the level."""
    tally, both, lapsed = Tally(name), [], np.random.default_rng([seed, 1, SEED[0]])
    rng = np.random.default_rng([seed, SEED[0]])
    for _ in range(trials):
        unit, settling, segment, truth = make(rng)
        search = SwitchingSearch(
            window_db=(-110.0, -50.0), segment=segment, settling=settling, **(settings or {})
        )

        def measure(ask, unit=unit, search=search):
            shown = unit.measure(ask)
            if lapsed.random() >= lapses:
                return shown
            return [False] * len(shown) if search.segment else False

        got = find_crossing(search, measure)
        for crossing, level, which in ((got.rising, truth[0], "on"), (got.falling, truth[1], "off")):
            if crossing is None:
                continue
            error = crossing.level_db - level if got.found else math.nan
            tally.add(got.readings, unit.bench.seconds, got.status, error, crossing.half_width_db, which)
        both.append(got)
    print(tally.line() + (tally.far_off() if lapses else ""), flush=True)
    return tally


def bar(rng, **faults):
    """Make one bar and what the search is told of it."""
    tau, hysteresis = rng.uniform(0.2, 1.0), rng.uniform(1, 2)
    unit = Bar(rng.uniform(-90, -60), hysteresis, rng, tau, spacing_db=rng.uniform(3, 6), **faults)
    told = tau * math.exp(0.1 * rng.normal())
    return unit, Settling(rise_s=told, fall_s=told), 9, (unit.rising_db, unit.rising_db - hysteresis)


def squelch(rng, **faults):
    """Make one squelch and what the search is told of it."""
    hysteresis = rng.uniform(2, 6)
    unit = Squelch(rng.uniform(-100, -60), hysteresis, rng, jitter_db=rng.uniform(0.2, 0.8), **faults)
    return unit, Settling(rise_s=0.06, fall_s=0.06), None, (unit.rising_db, unit.rising_db - hysteresis)


def shipped_squelch(rng, *, turned_up=0.15):
    """Make one squelch as `squelch` meets it: where it opens, beside what its unit hears; some are set too tight."""
    hears_db = rng.normal(-118.0, 4.0)
    above_db = rng.uniform(0.0, 40.0) if rng.random() < turned_up else rng.normal(-1.0, 4.0)
    hysteresis_db = rng.uniform(2, 6)
    opens_db = max(hears_db + above_db, -130.0)
    unit = Squelch(opens_db, hysteresis_db, rng, jitter_db=rng.uniform(0.2, 0.8))
    return unit, hears_db, (unit.rising_db, unit.rising_db - hysteresis_db)


def as_shipped(hears_db, *, blank=False):
    """Return the search of the check `squelch`, told what the run has found the unit to hear, or nothing of it (None).

    ``blank``: told nothing at all, not even that the squelch was seen open and shut.
    """
    usual_dbm = usual_fm_dbm(SquelchSettings(check="squelch"))
    return squelch_search(
        window_dbm=SHIPPED_WINDOW_DB,
        accuracy_db=0.5,
        settling_s=0.06,
        opened_at_dbm=None if blank else OPEN_AT_DBM,
        expected=None if blank else opening_usual(usual_dbm) if hears_db is None else opening_near(hears_db),
    )


def shipped_row(name, trials, *, told=True, blank=False, turned_up=0.15, lapses=0.0, off_db=0.0, seed=6):
    """Run the search as `squelch` ships it; ``off_db``: by how much what it is told of the unit is wrong."""
    tally, lapsed = Tally(name), np.random.default_rng([seed, 1, SEED[0]])
    rng = np.random.default_rng([seed, SEED[0]])
    for _ in range(trials):
        unit, hears_db, truth = shipped_squelch(rng, turned_up=turned_up)
        unit.bench.level_db = 0.0
        search = as_shipped(hears_db + off_db if told else None, blank=blank)
        got = find_crossing(search, lambda ask, unit=unit: unit.measure(ask) and lapsed.random() >= lapses)
        for crossing, level, which in ((got.rising, truth[0], "on"), (got.falling, truth[1], "off")):
            error = crossing.level_db - level if got.found else math.nan
            tally.add(got.readings, unit.bench.seconds, got.status, error, crossing.half_width_db, which)
    print(f"{tally.line()}  mean n {np.mean(tally.readings):.1f}{tally.far_off()}", flush=True)
    return tally


def shipped_rows(trials: int) -> None:
    """Print the rows of the squelch search as it ships."""
    shipped_row("squelch as shipped", 5 * trials)
    shipped_row("the same, told nothing at all", 5 * trials, blank=True)
    shipped_row("the same, the unit's sensitivity not found", 5 * trials, told=False)
    shipped_row("the same, 0 to 40 dB too tight", 2 * trials, turned_up=1.0)
    for off_db in (-30.0, 30.0):
        shipped_row(f"the same, told a sensitivity {off_db:+g} dB off", 2 * trials, off_db=off_db)
    for lapses in (0.05, 0.2):
        shipped_row(f"the same, {lapses:.0%} lapses", 3 * trials, lapses=lapses)
        shipped_row(f"the same, {lapses:.0%} lapses, told nothing", 3 * trials, lapses=lapses, blank=True)


def fault_row(name, expected, trials, make, *, allowed=()):
    """Count right verdicts."""
    statuses, readings = collections.Counter(), []
    for k in range(trials):
        search, measure = make(np.random.default_rng([5, k, SEED[0]]))
        got = find_crossing(search, measure)
        statuses[str(got.status)] += 1
        readings.append(got.readings)
    right = sum(statuses[str(s)] for s in (expected, *allowed)) / trials
    print(
        f"{name:44s} {100 * right:6.1f} % '{expected}'  n {np.median(readings):.0f}/{np.percentile(readings, 95):.0f}"
        f" max {max(readings)}  {dict(statuses)}",
        flush=True,
    )


def fault_rows(trials: int) -> None:
    """Print the verdicts on units and meters with a fault."""
    wide = (-130.0, -20.0)

    def curve(read, window_db=wide, **settings):
        settings = {"target": 12.0, "prior": SINAD_PRIOR, **settings}
        return CurveSearch(window_db=window_db, **settings), read

    def receiver(rng, crossing_db, **faults):
        kinds = tables()
        return SinadReceiver(kinds[int(rng.integers(len(kinds)))], crossing_db, rng, **faults).measure

    def flat(mean, sd):
        return lambda rng: curve(
            lambda a: mean + sd * float(rng.standard_normal()) * math.sqrt(0.1 / a.reading_s)
        )

    fault_row(
        "deaf: crosses 3 dB above the window",
        Status.NEVER_REACHED,
        trials,
        lambda g: curve(receiver(g, -17.0)),
    )
    fault_row("deaf: crosses 6 dB above", Status.NEVER_REACHED, trials, lambda g: curve(receiver(g, -14.0)))
    fault_row("dead: SINAD 0.5 +- 0.3 everywhere", Status.NO_RESPONSE, trials, flat(0.5, 0.3))
    fault_row("deaf by 50 dB, inside the window", Status.FOUND, trials, lambda g: curve(receiver(g, -68.0)))
    fault_row(
        "past the target at the bottom", Status.ALREADY_PAST, trials, lambda g: curve(receiver(g, -136.0))
    )
    for stuck in (0.3, 11.2, 12.0, 35.0):
        fault_row(f"meter stuck at {stuck}", Status.STUCK, trials // 10, flat(stuck, 0.0))
    fault_row("no response, 12 +- 0.3", Status.NO_RESPONSE, trials, flat(12.0, 0.3))
    fault_row("no response, 12 +- 2", Status.NO_RESPONSE, trials, flat(12.0, 2.0))
    fault_row("no response, 30 +- 1", Status.NO_RESPONSE, trials, flat(30.0, 1.0))
    fault_row(
        "overloaded above -40, start -25",
        Status.NOT_MONOTONIC,
        trials,
        lambda g: (curve(None, start_db=-25.0)[0], receiver(g, g.uniform(-124, -108), overload_db=-40.0)),
    )
    for name, missing in (("segment 9 missing", 9),):

        def broken(rng, missing=missing):
            unit, settling, segment, _ = bar(rng, missing=missing)
            return SwitchingSearch(
                window_db=(-110.0, -50.0), segment=segment, settling=settling
            ), unit.measure

        fault_row(name, Status.SEGMENT_MISSING, trials, broken)
    for count in (0, 4, 12):

        def frozen(rng, count=count):
            unit, settling, segment, _ = bar(rng, frozen=count)
            return SwitchingSearch(
                window_db=(-110.0, -50.0), segment=segment, settling=settling
            ), unit.measure

        expected = Status.STUCK if count else Status.NEVER_REACHED
        fault_row(f"bar stuck at {count} segments", expected, trials, frozen)
    for name, state, expected in (
        ("squelch never opens", False, Status.NEVER_REACHED),
        ("squelch always open", True, Status.ALREADY_PAST),
    ):
        fault_row(
            name,
            expected,
            trials // 10,
            lambda _g, state=state: (SwitchingSearch(window_db=(-130.0, -60.0)), lambda _a: state),
        )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=100)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    trials, SEED[0] = options.trials, options.seed
    print("receivers:", len(tables()), flush=True)
    if options.only in ("", "sinad"):
        for accuracy in (1.0, 0.5, 0.25):
            sinad_row(f"SINAD 12 dB +-{accuracy} informed", accuracy, informed, trials, kinds="fm")
            sinad_row(f"SINAD 12 dB +-{accuracy} blind", accuracy, blind, trials)
        sinad_row("SINAD +-0.5, no prior at all", 0.5, lambda _t: None, trials)
        sinad_row("SINAD +-0.5 blind, 2 % outliers", 0.5, blind, trials, outliers=0.02)
        for step in (0.1, 0.5, 1.0):
            sinad_row(f"SINAD +-0.5 blind, resolution {step}", 0.5, blind, trials, step=step)
        sinad_row("SINAD +-0.5 blind, drift 1 dB/min", 0.5, blind, trials, drift_db_per_s=1 / 60)
        sinad_row(
            "SINAD +-0.5 blind, a person (T=0.5 only)",
            0.5,
            blind,
            trials,
            settings={"reading_s": 0.5, "budget": 15},
        )
        sinad_row("SINAD +-0.5 blind, window 110 dB", 0.5, blind, trials, window_db=(-130.0, -20.0))
    if options.only in ("", "baseline"):
        baseline_rows(trials)
    if options.only in ("", "needle"):
        for accuracy in (1.0, 0.5, 0.25):
            needle_row(f"needle S9 +-{accuracy}", accuracy, 10 * trials)
        needle_row("needle S9 +-0.5, no prior", 0.5, 10 * trials, prior=False)
        needle_row("needle S9 +-0.5, tau unknown (0.4 told)", 0.5, 10 * trials, known=False)
        needle_row("needle S9 +-0.5, fall 3x slower, known", 0.5, 10 * trials, slow_fall=3.0)
        needle_row("needle S9 +-0.5, fall 3x slower, unknown", 0.5, 10 * trials, slow_fall=3.0, known=False)
        needle_row("needle S9 +-0.5, resolution 20 mV", 0.5, 10 * trials, step=0.02)
    if options.only in ("", "switching"):
        switching_row("segment on and off +-0.5", 5 * trials, bar)
        switching_row("segment on only +-0.5", 5 * trials, bar, settings={"falling": False})
        switching_row("segment +-0.5, jitter 0.6", 5 * trials, lambda g: bar(g, jitter_db=0.6))
        switching_row("squelch +-0.5, the search's own defaults", 5 * trials, squelch)
        switching_row("squelch +-0.5, 2 % wrong answers", 5 * trials, lambda g: squelch(g, wrong=0.02))
    if options.only in ("", "switching", "shipped"):
        shipped_rows(trials)
    if options.only in ("", "switching", "lapses"):
        for lapses in (0.05, 0.2):
            for kind, make in (("squelch", squelch), ("segment", bar)):
                switching_row(f"{kind} +-0.5, {lapses:.0%} lapses", 5 * trials, make, lapses=lapses)
    if options.only in ("", "faults"):
        fault_rows(10 * trials)


if __name__ == "__main__":
    main()
