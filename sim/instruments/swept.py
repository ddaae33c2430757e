"""What a swept analyser makes of lines and noise: its mixer, its filter, and how it forms one point of a trace.

Filter: four equal synchronous poles, as the analogue filters of such instruments are (textbook): 3 dB at half the bandwidth either side.
Mixer: a third-order law y = z·(1 - |z|²/P) with P its intercept point in watts, at most its own maximum, and products of the second and the
third order at two and three times the frequency (textbook; the intercept points of an ordinary instrument, common practice, no source).
Noise in a power (rms) detector scatters as a gamma variable with as many degrees as bandwidth times dwell allows; the highest of as many
independent exponentials is drawn for a peak detector.

Not modelled: the ringing of a filter that is swept too fast (it only says so), video filters, logarithmic averaging, spurious
responses of its own, local-oscillator feed-through at 0 Hz.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.frozen import dataclass
from sim.radio.emission import Complexes
from sim.radio.spectrum import Wave

Floats = NDArray[np.floating[Any]]

THIRD_ORDER_W = 50e-3  # intercept points at the mixer: +17 dBm and +50 dBm
SECOND_ORDER_W = 100.0
_POLES = 4
_WIDTHS = 40.0  # beyond so many bandwidths a line is lost in every noise
_ROWS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixed:
    """What is behind the mixer: waves, and by how much a small signal beside the strongest is weakened (of amplitude)."""

    waves: tuple[Wave, ...]
    gain: float


def mixed(waves: tuple[Wave, ...]) -> Mixed:
    """Return what the mixer makes of waves at its input; the first of them is the strong one."""
    if not waves:
        return Mixed(waves=(), gain=1.0)
    strong = waves[0]
    power = np.abs(strong.samples) ** 2
    most_w = THIRD_ORDER_W / 3.0  # where the law turns back
    held = np.where(power > most_w, np.sqrt(most_w / np.maximum(power, 1e-30)), 1.0)
    limited = strong.samples * held
    out = limited * (1.0 - np.abs(limited) ** 2 / THIRD_ORDER_W)
    gain = max(0.0, 1.0 - 2.0 * min(float(np.mean(power)), most_w) / THIRD_ORDER_W)
    own = [
        Wave(centre_hz=strong.centre_hz, base_hz=strong.base_hz, samples=out),
        _product(strong, limited**2 / sqrt(SECOND_ORDER_W), 2),
        _product(strong, limited**3 / THIRD_ORDER_W, 3),
    ]
    others = [
        Wave(centre_hz=one.centre_hz, base_hz=one.base_hz, samples=one.samples * gain) for one in waves[1:]
    ]
    return Mixed(waves=(*own, *others), gain=gain)


def _product(strong: Wave, samples: Complexes, order: int) -> Wave:
    # a quarter turn on: what a product of its own does to a harmonic that is there depends on a phase nobody knows
    return Wave(centre_hz=order * strong.centre_hz, base_hz=strong.base_hz, samples=1j * samples)


def filter_amplitude(offset_hz: Floats, bandwidth_hz: float) -> Floats:
    """Return the amplitude gain of the resolution filter; it has no phase here."""
    pole_hz = bandwidth_hz / 2.0 / sqrt(2.0 ** (1.0 / _POLES) - 1.0)
    return np.asarray((1.0 + (offset_hz / pole_hz) ** 2) ** (-_POLES / 2.0))


def noise_bandwidth_hz(bandwidth_hz: float) -> float:
    """Return the noise bandwidth of the resolution filter: ∫(1 + x²)⁻⁴ dx is 5π/16 over the whole axis (textbook)."""
    pole_hz = bandwidth_hz / 2.0 / sqrt(2.0 ** (1.0 / _POLES) - 1.0)
    return pole_hz * 5.0 * np.pi / 16.0


def line_powers(waves: tuple[Wave, ...], at_hz: Floats, bandwidth_hz: float, *, peak: bool) -> Floats:
    """Return the power behind the filter at each frequency: its mean, or its highest value within a period."""
    found = np.zeros(len(at_hz))
    reach_hz = _WIDTHS * bandwidth_hz
    for wave in waves:
        lines_hz, amplitudes = wave.lines
        near = (lines_hz > at_hz[0] - reach_hz) & (lines_hz < at_hz[-1] + reach_hz)
        if not near.any():
            continue
        lines_hz, amplitudes = lines_hz[near], amplitudes[near]
        reached = (at_hz > lines_hz.min() - reach_hz) & (at_hz < lines_hz.max() + reach_hz)
        some = at_hz[reached]
        if peak:
            found[reached] = np.maximum(
                found[reached], _peaks(wave, lines_hz, amplitudes, some, bandwidth_hz)
            )
        else:
            gains = filter_amplitude(some[:, None] - lines_hz[None, :], bandwidth_hz) ** 2
            found[reached] += gains @ (np.abs(amplitudes) ** 2)
    return found


def _peaks(wave: Wave, lines_hz: Floats, amplitudes: Complexes, at_hz: Floats, bandwidth_hz: float) -> Floats:
    orders = np.rint((lines_hz - wave.centre_hz) / wave.base_hz).astype(int)
    count = len(wave.samples)
    found = np.zeros(len(at_hz))
    for first in range(0, len(at_hz), _ROWS):  # in parts, so that the grid stays small
        some = at_hz[first : first + _ROWS]
        lines = np.zeros((len(some), count), dtype=np.complex128)
        lines[:, orders % count] = amplitudes * filter_amplitude(
            some[:, None] - lines_hz[None, :], bandwidth_hz
        )
        found[first : first + _ROWS] = np.max(np.abs(np.fft.ifft(lines, axis=1) * count) ** 2, axis=1)
    return found


def envelope(waves: tuple[Wave, ...], centre_hz: float, bandwidth_hz: float, time_s: Floats) -> Floats:
    """Return the power behind a filter that stands still, at each time."""
    found = np.zeros(len(time_s), dtype=np.complex128)
    for wave in waves:
        lines_hz, amplitudes = wave.lines
        near = np.abs(lines_hz - centre_hz) < _WIDTHS * bandwidth_hz
        through = amplitudes[near] * filter_amplitude(lines_hz[near] - centre_hz, bandwidth_hz)
        for line_hz, amplitude in zip(lines_hz[near] - centre_hz, through, strict=True):
            found += amplitude * np.exp(2j * np.pi * line_hz * time_s)
    return np.asarray(np.abs(found) ** 2)


def noisy(mean_w: Floats, independent: float, detector: str, rng: np.random.Generator) -> Floats:
    """Return noise powers as the detector shows them, ``independent`` values to a point."""
    if detector == "SAMPle":
        return np.asarray(mean_w * rng.exponential(size=len(mean_w)))
    if detector == "RMS":
        degrees = max(1.0, independent)
        return np.asarray(mean_w * rng.gamma(degrees, 1.0 / degrees, size=len(mean_w)))
    many = max(1.0, independent)
    # the highest of n exponentials: the n-th root of an even number is its share
    share = rng.uniform(size=len(mean_w)) ** (1.0 / many)
    return np.asarray(mean_w * -np.log1p(-share))
