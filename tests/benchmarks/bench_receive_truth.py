"""How often what a receiver rejects, its audio response and its hum and noise lie within their uncertainty of the unit's truth, over seeds.

`python -m tests.benchmarks.bench_receive_truth --seeds 25`; one line a case, about a second a seed.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

from tests.sequencer.checks.receive import test_co_channel_rejection as co_channel
from tests.sequencer.checks.receive import test_hum_and_noise as hum
from tests.sequencer.checks.receive import test_intermodulation as products
from tests.sequencer.checks.receive import test_receive_audio_response as response
from tests.sequencer.checks.receive import test_spurious_response as spurious
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

BLOCKING = "blocking, channel: 20, wanted: -107 dBm, target: 14 dB SINAD, offsets: [1 MHz]"
for _mode in ("FM", "AM"):
    for _tone_hz in response.TONES_HZ:
        CASES[f"audio response, {_mode}, {_tone_hz:g} Hz"] = (
            response.CHECK[1:-1].removeprefix("check: ") + f", mode: {_mode}",
            "FM",
            response.quantity(_tone_hz),
            partial(response.true_response_db, SERIAL, _mode, _tone_hz),
        )
OF_OTHERS: dict[str, str] = {}
for _serial in (spurious.SOUND, spurious.FAULTY):
    for _name, _offset_hz in spurious.PLACES_HZ.items():
        OF_OTHERS[f"spurious response, {_name}, {_serial}"] = _serial
        CASES[f"spurious response, {_name}, {_serial}"] = (
            spurious.check(", orders: 1")[1:-1].removeprefix("check: "),
            "FM",
            f"spurious response, {_name}",
            partial(spurious.true_ratio_db, _serial, _offset_hz),
        )
    OF_OTHERS[f"intermodulation, {_serial}"] = _serial
    CASES[f"intermodulation, {_serial}"] = (
        products.CHECK[1:-1].removeprefix("check: "),
        "FM",
        products.QUANTITY,
        partial(products.true_ratio_db, _serial),
    )
    OF_OTHERS[f"blocking at 1 MHz, {_serial}"] = _serial
    CASES[f"blocking at 1 MHz, {_serial}"] = (
        BLOCKING,
        "FM",
        "blocking, +1 MHz",
        partial(spurious.true_ratio_db, _serial, 1e6),
    )


def main() -> None:
    """Run each case with each seed, and print how many lie within U, the spread and U."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seeds", type=int, default=25)
    asked.add_argument("--only", default="", help="of the cases those whose name holds this")
    given = asked.parse_args()
    seeds = given.seeds
    for case, (check, mode, quantity, truth) in CASES.items():
        if given.only not in case:
            continue
        serial = OF_OTHERS.get(case, SERIAL)
        true_db, off, wide = truth(), list[float](), list[float]()
        for seed in range(1, seeds + 1):
            with tempfile.TemporaryDirectory() as name:
                bench = write_bench(Path(name), seed=seed, interferer=INTERFERER)
                result = run_checks(Path(name), serial, f"{{check: {check}}}", mode=mode, bench=bench).found(
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
