"""How often co-channel rejection and hum and noise lie within their uncertainty of the unit's truth, over seeds.

`python -m tests.benchmarks.bench_receive_truth --seeds 25`; one line a case, about a second a seed.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.sequencer.checks.receive import test_co_channel_rejection as co_channel
from tests.sequencer.checks.receive import test_hum_and_noise as hum
from tests.support.running import run_checks
from tests.support.truth import INTERFERER, write_bench

SERIAL = "MX40-0101"
CASES: dict[str, tuple[str, str, str, Callable[[], float]]] = {
    "co-channel rejection beside the sensitivity": (
        "co_channel_rejection, channel: 20",
        "FM",
        co_channel.QUANTITY,
        lambda: co_channel.true_ratio_db(SERIAL, 12.0),
    ),
    "co-channel rejection at -107 dBm, 14 dB": (
        "co_channel_rejection, channel: 20, wanted: -107 dBm, target: 14 dB SINAD",
        "FM",
        co_channel.QUANTITY,
        lambda: co_channel.true_ratio_db(SERIAL, 14.0, -107.0),
    ),
    "hum and noise, FM, -47 dBm": (
        "hum_and_noise, channel: 20",
        "FM",
        hum.QUANTITY,
        lambda: hum.true_ratio_db(SERIAL, "FM", -47.0),
    ),
    "hum and noise, AM, -47 dBm": (
        "hum_and_noise, channel: 20, mode: AM",
        "FM",
        hum.QUANTITY,
        lambda: hum.true_ratio_db(SERIAL, "AM", -47.0),
    ),
    "hum and noise, FM, -107 dBm": (
        "hum_and_noise, channel: 20, level: -107 dBm",
        "FM",
        hum.QUANTITY,
        lambda: hum.true_ratio_db(SERIAL, "FM", -107.0),
    ),
}


def main() -> None:
    """Run each case with each seed, and print how many lie within U, the spread and U."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seeds", type=int, default=25)
    seeds = asked.parse_args().seeds
    for case, (check, mode, quantity, truth) in CASES.items():
        true_db, off, wide = truth(), list[float](), list[float]()
        for seed in range(1, seeds + 1):
            with tempfile.TemporaryDirectory() as name:
                bench = write_bench(Path(name), seed=seed, interferer=INTERFERER)
                result = run_checks(Path(name), SERIAL, f"{{check: {check}}}", mode=mode, bench=bench).found(
                    quantity
                )
            if result.value is not None and result.uncertainty is not None:
                off.append(result.value - true_db)
                wide.append(result.uncertainty)
        within = sum(abs(one) <= u for one, u in zip(off, wide, strict=True))
        print(
            f"{case}: truth {true_db:.2f} dB; {within} of {seeds} within U; off {statistics.fmean(off):+.2f} dB in the mean, "
            f"{max(map(abs, off)):.2f} at the most; U {statistics.fmean(wide):.2f} dB",
            flush=True,
        )


if __name__ == "__main__":
    main()
