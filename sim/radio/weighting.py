"""Noise weightings of the audio instruments: none, psophometric and C-message.

Sources: points of ITU-T O.41 (0 dB at 800 Hz) and of C-message (0 dB at 1 kHz, PUB 41009) as public listings have
them; the documents themselves were not at hand. Between the points a monotonic cubic over log frequency (Fritsch and
Carlson 1980), beyond them nothing passes.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

WeightingName = Literal["flat", "psophometric", "C-message"]
Floats = NDArray[np.floating[Any]]

_POINTS: dict[str, tuple[tuple[float, float], ...]] = {
    "psophometric": (
        (16.66, -85.0), (50, -63.0), (100, -41.0), (200, -21.0), (300, -10.6), (400, -6.3), (500, -3.6),
        (600, -2.0), (700, -0.9), (800, 0.0), (900, 0.6), (1000, 1.0), (1200, 0.0), (1400, -0.9),
        (1600, -1.7), (1800, -2.4), (2000, -3.0), (2500, -4.2), (3000, -5.6), (3500, -8.5),
        (4000, -15.0), (4500, -25.0), (5000, -36.0), (6000, -43.0),
    ),
    "C-message": (
        (60, -55.7), (100, -42.5), (200, -25.1), (300, -16.3), (400, -11.2), (500, -7.7), (600, -5.0),
        (700, -2.8), (800, -1.3), (900, -0.3), (1000, 0.0), (1200, -0.4), (1300, -0.7), (1500, -1.2),
        (1800, -1.3), (2000, -1.1), (2500, -1.1), (2800, -2.0), (3000, -3.0), (3300, -5.1),
        (3500, -7.1), (4000, -14.6), (4500, -22.3), (5000, -28.7),
    ),
}  # fmt: skip


def weight(name: str, frequency_hz: Floats) -> Floats:
    """Return the power gain of a weighting at each frequency (1 is 0 dB); 0 beyond its table."""
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if name == "flat":
        return np.ones_like(frequency)
    x, y, slopes = _curve(name)
    at = np.log(np.maximum(frequency, 1e-3))
    index = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    width = x[index + 1] - x[index]
    t = (at - x[index]) / width
    db = (
        (1 + 2 * t) * (1 - t) ** 2 * y[index]
        + t * (1 - t) ** 2 * width * slopes[index]
        + t**2 * (3 - 2 * t) * y[index + 1]
        + t**2 * (t - 1) * width * slopes[index + 1]
    )
    return np.asarray(np.where((at < x[0]) | (at > x[-1]), 0.0, 10.0 ** (np.clip(db, -99, 9) / 10.0)))


@lru_cache(maxsize=4)
def _curve(name: str) -> tuple[Floats, Floats, Floats]:
    """Return log frequency, dB and slope at each point: harmonic means of neighbouring slopes, 0 at a turn."""
    if name not in _POINTS:
        raise ValueError(f"weighting {name!r} refused; there are flat, {', '.join(_POINTS)}")
    points = np.array(_POINTS[name])
    x, y = np.log(points[:, 0]), points[:, 1]
    chords = np.diff(y) / np.diff(x)
    left, right = chords[:-1], chords[1:]
    same = left * right > 0
    total = np.where(same, left + right, 1.0)
    inner = np.where(same, 2.0 * left * right / total, 0.0)
    return x, y, np.concatenate(([chords[0]], inner, [chords[-1]]))
