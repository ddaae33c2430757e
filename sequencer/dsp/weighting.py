"""Weight noise by how strongly each audio frequency counts.

Flat bands; psophometric (telephone, ITU-T O.41 = P.53), relative to 800 Hz; C-message, relative to 1 kHz. The
two curves are straight lines in dB over log frequency between the points of their tables, and go on at the
outermost slopes.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

# The points of O.41 as two public listings agree on them (the Recommendation itself was not at hand).
_PSOPHOMETRIC = (
    (16.66, -85.0), (50, -63.0), (100, -41.0), (200, -21.0), (300, -10.6), (400, -6.3), (500, -3.6),
    (600, -2.0), (700, -0.9), (800, 0.0), (900, 0.6), (1000, 1.0), (1200, 0.0), (1400, -0.9),
    (1600, -1.7), (1800, -2.4), (2000, -3.0), (2500, -4.2), (3000, -5.6), (3500, -8.5),
    (4000, -15.0), (4500, -25.0), (5000, -36.0), (6000, -43.0),
)  # fmt: skip
# The points of C-message as a public listing that cites PUB 41009 has them.
_C_MESSAGE = (
    (60, -55.7), (100, -42.5), (200, -25.1), (300, -16.3), (400, -11.2), (500, -7.7), (600, -5.0),
    (700, -2.8), (800, -1.3), (900, -0.3), (1000, 0.0), (1200, -0.4), (1300, -0.7), (1500, -1.2),
    (1800, -1.3), (2000, -1.1), (2500, -1.1), (2800, -2.0), (3000, -3.0), (3300, -5.1),
    (3500, -7.1), (4000, -14.6), (4500, -22.3), (5000, -28.7),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighting:
    """A noise weighting.

    ``upper_hz``: what samples must reach for it, half their rate. ``lower_hz`` to ``upper_hz``: the band
    where ``points`` is empty. ``points``: frequency in Hz and gain in dB, rising in frequency.
    """

    name: str
    upper_hz: float
    lower_hz: float = 0.0
    points: tuple[tuple[float, float], ...] = ()

    def power_gain(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the power gain at each frequency (0 or more): 1 is 0 dB."""
        frequency = np.asarray(frequency_hz, dtype=float)
        if not self.points:
            inside = (frequency >= self.lower_hz) & (frequency <= self.upper_hz)
            return np.asarray(inside.astype(float))
        with np.errstate(divide="ignore"):
            db = _interpolated(np.log(frequency), np.array(self.points))
        return np.asarray(10 ** (db / 10))

    def bin_gains(self, count: int, spacing_hz: float) -> NDArray[np.float64]:
        """Return the power gains of ``count`` spectrum lines from 0 Hz; one on a band edge counts in part."""
        centres = np.arange(count, dtype=np.float64) * spacing_hz
        if self.points:
            return self.power_gain(centres)
        upper = np.minimum(centres + spacing_hz / 2, self.upper_hz)
        lower = np.maximum(centres - spacing_hz / 2, self.lower_hz)
        return np.asarray(np.clip((upper - lower) / spacing_hz, 0.0, 1.0))


def band(lower_hz: float, upper_hz: float) -> Weighting:
    """Return a flat weighting of a band, its lower end 0 or more; ValueError the wrong way round."""
    if not 0 <= lower_hz < upper_hz < math.inf:
        raise ValueError(f"band {lower_hz} to {upper_hz} Hz: two frequencies are due, the lower first")
    return Weighting(name=f"flat {lower_hz:g} to {upper_hz:g} Hz", lower_hz=lower_hz, upper_hz=upper_hz)


SPEECH_BAND = band(300.0, 3000.0)
PSOPHOMETRIC = Weighting(name="psophometric, ITU-T O.41", upper_hz=4000.0, points=_PSOPHOMETRIC)
C_MESSAGE = Weighting(name="C-message", upper_hz=4000.0, points=_C_MESSAGE)


def _interpolated(log_frequency: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    x, y = np.log(points[:, 0]), points[:, 1]
    inside = np.interp(log_frequency, x, y)
    below = y[0] + (log_frequency - x[0]) * (y[1] - y[0]) / (x[1] - x[0])
    above = y[-1] + (log_frequency - x[-1]) * (y[-1] - y[-2]) / (x[-1] - x[-2])
    outside = np.where(log_frequency < x[0], below, above)
    return np.asarray(np.where((log_frequency < x[0]) | (log_frequency > x[-1]), outside, inside))
