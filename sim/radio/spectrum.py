"""Where an emission lies in frequency: its own lines, harmonics and spurious lines, and the noise beside them.

The lines of a modulation are found from one whole period of its wave, sampled and transformed: no series, no approximation but the
sampling. A harmonic of order n carries the n-th power of the envelope and n times the phase, as a stage that is a little curved makes it
(textbook). Noise beside the carrier: residual frequency modulation as phase noise, its density over 2·f² (textbook, small angles), and
the oscillators' own, falling with the square of the offset to a floor; flat inside `NOISE_INNER_HZ`, where nothing can be told from the
carrier.

Not modelled: noise beside harmonics of its own making, modulation of spurious lines, signalling below speech, a receiver's own emission.
"""

from __future__ import annotations

from functools import lru_cache
from math import gcd, pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.frozen import dataclass
from sim.radio.emission import NOISE_BAND_HZ, SIDEBAND_MODES, Complexes, Emission, carrier_amplitude, periodic

Floats = NDArray[np.floating[Any]]

NOISE_INNER_HZ = 100.0
NOISE_FLOOR_BELOW_DB = 50.0
"""By how much the floor of an oscillator's noise lies below its noise at 10 kHz."""
_WIDE_HZ = 200e3
_LEAST_POINTS = 256
_STILL_HZ = 1_000.0  # the period of what has no modulation: any will do
_KEPT = 1e-8  # of the strongest line's amplitude: 160 dB


@dataclass(frozen=True, slots=True, kw_only=True)
class Wave:
    """One period of a complex envelope about ``centre_hz``, √W: its samples, and the frequency after which it repeats."""

    centre_hz: float
    base_hz: float
    samples: Complexes

    @property
    def lines(self) -> tuple[Floats, Complexes]:
        """The lines that it holds: their frequencies, Hz, and amplitudes, √W."""
        count = len(self.samples)
        amplitudes = np.fft.fft(self.samples) / count
        frequencies_hz = self.centre_hz + np.fft.fftfreq(count, 1.0 / count) * self.base_hz
        sizes = np.abs(amplitudes)
        kept = sizes > _KEPT * float(sizes.max(initial=0.0))
        return frequencies_hz[kept], amplitudes[kept]


@lru_cache(maxsize=16)
def wave_of(emission: Emission) -> Wave:
    """Return one period of the emission's own complex envelope, without its noise."""
    heard = [line.frequency_hz for line in emission.lines if line.frequency_hz]
    base_hz = gcd(*(round(10.0 * abs(one)) for one in heard)) / 10.0 if heard else _STILL_HZ
    count = _LEAST_POINTS
    while count * base_hz < 2.0 * _WIDE_HZ:
        count *= 2
    return Wave(centre_hz=emission.frequency_hz, base_hz=base_hz, samples=_samples(emission, base_hz, count))


def _samples(emission: Emission, base_hz: float, count: int) -> Complexes:
    if emission.mode in SIDEBAND_MODES:
        turns = np.arange(count) / count
        wave = np.zeros(count, dtype=np.complex128)
        for line in emission.lines:
            wave += line.amplitude * np.exp(2j * pi * round(line.frequency_hz / base_hz) * turns)
        return wave
    if emission.mode == "AM":
        envelope = np.maximum(0.0, 1.0 + periodic(emission.lines, 1.0 / base_hz, count))
        return np.asarray(carrier_amplitude(emission) * envelope, dtype=np.complex128)
    swing_hz = periodic(emission.lines, 1.0 / base_hz, count) if emission.lines else np.zeros(count)
    turning = np.fft.fft(swing_hz)
    orders = np.fft.fftfreq(count, 1.0 / count)
    turning[0] = 0.0  # a carrier's own place is its frequency
    turning[1:] /= 1j * orders[1:] * base_hz
    phase = np.fft.ifft(turning).real
    return np.asarray(np.sqrt(emission.power_w) * np.exp(1j * phase))


def harmonic(wave: Wave, order: int, level_db: float) -> Wave:
    """Return the emission's harmonic of ``order``, ``level_db`` below (as a negative number) at the wave's highest amplitude."""
    highest = float(np.abs(wave.samples).max(initial=0.0))
    share = wave.samples / highest if highest > 0 else wave.samples
    level = highest * 10.0 ** (level_db / 20.0)
    return Wave(
        centre_hz=order * wave.centre_hz, base_hz=wave.base_hz, samples=np.asarray(level * share**order)
    )


def noise_beside(emission: Emission, offset_hz: Floats) -> Floats:
    """Return the density of noise beside a line of the emission, W/Hz for each watt of that line."""
    away_hz = np.maximum(np.abs(offset_hz), NOISE_INNER_HZ)
    density = oscillator_noise(emission.phase_noise_db, offset_hz)
    low_hz, high_hz = NOISE_BAND_HZ
    if emission.mode == "FM" and emission.residual_deviation_hz > 0:
        per_hz = emission.residual_deviation_hz**2 / (high_hz - low_hz)
        inside = (away_hz >= low_hz) & (away_hz <= high_hz)
        density = density + np.where(inside, per_hz / (2.0 * away_hz**2), 0.0)
    if emission.mode == "AM" and emission.residual_depth_percent > 0:
        per_hz = (emission.residual_depth_percent / 100.0) ** 2 / (high_hz - low_hz)
        inside = (away_hz >= low_hz) & (away_hz <= high_hz)
        density = density + np.where(inside, per_hz / 2.0, 0.0)
    return np.asarray(density)


def oscillator_noise(at_10_khz_db: float, offset_hz: Floats) -> Floats:
    """Return an oscillator's noise, 1/Hz relative to its carrier, from its level 10 kHz away, dBc/Hz."""
    away_hz = np.maximum(np.abs(offset_hz), NOISE_INNER_HZ)
    at_10_khz = 10.0 ** (at_10_khz_db / 10.0)
    return np.asarray(at_10_khz * ((1e4 / away_hz) ** 2 + 10.0 ** (-NOISE_FLOOR_BELOW_DB / 10.0)))
