"""Tones at the microphone, and one common period of the wave they make."""

from __future__ import annotations

from math import ceil, gcd, log2
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.frozen import dataclass
from sim.radio.emission import Line

Floats = NDArray[np.floating[Any]]

_FINEST_HZ = 10  # of two tones, so that they have a common period of 0.1 s at most
_LEAST_POINTS = 256
_RATE_HZ = 128_000.0
_KEPT_DB = -100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """One tone at the microphone input: frequency and level (V rms)."""

    frequency_hz: float
    level_v: float


def sounding(tones: tuple[Tone, ...]) -> tuple[Tone, ...]:
    """Return the tones that are really there."""
    return tuple(tone for tone in tones if tone.level_v > 0 and tone.frequency_hz > 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """One common period of some tones: its frequency, its points, and the harmonic that each tone is.

    One tone keeps its frequency; two or more are taken to the nearest 10 Hz, beneath which no common period is
    practical (not modelled: tones between).
    """

    base_hz: float
    points: int
    harmonics: tuple[int, ...]

    def wave(self, amplitudes: tuple[float, ...]) -> Floats:
        """Return the sum of sines of those peak amplitudes."""
        angle = 2.0 * np.pi * np.arange(self.points) / self.points
        parts = [a * np.sin(h * angle) for a, h in zip(amplitudes, self.harmonics, strict=True)]
        return np.asarray(np.sum(parts, axis=0))

    def real_lines(self, wave: Floats) -> tuple[Line, ...]:
        """Return the lines of one period of a real wave, without its mean."""
        spectrum = 2.0 * np.fft.rfft(wave) / self.points
        return _lines(spectrum[1 : self.points // 2], np.arange(1, self.points // 2) * self.base_hz)

    def complex_lines(self, wave: NDArray[np.complex128]) -> tuple[Line, ...]:
        """Return the lines of one period of a complex wave."""
        spectrum = np.fft.fft(wave) / self.points
        return _lines(spectrum, np.fft.fftfreq(self.points, 1.0 / self.points) * self.base_hz)


def _lines(amplitudes: NDArray[np.complex128], frequencies_hz: Floats) -> tuple[Line, ...]:
    sizes = np.abs(amplitudes)
    kept = np.flatnonzero(sizes > max(float(sizes.max(initial=0.0)) * 10.0 ** (_KEPT_DB / 20.0), 1e-15))
    return tuple(Line(frequency_hz=float(frequencies_hz[k]), amplitude=complex(amplitudes[k])) for k in kept)


def common_period(tones: tuple[Tone, ...]) -> Period:
    """Return the period of one tone or more."""
    harmonics: tuple[int, ...] = (1,)
    if len(tones) == 1:
        base_hz = tones[0].frequency_hz
    else:
        tens = tuple(max(1, round(tone.frequency_hz / _FINEST_HZ)) for tone in tones)
        base = gcd(*tens)
        base_hz, harmonics = float(base * _FINEST_HZ), tuple(ten // base for ten in tens)
    points = max(_LEAST_POINTS, 1 << ceil(log2(_RATE_HZ / base_hz)))
    return Period(base_hz=base_hz, points=points, harmonics=harmonics)
