"""What the audio of a receiver holds, in closed form, and how one SINAD reading of it scatters.

Source: power of band-limited Gaussian noise over a time T scatters as a gamma variable with W·T degrees of freedom
(Rice 1944), clicks arrive as a Poisson number. ``CLICK_SCATTER`` was fitted to a waveform-level study of 24
receivers.

Not modelled: correlation between tone and noise within one reading beyond the notch's own width.
"""

from __future__ import annotations

from dataclasses import fields
from math import log10, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.frozen import dataclass
from sim.radio.unit import Receiver
from sim.radio.weighting import weight

CLICK_SCATTER = 0.80
AUDIO_STEP_HZ = 20.0
_AUDIO_POLES = 4

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioContent:
    """What the audio holds, as mean squares in the demodulator's own unit, and how fast its noise varies.

    The unit is Hz of deviation for FM and the AGC's full output for the other modes. ``tone_hz`` is where ``signal``
    is heard.
    """

    signal: float
    gaussian: float
    clicks: float
    distortion: float
    click_rate_hz: float
    gaussian_width_hz: float
    click_width_hz: float
    tone_hz: float = 1_000.0

    @property
    def residual(self) -> float:
        """Everything but the tone."""
        return self.gaussian + self.clicks + self.distortion

    @property
    def total(self) -> float:
        """Tone and everything else."""
        return self.signal + self.residual

    @property
    def sinad_db(self) -> float:
        """The SINAD that an infinitely long reading would show, 0 dB or more."""
        return 10.0 * log10(self.total / self.residual)


class AudioChain:
    """The audio filter of a receiver, de-emphasis if it has one, and the weighting of whoever listens."""

    def __init__(self, receiver: Receiver, *, deemphasis_s: float, weighting: str) -> None:
        self._receiver = receiver
        self._deemphasis_s = deemphasis_s
        self._weighting = weighting
        self.grid_hz = np.arange(10.0, 10_000.0, AUDIO_STEP_HZ)
        self.grid_gain = self.power_gain(self.grid_hz)

    def power_gain(self, frequency_hz: Floats) -> Floats:
        """Return the power gain of filter, de-emphasis (1 at 1 kHz) and weighting."""
        receiver, time_s = self._receiver, self._deemphasis_s
        high_pass = 1.0 / (1.0 + (receiver.audio_low_hz / frequency_hz) ** (2 * _AUDIO_POLES))
        low_pass = 1.0 / (1.0 + (frequency_hz / receiver.audio_high_hz) ** (2 * _AUDIO_POLES))
        deemphasis = 1.0 / (1.0 + (2.0 * pi * frequency_hz * time_s) ** 2)
        reference = 1.0 / (1.0 + (2.0 * pi * 1_000.0 * time_s) ** 2)
        filtered = high_pass * low_pass * deemphasis / reference
        if self._weighting == "flat":
            return np.asarray(filtered)
        return np.asarray(filtered * weight(self._weighting, frequency_hz))

    def gain_at(self, frequency_hz: float) -> float:
        """Return the power gain at one frequency."""
        return float(self.power_gain(np.array([max(frequency_hz, 1.0)]))[0])

    def weight_at(self, frequency_hz: float) -> float:
        """Return the power gain of the weighting alone."""
        if self._weighting == "flat":
            return 1.0
        return float(weight(self._weighting, np.array([frequency_hz]))[0])

    def integral(self, density: Floats) -> float:
        """Return the power of a spectrum that lies on the grid."""
        return float(density.sum()) * AUDIO_STEP_HZ


def width_hz(spectrum: Floats) -> float:
    """Return the width W for which a reading of T seconds holds W·T independent samples of power."""
    return float(spectrum.sum() ** 2 / (spectrum**2).sum()) * AUDIO_STEP_HZ


def average(parts: list[AudioContent]) -> AudioContent:
    """Return the mean of what the audio holds at several moments."""
    names = [field.name for field in fields(AudioContent)]
    return AudioContent(**{name: float(np.mean([getattr(part, name) for part in parts])) for name in names})


def draw_sinad_db(content: AudioContent, reading_s: float, rng: np.random.Generator) -> float:
    """Return one SINAD reading of ``reading_s`` seconds.

    The power of smooth noise scatters as a gamma variable with W·T degrees, clicks arrive as a Poisson
    number: hence the scatter falls with the square root of the time, and a short reading near threshold is
    skewed, as real ones are.
    """
    expected = content.click_rate_hz * reading_s / CLICK_SCATTER
    share = rng.poisson(expected) / expected if expected > 1e-6 else 1.0
    gaussian = content.gaussian * _unit_gamma(content.gaussian_width_hz * reading_s, rng)
    clicks = content.clicks * share * _unit_gamma(content.click_width_hz * reading_s, rng)
    residual = gaussian + clicks + content.distortion
    # The analyser's notch also takes the noise in its own bin, 1/T wide, for signal.
    in_notch = (gaussian + clicks) / (content.click_width_hz * reading_s) * rng.exponential()
    beat = 2.0 * sqrt(content.signal * in_notch) * float(np.cos(rng.uniform(0.0, 2.0 * pi)))
    signal = max(0.0, content.signal + beat + in_notch)
    return 10.0 * log10((signal + residual) / residual)


def _unit_gamma(degrees: float, rng: np.random.Generator) -> float:
    return float(rng.gamma(degrees, 1.0 / degrees))
