"""Print how often sound units on sound instruments, some of them slow, are not measured: false alarms of what judges a reading.

    python tests/benchmarks/bench_sound_instruments.py [--seeds 200] [--only NAME]

Each seed is a bench with its own errors, noise and connections, in virtual time. The settings are those that ship; a needle's and a
detector's own slowness is what the case's name says. Anything but a value is counted, with what was said of it.
"""

from __future__ import annotations

import argparse
import collections
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from tests.support.rig import Rig

HEAD = "sequence: Sound\nchannels: plans/cept-40.yaml\nmode: FM\ndecision_rule: simple\nsupply: 13.2 V\nrated_power: 5 W\nchecks:\n"
MARKS = "{S5: 1.7 V, S7: 1.95 V, S9: 2.25 V, S9+10 dB: 2.4 V}"
CASES: dict[str, tuple[str, float]] = {
    "S9, needle as told": ("  - {check: s9_point, channel: 20, target: 2.25 V}\n", 1.0),
    "S9, twice as slow as told": ("  - {check: s9_point, channel: 20, target: 2.25 V}\n", 2.0),
    "S9, needle four times slower, as told": ("  - {check: s9_point, channel: 20, target: 2.25 V, attack: 1.2 s, decay: 2.4 s}\n", 4.0),
    "curve, needle as told": (f"  - {{check: s_meter_curve, channel: 20, marks: {MARKS}}}\n", 1.0),
    "curve, twice as slow as told": (f"  - {{check: s_meter_curve, channel: 20, marks: {MARKS}}}\n", 2.0),
    "sensitivity": ("  - {check: sensitivity, channel: 20, target: 12 dB SINAD, deviation: 1.2 kHz}\n", 1.0),
    "audio output, distortion": (
        ("  - {check: audio_output, channel: 20, level: -47 dBm, load: 8 ohm}\n"
        "  - {check: receive_distortion, channel: 20, level: -47 dBm}\n"), 1.0,
    ),
    "power, frequency, deviation": (
        ("  - {check: carrier_power, channel: [1, 20]}\n  - {check: frequency_error, channel: 20}\n"
        "  - {check: peak_deviation, channel: 20, drive: 10 mV, above: 20 dB}\n"), 1.0,
    ),
}  # fmt: skip
"""What is asked, and how many times slower the specimen's needle is than the check is told."""


def main() -> int:
    """Print a line for each case."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--only", default="")
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for name, (checks, slower) in CASES.items():
            if told.only in name:
                _print(name, _sound(Path(folder), checks, slower, told.seeds))
    return 0


def _sound(folder: Path, checks: str, slower: float, seeds: int) -> list[Result]:
    """Return the results of that many seeds."""
    sequence = folder / "sequence.yaml"
    sequence.write_text(HEAD + checks, encoding="utf-8")
    loaded, found = load_bench("bench"), []
    for seed in range(1, seeds + 1):
        bench = replace(loaded, bench=loaded.bench.model_copy(update={"seed": seed}))
        rig = Rig(make_plan(load_sequence(str(sequence)), bench), "M40-0007")
        _slow(rig.simulation.wiring.unit, slower)
        rig.run()
        found += [one for kept in rig.record.kept.values() for one in kept]
    return found


def _slow(unit: Any, slower: float) -> None:
    """Make the specimen's needle that many times slower than it is."""
    lag = unit._meter._lag
    lag._attack_s *= slower
    lag._decay_s *= slower


def _print(name: str, found: list[Result]) -> None:
    lost = [one for one in found if one.value is None]
    print(f"{name:32s} {len(lost)} of {len(found)} results not measured", flush=True)
    for why, count in collections.Counter((one.quantity, one.note[:150]) for one in lost).most_common(8):
        print(f"      {count} times {why[0]}: {why[1]}")


if __name__ == "__main__":
    sys.exit(main())
