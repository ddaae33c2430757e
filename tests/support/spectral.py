"""What a specimen truly radiates beside its channel, summed from a long wave of its own, and runs on the bench with a spectrum analyser."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

import numpy as np

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from sim.radio.emission import SAMPLED_NOISE_DB, Emission, baseband
from tests.support.rig import Rig
from tests.support.truth import TrueUnit

BENCH = Path("sim/spectrum-bench.yaml")
HEAD = "sequence: Spectrum\nchannels: plans/cept-40.yaml\nmode: {mode}\nsupply: 13.2 V\nrated_power: 13 W\nchecks:\n"
RATE_HZ = 100_000.0


def run(
    folder: Path,
    serial: str,
    *checks: str,
    seed: int = 1,
    mode: str = "FM",
    bench: Path = BENCH,
    **changes: str,
) -> Rig:
    """Run checks on a specimen on a shipped bench with an analyser; ``changes`` are texts of the bench file and what stands for each."""
    write_files(folder, checks, seed=seed, mode=mode, bench=bench, changes=changes)
    plan = make_plan(
        load_sequence(str(folder / "sequence.yaml")), load_bench(str(folder / "bench.yaml")), serial=serial
    )
    rig = Rig(plan, serial)
    rig.run()
    assert rig.simulation.hazards == ()
    return rig


def write_files(
    folder: Path,
    checks: Sequence[str],
    *,
    seed: int,
    mode: str = "FM",
    bench: Path = BENCH,
    changes: Mapping[str, str] | None = None,
) -> None:
    """Write `bench.yaml` and `sequence.yaml` of such a run."""
    text = bench.read_text(encoding="utf-8").replace("seed: 1", f"seed: {seed}")
    text = text.replace("unit: units ", f"unit: {BENCH.resolve().parent / 'units'} ")
    for old, new in (changes or {}).items():
        text = text.replace(old, new)
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    items = "".join(f"  - {{{one}}}\n" for one in checks)
    (folder / "sequence.yaml").write_text(HEAD.format(mode=mode) + items, encoding="utf-8")


def results(rig: Rig) -> Mapping[str, Result]:
    """Return the results of a run by quantity."""
    return {one.quantity: one for kept in rig.record.kept.values() for one in kept}


@cache
def emission(
    serial: str, tone_hz: float, level_v: float, *, mode: str = "FM", second_hz: float = 0.0
) -> Emission:
    """Return what a specimen sends with a tone at its microphone, asked of a unit that no instrument stands before."""
    true = TrueUnit(serial, mode, 20)
    second_v = level_v if second_hz else 0.0
    true.unit.set_microphone(tone_hz, level_v, second_hz=second_hz, second_v=second_v)
    true.unit.key()
    sent = true.unit.emission()
    assert sent is not None
    return sent


@cache
def spectrum(sent: Emission, channel_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Return offsets from the channel, Hz, and the share of the power at each, of half a second of the emission's wave in one window."""
    rng = np.random.default_rng(11)
    count = round(0.5 * RATE_HZ)
    wave = baseband(sent, centre_hz=channel_hz, count=count, rate_hz=RATE_HZ, begin_s=0.0, rng=rng)
    angle = 2.0 * np.pi * np.arange(count) / count
    window = 0.35875 - 0.48829 * np.cos(angle) + 0.14128 * np.cos(2 * angle) - 0.01168 * np.cos(3 * angle)
    powers = np.abs(np.fft.fft(wave * window)) ** 2
    return np.fft.fftfreq(count, 1.0 / RATE_HZ), powers / float(powers.sum())


def adjacent_db(sent: Emission, channel_hz: float, middle_hz: float, width_hz: float) -> float:
    """Return how far the power in a band lies below the whole, dB; the noise of the unit's oscillator added as its density says."""
    offsets_hz, shares = spectrum(sent, channel_hz)
    inside = np.abs(offsets_hz - middle_hz) <= width_hz / 2.0
    low, high = abs(middle_hz) - width_hz / 2.0, abs(middle_hz) + width_hz / 2.0
    noise = 10.0 ** (sent.phase_noise_db / 10.0) * (1e8 * (1.0 / low - 1.0 / high) + 1e-5 * width_hz)
    if sent.phase_noise_db > SAMPLED_NOISE_DB:  # its samples hold it already
        noise = 0.0
    return -10.0 * math.log10(float(shares[inside].sum()) + noise)


def occupied_hz(sent: Emission, channel_hz: float) -> float:
    """Return the band of 99 % of the power, Hz: between the points at which half a per cent lies outside."""
    offsets_hz, shares = spectrum(sent, channel_hz)
    order = np.argsort(offsets_hz)
    summed = np.cumsum(shares[order])
    low, high = np.searchsorted(summed, (0.005, 0.995))
    return float(offsets_hz[order][high] - offsets_hz[order][low])
