"""Print how the searches, with the settings that the checks ship, fare on receivers and meters that nobody told them of.

    python tests/benchmarks/bench_hidden_search.py [--trials 10] [--seed 0] [--only WORD]

Trials are per receiver type, meter or squelch. "covers" counts, of the levels stated as plainly found, those whose 95 % interval holds a
true crossing; "far off" those beyond twice their interval, of all trials; whatever else came of it stands behind with its count.
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import receivers
from bench_search import as_shipped
from bench_shipped_search import WINDOW_DB, BentMeter, fm_search, needle_search
from receivers import Bar, SinadReceiver, Squelch, Table, tables

from sequencer.search.protocol import Ask, Settling, Status, find_crossing
from sequencer.search.switching import SwitchingSearch
from sequencer.search.switching_grid import BAR

SEED = [0]
TONES_HZ = (400.0, 1200.0)
SOME_KINDS = (("fm", 6500.0, 1300.0, 1), ("fm", 9000.0, 2200.0, 0), ("fm", 12500.0, 2200.0, 1))


class Row:
    """Collects what each trial gave."""

    def __init__(self, name: str) -> None:
        self.name, self.readings, self.held, self.far = name, [], [], 0
        self.takes_any = "above on" in name  # what is not monotonic has a level as well
        self.statuses: collections.Counter[str] = collections.Counter()

    def add(self, got: Any, truths_db: Sequence[float], *, level: Any = None) -> None:
        """Note one trial; any of ``truths_db`` is right."""
        self.statuses[str(got.status)] += 1
        self.readings.append(got.readings)
        level = level or got
        if got.status is Status.FOUND or (got.status is Status.NOT_MONOTONIC and self.takes_any):
            off_db = min(abs(level.level_db - truth_db) for truth_db in truths_db) if truths_db else math.inf
            self.held.append(off_db <= level.half_width_db)
            self.far += off_db > 2 * max(level.half_width_db, 0.25)

    def print(self) -> None:
        """Print the line."""
        n, count = np.percentile(self.readings, [50, 95]), len(self.readings)
        covers = (
            f"covers {100 * np.mean(self.held):5.1f} % of {len(self.held)}" if self.held else "none found"
        )
        others = {k: v for k, v in self.statuses.items() if k != "found"}
        print(
            f"{self.name:42s} n {n[0]:3.0f}/{n[1]:3.0f}  {covers}, far off {100 * self.far / count:.1f} % of {count}",
            others or "",
            flush=True,
        )


def tone_tables(tone_hz: float) -> list[Table]:
    """Return tables of a few receivers for another tone, kept in the system's temporary folder."""
    path = Path(tempfile.gettempdir()) / f"search-receivers-{receivers.TABLE_VERSION}-{tone_hz:.0f}.npz"
    if not path.exists():
        kinds, usual_hz = receivers.KINDS, receivers.TONE_HZ
        receivers.KINDS, receivers.TONE_HZ = list(SOME_KINDS), tone_hz
        made = receivers.build_tables()
        receivers.KINDS, receivers.TONE_HZ = kinds, usual_hz
        arrays = {
            f"{key}{i}": np.array(getattr(table, name))
            for i, table in enumerate(made)
            for key, name in (("n", "name"), ("d", "density_db"), ("p", "power"), ("t", "tone"))
        }
        np.savez_compressed(path, **arrays)
    with np.load(path) as kept:
        return [
            Table(str(kept[f"n{i}"]), kept[f"d{i}"], kept[f"p{i}"], kept[f"t{i}"])
            for i in range(len(SOME_KINDS))
        ]


class Averaging:
    """An analyser that averages its SINAD exponentially, by ``tau_s``, and says nothing of it."""

    def __init__(self, unit: SinadReceiver, tau_s: float) -> None:
        self.unit, self.tau_s, self.shown_db = unit, tau_s, 0.0

    def measure(self, ask: Ask) -> float:
        """Read; the answer is the average at the reading's end."""
        reading_db, spent_s = self.unit.measure(ask), ask.wait_s + ask.reading_s
        self.shown_db = reading_db + (self.shown_db - reading_db) * math.exp(-spent_s / self.tau_s)
        return self.shown_db


class Late:
    """A generator whose level comes ``late_s`` after it was set, or slews there with ``slew_s``; an analyser ``behind`` readings behind."""

    def __init__(
        self, unit: SinadReceiver, *, late_s: float = 0.0, slew_s: float = 0.0, behind: int = 0
    ) -> None:
        self.unit, self.late_s, self.slew_s, self.shown = unit, late_s, slew_s, [0.0] * behind
        self.now_s, self.changes, self.come_db = 0.0, [(-math.inf, -100.0)], -100.0

    def measure(self, ask: Ask) -> float:
        """Set, wait, read."""
        if ask.level_db != self.changes[-1][1]:
            self.changes.append((self.now_s + self.late_s, ask.level_db))
            self._pass(0.035)
        self._pass(ask.wait_s)
        reading = self.unit.measure(Ask(level_db=self.come_db, wait_s=ask.wait_s, reading_s=ask.reading_s))
        self._pass(ask.reading_s)
        self.shown.append(reading)
        return self.shown.pop(0)

    def _pass(self, spent_s: float) -> None:
        self.now_s += spent_s
        set_db = [level_db for at_s, level_db in self.changes if at_s <= self.now_s][-1]
        left = math.exp(-spent_s / self.slew_s) if self.slew_s else 0.0
        self.come_db = set_db + (self.come_db - set_db) * left


class Attenuated:
    """A receiver that switches 3 dB of attenuation in above ``above_db``."""

    def __init__(self, unit: SinadReceiver, above_db: float) -> None:
        self.unit, self.above_db = unit, above_db

    def measure(self, ask: Ask) -> float:
        """Set, wait, read."""
        given, step_db = ask.level_db, 3.0 if ask.level_db > self.above_db else 0.0
        return self.unit.measure(Ask(level_db=given - step_db, wait_s=ask.wait_s, reading_s=ask.reading_s))


class Overloaded:
    """An analyser that answers 0 where the receiver is given more than ``above_db``."""

    def __init__(self, unit: SinadReceiver, above_db: float) -> None:
        self.unit, self.above_db = unit, above_db

    def measure(self, ask: Ask) -> float:
        """Set, wait, read."""
        reading = self.unit.measure(ask)
        return 0.0 if ask.level_db > self.above_db else reading


class Warming:
    """A receiver whose sensitivity changes by ``by_db`` while it warms up, by ``tau_s``."""

    def __init__(self, unit: SinadReceiver, by_db: float, tau_s: float) -> None:
        self.unit, self.by_db, self.tau_s = unit, by_db, tau_s

    def moved_db(self) -> float:
        """Return by how much its threshold lies higher now than at first."""
        return self.by_db * -math.expm1(-self.unit.bench.seconds / self.tau_s)

    def measure(self, ask: Ask) -> float:
        """Set, wait, read."""
        level_db = ask.level_db - self.moved_db()
        return self.unit.measure(Ask(level_db=level_db, wait_s=ask.wait_s, reading_s=ask.reading_s))


Made = tuple[Any, Sequence[float] | Callable[[], Sequence[float]]]


def sinad_row(
    name: str,
    trials: int,
    make: Callable[[SinadReceiver, float, np.random.Generator], Made],
    *,
    tone_hz: float = 1000.0,
    accuracy_db: float = 0.5,
    window_db: tuple[float, float] = WINDOW_DB,
    **faults: float,
) -> None:
    """Run the shipped search over every FM receiver; ``make`` returns what measures, and the true crossings."""
    row = Row(name)
    for number, table in enumerate(tables() if tone_hz == 1000.0 else tone_tables(tone_hz)):
        words = table.name.split()
        if words[0] != "fm":
            continue
        rng = np.random.default_rng([21, number, SEED[0]])
        for _ in range(trials):
            figure_db, top_db = rng.normal(7.0, 3.0), rng.uniform(28.0, 45.0)
            unit = SinadReceiver(table, 0.0, rng, ceiling_db=top_db, **faults)
            unit = SinadReceiver(table, -174 + figure_db + unit.offset_db, rng, ceiling_db=top_db, **faults)
            tone, noise = np.exp(unit.log_tone), np.exp(unit.log_noise)
            curve = 10 * np.log10(1 + tone / (noise + tone * 10 ** (-top_db / 10)))
            truth_db = float(np.interp(12.0, np.maximum.accumulate(curve), table.density_db)) - unit.offset_db
            measured, truths = make(unit, truth_db, rng)
            search = fm_search(
                float(words[3]),
                deemphasis="de-emph" in words,
                accuracy_db=accuracy_db,
                tone_hz=tone_hz,
                window_db=window_db,
            )
            got = find_crossing(search, measured.measure)
            row.add(got, truths() if callable(truths) else truths)
    row.print()


def as_it_is(unit: SinadReceiver, truth_db: float, _rng: np.random.Generator) -> Made:
    """Return the receiver and its crossing."""
    return unit, (truth_db,)


def attenuated(unit: SinadReceiver, truth_db: float, rng: np.random.Generator) -> Made:
    """Return a receiver that attenuates above a level from 6 dB below its threshold to 15 dB above."""
    above_db = truth_db + rng.uniform(-6.0, 15.0)
    crossings = [truth_db] if above_db > truth_db else []
    if above_db < truth_db + 3.0:
        crossings += [truth_db + 3.0, above_db] if above_db > truth_db else [max(above_db, truth_db + 3.0)]
    return Attenuated(unit, above_db), crossings


def overloaded(
    least_db: float, most_db: float
) -> Callable[[SinadReceiver, float, np.random.Generator], Made]:
    """Return what makes a receiver whose analyser answers 0 from so many dB above its threshold on."""

    def make(unit: SinadReceiver, truth_db: float, rng: np.random.Generator) -> Made:
        return Overloaded(unit, truth_db + rng.uniform(least_db, most_db)), (truth_db,)

    return make


def averaging(unit: SinadReceiver, truth_db: float, rng: np.random.Generator) -> Made:
    """Return a receiver behind an analyser that averages over 0.1 to 1 s."""
    return Averaging(unit, math.exp(rng.uniform(math.log(0.1), 0.0))), (truth_db,)


def late(
    **law: Callable[[np.random.Generator], float],
) -> Callable[[SinadReceiver, float, np.random.Generator], Made]:
    """Return what makes a receiver behind a generator that is late by that law, or an analyser that is behind."""

    def make(unit: SinadReceiver, truth_db: float, rng: np.random.Generator) -> Made:
        return Late(unit, **{name: one(rng) for name, one in law.items()}), (truth_db,)

    return make


def warming(unit: SinadReceiver, truth_db: float, rng: np.random.Generator) -> Made:
    """Return a receiver whose threshold moves by 1 to 4 dB within seconds to minutes; right is where it was while it was read."""
    made = Warming(unit, float(rng.choice((-1, 1))) * rng.uniform(1.0, 4.0), rng.uniform(2.0, 60.0))
    return made, lambda: tuple(truth_db + share * made.moved_db() for share in np.linspace(0.0, 1.0, 21))


class OddMeter(BentMeter):
    """A straight needle's line with an offset at no signal, a dead zone below, or coarse digits."""

    def at_rest_v(self, above_db: float) -> float:
        """Return the voltage so far above S9, at rest: not below ``floor`` V."""
        return max(super().at_rest_v(above_db), self.law.get("floor", 0.0))

    def measure(self, ask: Ask) -> float:
        """Set, wait, read in digits."""
        reading_v, digit_v = super().measure(ask), self.law.get("digit", 0.0)
        return round(reading_v / digit_v) * digit_v if digit_v else reading_v


def needle_row(name: str, trials: int, law: Callable[[np.random.Generator], dict[str, float]]) -> None:
    """Run the shipped search of S9."""
    row, rng = Row(name), np.random.default_rng([22, SEED[0]])
    for _ in range(10 * trials):
        tau_s, truth_db = math.exp(rng.uniform(math.log(0.2), 0.0)), rng.normal(-73.0, 6.0)
        usual = {
            "tau_s": tau_s,
            "bend": 0.0,
            "ratio": 1.0,
            "soft": 0.0,
            "noise_db": rng.uniform(0.2, 0.56),
            "volts_per_db": 0.0417 * math.exp(0.2 * rng.normal()),
        }
        made = law(rng)
        meter = OddMeter(truth_db, rng, **{**usual, **{k: v for k, v in made.items() if k != "told"}})
        search = needle_search(told_s=tau_s * made.get("told", 1.0) * math.exp(0.2 * rng.normal()))
        row.add(find_crossing(search, meter.measure), (truth_db,))
    row.print()


def squelch_row(
    name: str, trials: int, hysteresis_db: Callable[[np.random.Generator], float], *, lapses: float = 0.0
) -> None:
    """Run the search of both levels of a squelch; each level counts."""
    row, rng = Row(name), np.random.default_rng([23, SEED[0]])
    for _ in range(10 * trials):
        apart_db = hysteresis_db(rng)
        unit = Squelch(rng.uniform(-125, -65), apart_db, rng, jitter_db=rng.uniform(0.2, 0.8))
        search = as_shipped(None)
        got = find_crossing(search, lambda ask, unit=unit: unit.measure(ask) and rng.random() >= lapses)
        for level, truth_db in ((got.rising, unit.rising_db), (got.falling, unit.rising_db - apart_db)):
            row.add(got, (truth_db,), level=level)
    row.print()


def segment_row(name: str, trials: int, hysteresis_db: float | None) -> None:
    """Run the search of both levels of a bar's segment, as it is read off a line: lit or not; each level counts."""
    row, rng = Row(name), np.random.default_rng([24, SEED[0]])
    for _ in range(10 * trials):
        tau_s, apart_db = rng.uniform(0.2, 1.0), rng.uniform(1.0, 2.0)
        apart_db = apart_db if hysteresis_db is None else hysteresis_db
        unit = Bar(rng.uniform(-90, -60), apart_db, rng, tau_s, spacing_db=rng.uniform(3.0, 6.0))
        told_s = tau_s * math.exp(0.1 * rng.normal())
        search = SwitchingSearch(
            window_db=(-110.0, -50.0), settling=Settling(rise_s=told_s, fall_s=told_s), manner=BAR
        )
        got = find_crossing(search, lambda ask, unit=unit: unit.measure(ask)[unit.segment - 1])
        for level, truth_db in ((got.rising, unit.rising_db), (got.falling, unit.rising_db - apart_db)):
            row.add(got, (truth_db,), level=level)
    row.print()


def rows(trials: int) -> list[tuple[str, Callable[[str], None]]]:
    """Return the rows by name."""
    return [
        ("sound FM receiver", lambda name: sinad_row(name, trials, as_it_is)),
        ("3 dB attenuator switched near by", lambda name: sinad_row(name, trials, attenuated)),
        ("SINAD averaged by the analyser", lambda name: sinad_row(name, trials, averaging)),
        ("0 from 4 to 8 dB above on", lambda name: sinad_row(name, trials, overloaded(4.0, 8.0))),
        ("0 from 8 to 20 dB above on", lambda name: sinad_row(name, trials, overloaded(8.0, 20.0))),
        (
            "generator late by 0.05 to 0.2 s",
            lambda name: sinad_row(name, trials, late(late_s=lambda g: g.uniform(0.05, 0.2))),
        ),
        (
            "generator late by 0.2 to 0.5 s",
            lambda name: sinad_row(name, trials, late(late_s=lambda g: g.uniform(0.2, 0.5))),
        ),
        (
            "generator late by 0.5 to 2 s",
            lambda name: sinad_row(name, trials, late(late_s=lambda g: g.uniform(0.5, 2.0))),
        ),
        (
            "generator slews with 0.2 to 0.6 s",
            lambda name: sinad_row(name, trials, late(slew_s=lambda g: g.uniform(0.2, 0.6))),
        ),
        ("analyser a reading behind", lambda name: sinad_row(name, trials, late(behind=lambda _: 1))),
        ("sensitivity warms up", lambda name: sinad_row(name, trials, warming)),
        ("SINAD in steps of 1 dB", lambda name: sinad_row(name, trials, as_it_is, step=1.0)),
        (
            "SINAD in steps of 1 dB, +-0.25",
            lambda name: sinad_row(name, trials, as_it_is, step=1.0, accuracy_db=0.25),
        ),
        *(
            (
                f"tone of {tone_hz:.0f} Hz",
                lambda name, tone_hz=tone_hz: sinad_row(name, 4 * trials, as_it_is, tone_hz=tone_hz),
            )
            for tone_hz in TONES_HZ
        ),
        (
            "threshold above the window",
            lambda name: sinad_row(name, trials, lambda u, _t, _r: (u, ()), window_db=(-137.4, -127.0)),
        ),
        (
            "threshold below the window",
            lambda name: sinad_row(name, trials, lambda u, _t, _r: (u, ()), window_db=(-107.0, -20.0)),
        ),
        (
            "threshold about the window's bottom",
            lambda name: sinad_row(name, trials, as_it_is, window_db=(-118.0, -20.0)),
        ),
        (
            "threshold about the window's top",
            lambda name: sinad_row(name, trials, as_it_is, window_db=(-137.4, -118.0)),
        ),
        ("needle, sound", lambda name: needle_row(name, trials, lambda _: {})),
        (
            "needle, dead below -3 to -25 dB",
            lambda name: needle_row(name, trials, lambda g: {"floor": 2.25 - 0.0417 * g.uniform(3.0, 25.0)}),
        ),
        (
            "needle, 0.3 to 1 V at no signal",
            lambda name: needle_row(name, trials, lambda g: {"floor": g.uniform(0.3, 1.0)}),
        ),
        (
            "needle, steep, from an offset zero",
            lambda name: needle_row(
                name, trials, lambda g: {"floor": 1.2, "volts_per_db": 0.0417 * g.uniform(2.0, 3.5)}
            ),
        ),
        ("needle in digits of 1 dB", lambda name: needle_row(name, trials, lambda _: {"digit": 0.05})),
        ("squelch, hysteresis 1 to 6 dB", lambda name: squelch_row(name, trials, lambda g: g.uniform(1, 6))),
        ("squelch, no hysteresis", lambda name: squelch_row(name, trials, lambda g: 0.0)),
        ("squelch, hysteresis 0.5 dB", lambda name: squelch_row(name, trials, lambda g: 0.5)),
        ("squelch, hysteresis 1 dB", lambda name: squelch_row(name, trials, lambda g: 1.0)),
        ("segment, no hysteresis", lambda name: segment_row(name, trials, 0.0)),
        ("segment, hysteresis 1 to 2 dB", lambda name: segment_row(name, trials, None)),
        (
            "squelch, 20 % lapses",
            lambda name: squelch_row(name, trials, lambda g: g.uniform(1, 6), lapses=0.2),
        ),
    ]


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=10)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    SEED[0] = options.seed
    for name, run in rows(options.trials):
        if options.only in name:
            run(name)


if __name__ == "__main__":
    main()
