"""Fit several tones to one record together, by least squares (Gauss-Newton), so that none leans on another.

Fitted one at a time, a tone takes what the others' skirts leave at its place for its own: two tones of 0.6 s read parts in a million off.
What noise leaves in each figure is told from the fit's own covariance, by the spectrum of what is left beside the tones: behind a
demodulator noise is not white. Of one tone in white noise that is the bound of Cramér and Rao, which the tests hold it to.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from numpy.typing import NDArray

    Floats = NDArray[np.floating[Any]]

MOST_STEPS = 20
BESIDE = (
    4,
    35,
)  # spectrum lines to either side of a tone that say how much noise there is at it: a Hann window's lobe is left out


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedTone:
    """One of several tones: frequency, Hz, peak in the unit of the samples, and the standard uncertainty that noise leaves in each."""

    frequency_hz: float
    peak: float
    frequency_doubt_hz: float
    peak_doubt: float


def fit_together(record: Floats, rate_hz: float, starts_hz: Sequence[float]) -> tuple[FittedTone, ...]:
    """Return the tones of least squares near ``starts_hz``, each within half a spectrum line of its start, with DC fitted beside them."""
    count, tones = len(record), len(starts_hz)
    seconds = count / rate_hz
    times_s = (np.arange(count) - (count - 1) / 2) / rate_hz
    starts = np.array(starts_hz, dtype=np.float64)
    found_hz = starts.copy()
    for _ in range(MOST_STEPS):
        rows = _waves(times_s, found_hz)
        weights = np.linalg.solve(rows @ rows.T, rows @ record)
        rows = np.concatenate([rows, _slopes(times_s, rows, weights, tones, seconds)])
        steps = np.linalg.solve(rows @ rows.T, rows @ record)[-tones:] / (math.pi * seconds)
        found_hz = np.clip(found_hz + steps, starts - 0.5 / seconds, starts + 0.5 / seconds)
        if np.all(np.abs(steps) < 1e-13 * found_hz):
            break
    rows = _waves(times_s, found_hz)
    weights = np.linalg.solve(rows @ rows.T, rows @ record)
    left = record - weights @ rows
    rows = np.concatenate([rows, _slopes(times_s, rows, weights, tones, seconds)])
    # how each unknown answers to each sample: what noise leaves in it is this, weighed by the noise's own spectrum
    answers = np.linalg.solve(rows @ rows.T, rows)
    doubts = np.sqrt(_variances(answers, _spectrum(left, rate_hz, found_hz)))
    peaks = np.hypot(weights[:tones], weights[tones : 2 * tones])
    return tuple(
        FittedTone(
            frequency_hz=float(found_hz[at]),
            peak=float(peaks[at]),
            frequency_doubt_hz=float(doubts[at - tones]) / (math.pi * seconds),
            peak_doubt=float(max(doubts[at], doubts[tones + at])),
        )
        for at in range(tones)
    )


def _waves(times_s: Floats, tones_hz: Floats) -> Floats:
    phases = 2 * np.pi * np.outer(tones_hz, times_s)
    return np.concatenate([np.cos(phases), np.sin(phases), np.ones((1, len(times_s)))])


def _slopes(
    times_s: Floats,
    waves: Floats,
    weights: Floats,
    tones: int,
    seconds: float,
) -> Floats:
    """Return how the record changes with each frequency, per radian over half the record: beside the waves no digits are lost."""
    cosines, sines = waves[:tones], waves[tones : 2 * tones]
    a, b = weights[:tones, None], weights[tones : 2 * tones, None]
    return np.asarray((b * cosines - a * sines) * times_s * (2 / seconds))


def _spectrum(left: Floats, rate_hz: float, tones_hz: Floats) -> Floats:
    """Return the variance of what is left, a spectrum line each; about a tone, which took its noise with it, that of the lines beside."""
    count = len(left)
    window = np.hanning(count)
    powers = np.abs(np.fft.rfft(left * window)) ** 2 / float(np.sum(window**2))
    seen = powers.copy()
    near, far = BESIDE
    for tone_hz in tones_hz:
        at = round(tone_hz * count / rate_hz)
        beside = np.r_[powers[max(1, at - far) : max(1, at - near)], powers[at + near + 1 : at + far + 1]]
        seen[max(0, at - near) : at + near + 1] = np.mean(beside)
    return seen


def _variances(answers: Floats, spectrum: Floats) -> Floats:
    """Return the variance of each unknown: the noise need not be white.

    Padded to twice the length: the ends of a record do not meet, and strong noise far off counts through them.
    """
    count = 2 * answers.shape[1]
    lines = np.fft.rfft(answers, count, axis=1)
    powers = np.interp(np.linspace(0.0, 1.0, lines.shape[1]), np.linspace(0.0, 1.0, len(spectrum)), spectrum)
    sides = np.full(lines.shape[1], 2.0)
    sides[[0, -1]] = 1.0
    return np.asarray(np.abs(lines) ** 2 @ (sides * powers) / count)
