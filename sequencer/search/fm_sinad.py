"""Predict the SINAD of an FM receiver from carrier-to-noise density: discriminator noise and clicks, in closed form.

Only a prior is made of this: a search measures the receiver it has. Model: rectangular deviation d by a
tone, a Gaussian-like IF of noise bandwidth B (noise radius of gyration r = B/sqrt(12)), limiter,
discriminator, band-pass audio filter with optional 750 us de-emphasis (falling 6 dB per octave over the
speech band). Parabolic noise and clicks after Rice 1963 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Any

from sequencer.frozen import dataclass

DEEMPHASIS_S = 750e-6
"""Time constant that falls 6 dB per octave over the whole speech band; TIA practice, from memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FmCurve:
    """SINAD and its scatter as functions of 10 log10(C/N0 / 1 Hz).

    For one tone, deviation and pair of filters.
    """

    deviation_hz: float
    deemphasis: bool
    bandwidth_hz: float
    tone_hz: float
    audio_band_hz: tuple[float, float]

    def _audio(self) -> tuple[Any, Any, float]:
        """Return frequencies, power response and the tone's power response of the audio path."""
        return _audio_path(self.audio_band_hz, self.tone_hz, self.deemphasis)

    def _powers(self, density_db: Any) -> tuple[Any, Any, Any, float, float, Any]:
        """Return tone power, parabolic noise, click noise, their effective bandwidths and the click rate, at each density (N)."""
        import numpy as np

        density_hz = 10 ** (np.atleast_1d(density_db) / 10)
        rho = density_hz / self.bandwidth_hz
        freq_hz, audio, audio_tone = self._audio()
        step_hz = freq_hz[1] - freq_hz[0]
        kept = np.expm1(-rho) ** 2
        # The IF skirt also cuts the noise that the discriminator turns into audio: 1 dB at 6 kHz bandwidth.
        parabolic = freq_hz**2 * audio / (1 + (2 * freq_hz / self.bandwidth_hz) ** 16)
        rate = _click_rate(self.bandwidth_hz, self.deviation_hz, tuple(rho.tolist()))
        tone = self.deviation_hz**2 / 2 * audio_tone * kept
        noise = kept / density_hz * (parabolic.sum() * step_hz)
        clicks = 2 * rate * (audio.sum() * step_hz)
        width = parabolic.sum() ** 2 / (parabolic**2).sum() * step_hz
        click_width = audio.sum() ** 2 / (audio**2).sum() * step_hz
        return tone, noise, clicks, float(width), float(click_width), rate

    def ratios(self, density_db: Any) -> tuple[Any, Any]:
        """Return tone over noise power, and the relative standard deviation of the noise power of a 0.1 s reading, at each density."""
        import numpy as np

        tone, noise, clicks, width, click_width, rate = self._powers(density_db)
        total = noise + clicks
        clumped = 1 / click_width + 0.8 / np.maximum(rate, 1e-9)
        variance = ((noise / total) ** 2 / width + (clicks / total) ** 2 * clumped) / 0.1
        return tone / total, np.sqrt(variance)

    def clicks(self, density_db: Any) -> tuple[Any, Any, Any]:
        """Return what share of the noise power clicks are, how many come a second, and `ratios`' deviation without any, at each density."""
        import numpy as np

        _, noise, clicks, width, _, rate = self._powers(density_db)
        return clicks / (noise + clicks), rate, np.full_like(rate, math.sqrt(10 / width))

    def sinad_db(self, density_db: float) -> float:
        """Return SINAD at a carrier-to-noise density of ``density_db`` dBHz."""
        ratio, _ = self.ratios(density_db)
        return 10 * math.log10(1 + ratio[0])

    def sd_db(self, density_db: float, reading_s: float) -> float:
        """Return the standard deviation in dB of SINAD read for ``reading_s``."""
        (ratio,), (relative,) = self.ratios(density_db)
        return float(10 / math.log(10) * ratio / (1 + ratio) * relative * math.sqrt(0.1 / reading_s))

    def level_at(self, target_db: float) -> float:
        """Return the carrier-to-noise density in dBHz at which SINAD is ``target_db``.

        The top, 90, when never.
        """
        low, high = 20.0, 90.0
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if self.sinad_db(middle) < target_db else (low, middle)
        return high


@lru_cache(maxsize=32)
def _audio_path(band_hz: tuple[float, float], tone_hz: float, deemphasis: bool) -> tuple[Any, Any, float]:
    import numpy as np

    low_hz, high_hz = band_hz
    freq_hz = np.linspace(low_hz / 2, 1.6 * high_hz, 301)

    def response(hz: Any) -> Any:
        # A fourth-order band-pass: with a brick wall the scatter comes out a tenth too large.
        band = 1.0 / (1.0 + ((hz**2 - low_hz * high_hz) / (hz * (high_hz - low_hz))) ** 8)
        return band / (1.0 + (2 * np.pi * hz * DEEMPHASIS_S) ** 2) if deemphasis else band

    return freq_hz, response(freq_hz), float(response(np.array(tone_hz)))


@lru_cache(maxsize=32)  # a receiver with and one without de-emphasis click alike
def _click_rate(bandwidth_hz: float, deviation_hz: float, ratios: tuple[float, ...]) -> Any:
    """Return clicks a second at each carrier-to-noise ratio in the IF, averaged over the tone's swing."""
    import numpy as np

    rho, radius_hz = np.array(ratios), bandwidth_hz / math.sqrt(12)
    offset_hz = np.abs(deviation_hz * np.cos(np.linspace(0, np.pi, 65)[1:32:2]))[:, None]
    ratio = offset_hz / radius_hz
    beyond = _each(math.erfc, np.sqrt(rho * (1 + ratio**2)), far=0.0)
    within = _each(math.erf, ratio * np.sqrt(rho), far=1.0)
    return np.mean(np.hypot(radius_hz, offset_hz) * beyond + offset_hz * np.exp(-rho) * within, axis=0)


def _each(function: Callable[[float], float], values: Any, *, far: float) -> Any:
    """Return an error function of each value that is not negative; from 6 on it is ``far``, but for 2 parts in 10^17."""
    import numpy as np

    made, near = np.full(np.shape(values), far), values < 6.0
    made[near] = [function(value) for value in values[near].tolist()]
    return made
