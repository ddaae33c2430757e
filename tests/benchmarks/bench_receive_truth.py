"""How often what a receiver rejects, lets out, opens for, and how it sounds lie within their uncertainty of the unit's truth, over seeds.

`python -m tests.benchmarks.bench_receive_truth --seeds 25`; one line a case, about a second a seed.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from math import log10
from pathlib import Path

from sequencer.results.model import Result
from tests.sequencer.checks.receive import test_co_channel_rejection as co_channel
from tests.sequencer.checks.receive import test_hum_and_noise as hum
from tests.sequencer.checks.receive import test_intermodulation as products
from tests.sequencer.checks.receive import test_receive_audio_response as response
from tests.sequencer.checks.receive import test_receiver_emissions as emissions
from tests.sequencer.checks.receive import test_signalling_received as signalling
from tests.sequencer.checks.receive import test_spurious_response as spurious
from tests.support.running import run_checks
from tests.support.spectral import results
from tests.support.spectral import run as run_spectral
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


def _opens(folder: Path, seed: int, *, serial: str, kind: str, quantity: str) -> Result:
    """Return the level at which a decoder opens or closes, on the bench with two sources of FM."""
    return signalling.run(folder, serial, signalling.KINDS[kind], seed=seed).found(quantity)


def _lets_out(folder: Path, seed: int, *, serial: str, quantity: str) -> Result:
    """Return what a receiver lets out, as dB of 1 mW: value and uncertainty of a power."""
    found = results(run_spectral(folder, serial, emissions.CHECK, seed=seed))[quantity]
    if found.value is None or found.uncertainty is None:
        return found
    level_dbm = 10.0 * log10(found.value * 1e3)
    return replace(found, value=level_dbm, uncertainty=10.0 * log10(1.0 + found.uncertainty / found.value))


BY_THEMSELVES: dict[str, tuple[Callable[[], float], Callable[[Path, int], Result]]] = {}
for _serial, _kind in (("M40-0091", "tone"), ("M40-0093", "tone"), ("M40-0094", "code")):
    for _quantity in (signalling.OPENS, signalling.CLOSES):
        BY_THEMSELVES[f"{_quantity}, {_kind}, {_serial}"] = (
            partial(signalling.true_level_dbm, _serial, _kind, closing=_quantity == signalling.CLOSES),
            partial(_opens, serial=_serial, kind=_kind, quantity=_quantity),
        )
for _serial, _quantity, _dbm in (
    ("M40-0041", emissions.FIRST, -78.0),
    ("M40-0044", emissions.FIRST, -52.0),
    ("M40-0044", emissions.HIGH, -52.0),
):
    BY_THEMSELVES[f"{_quantity}, {_serial}"] = (
        partial(float, _dbm),
        partial(_lets_out, serial=_serial, quantity=_quantity),
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
        _tell(case, true_db, seeds, off, wide)
    for case, (true_of, measure) in BY_THEMSELVES.items():
        if given.only not in case:
            continue
        true_db, off, wide = true_of(), list[float](), list[float]()
        for seed in range(1, seeds + 1):
            with tempfile.TemporaryDirectory() as name:
                result = measure(Path(name), seed)
            if result.value is not None and result.uncertainty is not None:
                off.append(result.value - true_db)
                wide.append(result.uncertainty)
        _tell(case, true_db, seeds, off, wide)


def _tell(case: str, true_db: float, seeds: int, off: list[float], wide: list[float]) -> None:
    within = sum(abs(one) <= u for one, u in zip(off, wide, strict=True))
    print(
        f"{case}: truth {true_db:.2f} dB; {within} of {seeds} within U; off {statistics.fmean(off):+.2f} dB in the mean, "
        f"{max(map(abs, off)):.2f} at the most; U {statistics.fmean(wide):.2f} dB",
        flush=True,
    )


if __name__ == "__main__":
    main()
