"""Count how often the truth of a specimen lies within U of what is stated of how it comes up and goes, on benches by lot.

    python -m tests.benchmarks.bench_keying [--seeds 25] [--sockets 0]

Truth is the specimen's own law in steps of a microsecond (`tests/support/keyed_units.py`), with no samples between; the bench's own errors
(its relay's time among them) are drawn anew for each seed. ``--sockets`` runs as many over TCP, in real time. The witness must have seen
nothing (`run` asserts it; over sockets the run's own list does).
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Mapping
from math import exp
from pathlib import Path

from tests.support.keyed_units import CHANNEL_HZ, run, run_over_sockets, true_time_to_power_s, true_transient
from tests.support.multimode_desk import specimen

SERIALS = ("V5-0351", "V5-0352", "V5-0353", "V5-0354", "V5-0355")
CHECKS = ("check: time_to_power, channel: 5", "check: transient, channel: 5")
SAG = "check: power_over_time, channel: 5, over: 10 s"  # behind the others, which leave the unit warm, and not over sockets
JUST_FED_PPM = 0.31  # of these specimens in their first seconds: 0.7 less 0.4 that goes in minutes


def truths(serial: str, tuned_hz: float) -> Mapping[str, float]:
    """Return what a specimen truly does, by quantity."""
    transmitter = specimen(serial).transmitter  # at its nominal supply; from cold, by its one time constant
    sag_db = transmitter.hot_loss_db * (1.0 - exp(-10.0 / transmitter.heating_s))
    return {
        "time to power": true_time_to_power_s(serial),
        "power sag over 10 s": sag_db,
        **true_transient(serial, tuned_hz),
    }


def count(
    counted: dict[str, list[float]],
    results: Iterable[tuple[str, float | None, float | None]],
    truth: Mapping[str, float],
    widths: dict[str, list[float]],
) -> None:
    """Note of each result how far it lies from the truth in its own U; infinitely far where there is none."""
    for quantity, value, uncertainty in results:
        if value is None or uncertainty is None:
            counted[quantity].append(float("inf"))
            continue
        counted[quantity].append((value - truth[quantity]) / uncertainty)
        widths[quantity].append(uncertainty)


def main() -> int:
    """Print a line for each quantity and specimen; return 1 where less than 90 % lie within U."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=25)
    parser.add_argument("--sockets", type=int, default=0)
    asked = parser.parse_args()
    poor = 0
    for serial in SERIALS:
        counted: dict[str, list[float]] = defaultdict(list)
        widths: dict[str, list[float]] = defaultdict(list)
        for seed in range(1, (asked.sockets or asked.seeds) + 1):
            with tempfile.TemporaryDirectory() as folder:
                if asked.sockets:
                    told = run_over_sockets(Path(folder), serial, *CHECKS, seed=seed)
                    results = [(one["quantity"], one["value"], one["uncertainty"]) for one in told]
                else:
                    rig = run(Path(folder), serial, *CHECKS, SAG, seed=seed)
                    kept = [one for some in rig.record.kept.values() for one in some]
                    results = [(one.quantity, one.value, one.uncertainty) for one in kept]
            count(counted, results, truths(serial, CHANNEL_HZ * (1.0 + JUST_FED_PPM * 1e-6)), widths)
        for quantity, found in counted.items():
            held = sum(abs(one) <= 1.0 for one in found)
            wide = sum(widths[quantity]) / max(1, len(widths[quantity]))
            in_time = quantity.startswith(("time", "rise", "fall"))
            unit = f"{1e3 * wide:.3g} ms" if in_time else f"{wide:.3g} {'dB' if 'sag' in quantity else 'Hz'}"
            farthest = max(abs(one) for one in found)
            print(
                f"{serial}  {quantity:32} {held:3d} of {len(found):3d} hold, U {unit}, farthest {farthest:.2f} U",
                flush=True,
            )
            poor |= held < 0.9 * len(found)
    return int(poor)


if __name__ == "__main__":
    raise SystemExit(main())
