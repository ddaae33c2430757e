"""An AM transmitter: carrier, both peaks of depth, limiter, cut-off troughs.

Sources: an AM envelope, its powers (carrier·(1 + m²/2), PEP carrier·(1 + m)²) and the cut-off at 100 % are textbook;
automatic limiting is asked for by 47 CFR 95.975. The limiter's curve is the one of FM, a choice.

Not modelled: carrier shift of the modulator, incidental FM, compression with time constants, splatter of cut-off
troughs beyond the lines kept.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.frozen import dataclass
from sim.radio.emission import Line
from sim.radio.speech_path import Period, Tone, common_period, sounding
from sim.radio.transmitter import soft_limit, with_harmonic, with_skew
from sim.radio.unit_modes import AmTransmitter

_NORMAL_DEPTH = 0.60
_AUDIO_CORNER_HZ = 4_500.0  # one pole
_MICROPHONE_LOW_HZ = 200.0
_NORMAL_TONE_HZ = 1_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EnvelopeModulation:
    """What tones do to the envelope: peaks above and below the carrier, mean square, highest square, lines."""

    positive_percent: float = 0.0
    negative_percent: float = 0.0
    mean_square: float = 1.0
    peak_square: float = 1.0
    distortion_percent: float = 0.0
    lines: tuple[Line, ...] = ()


def audio_gain(tone_hz: float) -> float:
    """Return the gain before the limiter relative to 1 kHz."""
    return _gain(tone_hz) / _gain(_NORMAL_TONE_HZ)


def _gain(tone_hz: float) -> float:
    coupled = 1.0 / (1.0 + (_MICROPHONE_LOW_HZ / tone_hz) ** 4)
    return float(coupled / np.sqrt(1.0 + (tone_hz / _AUDIO_CORNER_HZ) ** 2))


@lru_cache(maxsize=32)
def am_modulation(transmitter: AmTransmitter, tones: tuple[Tone, ...]) -> EnvelopeModulation:
    """Return what tones at the microphone do; none leaves the carrier alone."""
    tones = sounding(tones)
    if not tones:
        return EnvelopeModulation()
    period, limit = common_period(tones), transmitter.limit_percent / 100.0
    normal = _drive_through_limiter(min(0.999, _NORMAL_DEPTH / limit))
    drives = [normal * t.level_v / transmitter.microphone_v * audio_gain(t.frequency_hz) for t in tones]
    skew = transmitter.asymmetry_percent / 200.0
    distorted = with_harmonic(period, period.wave(tuple(drives)), transmitter.distortion_percent / 100.0)
    flawed = with_skew(limit * soft_limit(distorted), skew)
    envelope = np.maximum(0.0, 1.0 + flawed)
    mean = float(envelope.mean())
    lines = period.real_lines(envelope)
    if mean > 1.0 + 1e-9:  # troughs that are cut off lift the mean
        lines = (Line(frequency_hz=0.0, amplitude=complex(mean - 1.0)), *lines)
    return EnvelopeModulation(
        positive_percent=100.0 * (float(envelope.max()) - 1.0),
        negative_percent=100.0 * (1.0 - float(envelope.min())),
        mean_square=float(np.mean(envelope**2)),
        peak_square=float(envelope.max()) ** 2,
        distortion_percent=_distortion_percent(period, envelope),
        lines=lines,
    )


def _drive_through_limiter(share: float) -> float:
    """Return the drive whose limited peak is ``share`` of the limit: the limiter's curve, turned round."""
    low, high = 0.0, 50.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if float(soft_limit(np.array([middle]))[0]) < share else (low, middle)
    return high


def _distortion_percent(period: Period, envelope: NDArray[np.floating[Any]]) -> float:
    powers = np.abs(np.fft.rfft(envelope)[1:]) ** 2
    tones = sum(float(powers[harmonic - 1]) for harmonic in period.harmonics)
    return 100.0 * float(np.sqrt(max(0.0, 1.0 - tones / float(powers.sum()))))
