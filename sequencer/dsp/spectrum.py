"""Figures from a spectrum: the power within a band, how it lies beside a carrier, and the bandwidth that holds 99 % of it.

A spectrum is given as powers at equal steps of frequency, each as a filter of a known noise bandwidth shows it (a swept analyser), or as a
density times its step (an estimate from samples). A band takes its points in full, and of the two at its edges the share that lies inside.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sequencer.dsp.samples import SamplesError, baseband_samples
from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

# Blackman and Harris's four-term window: side lobes of -92 dB, so that the carrier does not hide what lies beside it.
_WINDOW = (0.35875, -0.48829, 0.14128, -0.01168)
_OVERLAP = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerSpectrum:
    """Powers, W, at ``first_hz``, ``first_hz + step_hz``, …; each is that of ``step_hz`` of frequency about it."""

    powers_w: NDArray[np.float64]
    first_hz: float
    step_hz: float

    @property
    def last_hz(self) -> float:
        """Where the last point lies."""
        return self.first_hz + self.step_hz * (len(self.powers_w) - 1)

    def band_w(self, low_hz: float, high_hz: float) -> float:
        """Return the power between two frequencies. ValueError for a band that the spectrum does not hold."""
        half = self.step_hz / 2.0
        slack = 1e-6 * self.step_hz
        if not (
            low_hz < high_hz
            and low_hz >= self.first_hz - half - slack
            and high_hz <= self.last_hz + half + slack
        ):
            raise ValueError(
                f"{low_hz:g} to {high_hz:g} Hz lies outside {self.first_hz:g} to {self.last_hz:g} Hz"
            )
        at_hz = self.first_hz + self.step_hz * np.arange(len(self.powers_w))
        inside = np.minimum(at_hz + half, high_hz) - np.maximum(at_hz - half, low_hz)
        return float(np.sum(self.powers_w * np.clip(inside / self.step_hz, 0.0, 1.0)))

    @property
    def total_w(self) -> float:
        """The power of all of it."""
        return float(np.sum(self.powers_w))

    def highest_hz(self, low_hz: float, high_hz: float) -> float:
        """Return where the highest point between two frequencies lies."""
        first = max(0, math.ceil((low_hz - self.first_hz) / self.step_hz))
        last = min(len(self.powers_w) - 1, math.floor((high_hz - self.first_hz) / self.step_hz))
        return self.first_hz + self.step_hz * (first + int(np.argmax(self.powers_w[first : last + 1])))

    def edges_hz(self, outside: float) -> tuple[float, float]:
        """Return between which frequencies all but a share ``outside`` of the power lies on either side (0.005 each for 99 %)."""
        summed = np.concatenate(([0.0], np.cumsum(self.powers_w)))
        at_hz = self.first_hz - self.step_hz / 2.0 + self.step_hz * np.arange(len(summed))
        low, high = np.interp((outside * summed[-1], (1.0 - outside) * summed[-1]), summed, at_hz)
        return float(low), float(high)


def swept_spectrum(
    levels_dbm: ArrayLike, *, first_hz: float, step_hz: float, noise_bandwidth_hz: float
) -> PowerSpectrum:
    """Return a trace as powers of its steps: each point, as shown, holds ``noise_bandwidth_hz`` of what is there."""
    powers_w = 1e-3 * 10.0 ** (np.asarray(levels_dbm, dtype=np.float64) / 10.0)
    return PowerSpectrum(powers_w=powers_w * step_hz / noise_bandwidth_hz, first_hz=first_hz, step_hz=step_hz)


def sampled_spectrum(samples: ArrayLike, sample_rate_hz: float, *, step_hz: float) -> PowerSpectrum:
    """Return complex baseband samples (V peak about 0 Hz) as powers in 50 ohm: windowed parts of about 1/``step_hz``, averaged.

    SamplesError for fewer samples than one part has, or as `sequencer.dsp.samples` says. No trend is taken out: the carrier is one.
    """
    baseband = baseband_samples(samples, sample_rate_hz, 0.0)
    count = round(sample_rate_hz / step_hz)
    if len(baseband) < count:
        raise SamplesError(
            f"{len(baseband)} samples are too few for steps of {step_hz:g} Hz; record {count / sample_rate_hz:.3g} s or longer"
        )
    angle = 2.0 * math.pi * np.arange(count) / count
    window = sum(term * np.cos(order * angle) for order, term in enumerate(_WINDOW))
    starts = range(0, len(baseband) - count + 1, max(1, count // _OVERLAP))
    parts = [np.abs(np.fft.fft(baseband[at : at + count] * window)) ** 2 for at in starts]
    density = np.mean(parts, axis=0) / float(np.sum(np.asarray(window) ** 2)) / count
    ordered = np.fft.fftshift(density) / 2.0 / 50.0  # V peak: half of its square over 50 ohm
    return PowerSpectrum(
        powers_w=ordered,
        first_hz=-(count // 2) * sample_rate_hz / count,
        step_hz=sample_rate_hz / count,
    )
