"""Count how often the truth of a specimen lies within U of what the checks of the spectrum state: 25 seeds, sound and faulty units.

    python -m tests.benchmarks.bench_spectrum [--seeds 25]

Truth of adjacent power and bandwidth is summed from the unit's own wave (`tests/support/spectral.py`), that of lines stands in its file.
A bound ("at most") is held against the truth being below it. The witness must have seen nothing (`run` asserts it).
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

from sequencer.results.model import Result
from tests.support.multimode_desk import specimen
from tests.support.spectral import adjacent_db, emission, occupied_hz, results, run

CHANNEL_HZ = 27_205_000.0
DRIVEN = (
    "check: adjacent_channel_power, channel: 20, drive: 10 mV",
    "check: adjacent_channel_power, channel: 20, drive: 10 mV, read: samples",
    "check: occupied_bandwidth, channel: 20, drive: 10 mV",
    "check: occupied_bandwidth, channel: 20, drive: 10 mV, read: samples",
    "check: harmonics, channel: 20, up_to: 4",
    "check: spurious_emissions, channel: 20, mask: [{from: 15 MHz, to: 20 MHz, resolution_bandwidth: 10 kHz, max: 250 nW}]",
)
SERIALS = ("M40-0041", "M40-0007", "M40-0042", "M40-0043")
SENT: dict[str, tuple[str, dict[str, float]]] = {
    "M40-0071": (
        "check: signalling_sent, channel: 20, tone: 88.5 Hz",
        {"sub-audible tone": 88.5, "sub-audible tone, deviation": 300.0},
    ),
    "M40-0072": (
        "check: signalling_sent, channel: 20, code: D023N",
        {"digital code, bit rate": 134.4, "digital code, deviation": 320.0},
    ),
    "M40-0075": (
        "check: signalling_sent, channel: 20, tones: [770 Hz, 1209 Hz]",
        {
            "dual tone, lower": 770.0,
            "dual tone, higher": 1_209.0,
            "dual tone, deviation": 400.0 * (1.0 + 10.0**0.1),
            "dual tone, twist": 2.0,
        },
    ),
}
"""What specimens send beside speech, as their files state it."""
OBW_V = 0.010 * 10.0 ** (14.4 / 20.0)


def truths(serial: str) -> dict[str, float]:
    """Return what a specimen truly has, by quantity."""
    driven, wide = emission(serial, 1_250.0, 0.100), emission(serial, 2_500.0, OBW_V)
    sides = {"lower": -10e3, "upper": 10e3}
    found = {
        f"adjacent channel power ratio, {which}": adjacent_db(driven, CHANNEL_HZ, middle_hz, 8.5e3)
        for which, middle_hz in sides.items()
    }
    found |= {
        f"adjacent channel power, {which}": driven.power_w
        * 10.0 ** (-found[f"adjacent channel power ratio, {which}"] / 10.0)
        for which in sides
    }
    transmitter = specimen(serial).transmitter
    for order, level_db in enumerate(transmitter.harmonics_db[:3], start=2):
        found[f"harmonic {order} below carrier"] = -level_db
        found[f"harmonic {order}"] = driven.power_w * 10.0 ** (level_db / 10.0)
    for one in transmitter.spurious:
        found["spurious, 15 MHz to 20 MHz"] = driven.power_w * 10.0 ** (one.level_db / 10.0)
    return found | {"occupied bandwidth": occupied_hz(wide, CHANNEL_HZ)}


def judged(found: Iterator[Result], truth: dict[str, float], step: str) -> Iterator[tuple[str, str]]:
    """Yield of each result how it lies to the truth: within U, a bound that holds, beyond, or not measured."""
    for one in found:
        true = truth.get(one.quantity)
        if true is None:
            continue
        name = f"{one.quantity.rpartition(',')[0] or one.quantity}{step}"
        yield name, how_it_lies(one.value, one.uncertainty, one.bound, true)


def how_it_lies(value: float | None, uncertainty: float | None, bound: str, true: float) -> str:
    """Say how a result lies to the truth: "within" U, a "bound" that holds, "beyond", or "not measured"."""
    if value is None or uncertainty is None:
        return "not measured"
    if bound == "at most":
        return "bound" if true <= value + uncertainty else "beyond"
    if bound == "at least":
        return "bound" if true >= value - uncertainty else "beyond"
    return "within" if abs(value - true) <= uncertainty else "beyond"


def sent_beside_speech(seeds: int) -> int:
    """Print a line for each figure of what is sent beside speech; return 1 where less than 90 % lie within U."""
    poor = 0
    for serial, (check, truth) in SENT.items():
        counted: dict[str, list[str]] = defaultdict(list)
        for seed in range(1, seeds + 1):
            with tempfile.TemporaryDirectory() as folder:
                for one in (kept := results(run(Path(folder), serial, check, seed=seed))).values():
                    if (true := truth.get(one.quantity)) is not None:
                        counted[one.quantity].append(how_it_lies(one.value, one.uncertainty, one.bound, true))
        for name, found in counted.items():
            held = found.count("within")
            print(f"{serial}  {name:50} {held:3d} of {len(found):3d} within U ({kept[name].uncertainty:.2g})")
            poor |= held < 0.9 * len(found)
    return poor


def main() -> int:
    """Print a line for each quantity and specimen; return 1 where less than 90 % lie within U."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=25)
    parser.add_argument(
        "--signalling", action="store_true", help="what is sent beside speech, and nothing else"
    )
    asked = parser.parse_args()
    seeds, poor = asked.seeds, sent_beside_speech(asked.seeds)
    for serial in () if asked.signalling else SERIALS:
        truth = truths(serial)
        counted: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
        for seed in range(1, seeds + 1):
            with tempfile.TemporaryDirectory() as folder:
                rig = run(Path(folder), serial, *DRIVEN, seed=seed)
            for step in rig.plan.steps:
                by = ", from samples" if getattr(step.settings, "read", "") == "samples" else ""
                for name, how in judged(iter(rig.record.kept[step.index]), truth, by):
                    counted[name][how] += 1
        for name, found in counted.items():
            stated = found["within"] + found["bound"] + found["beyond"]
            held = found["within"] + found["bound"]
            print(
                f"{serial}  {name:50} {held:3d} of {stated:3d} hold, {found['bound']} of them bounds, {found['not measured']} not measured",
                flush=True,
            )
            poor |= stated > 0 and held < 0.9 * stated
    return int(poor)


if __name__ == "__main__":
    raise SystemExit(main())
