"""An SSB and CW transmitter: PEP, ALC, suppressed carrier and sideband, intermodulation.

Sources: two equal tones at a PEP have an average of half of it, 3.01 dB below (47 CFR 2.1046 gives the tones); the
third-order products of a cubic stage y = z·(1 − a·|z|²) driven by two tones of half amplitude each are a/4 of a tone
whose gain has fallen to 1 − 3a/4 (textbook); beyond the cubic's own maximum the stage is flat.

Not modelled: ALC attack and its overshoot, speech, key clicks and shaping of CW, memory effects, products of order five
and higher apart from those of flat-topping, sideband noise.
"""

from __future__ import annotations

from functools import lru_cache
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.frozen import dataclass
from sim.radio.emission import Line
from sim.radio.speech_path import Tone, common_period, sounding
from sim.radio.unit_modes import SsbTransmitter

_FILTER_POLES = 8
_NORMAL_TONE_HZ = 1_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SidebandModulation:
    """What is sent relative to a rated PEP of 1: mean and peak power, mean envelope, lines beside the dial."""

    mean_square: float
    peak_square: float
    mean_envelope: float
    lines: tuple[Line, ...]


@lru_cache(maxsize=32)
def ssb_modulation(transmitter: SsbTransmitter, mode: str, tones: tuple[Tone, ...]) -> SidebandModulation:
    """Return what tones at the microphone send in USB or LSB; in CW the key sends a carrier and tones nothing."""
    if mode == "CW":
        return _sent((Line(frequency_hz=0.0, amplitude=1.0 + 0j),), np.ones(1, dtype=np.complex128))
    leak = 10.0 ** (-transmitter.carrier_suppression_db / 20.0)
    tones = sounding(tones)
    if not tones:
        return _sent(
            (Line(frequency_hz=0.0, amplitude=complex(leak)),), np.full(1, leak, dtype=np.complex128)
        )
    period = common_period(tones)
    amplitudes = _levelled(transmitter, tones)
    angle = 2j * np.pi * np.arange(period.points) / period.points
    image = 10.0 ** (-transmitter.sideband_suppression_db / 20.0)
    side = 1 if mode == "USB" else -1
    wave = np.full(period.points, leak, dtype=np.complex128)
    for harmonic, amplitude in zip(period.harmonics, amplitudes, strict=True):
        wave += amplitude * (np.exp(side * harmonic * angle) + image * np.exp(-side * harmonic * angle))
    wave = power_stage(wave, cubic(transmitter.third_order_db))
    return _sent(period.complex_lines(wave), wave)


def audio_gain(transmitter: SsbTransmitter, tone_hz: float) -> float:
    """Return the gain of the sideband filter and audio path relative to 1 kHz."""
    return _gain(transmitter, tone_hz) / _gain(transmitter, _NORMAL_TONE_HZ)


def _gain(transmitter: SsbTransmitter, tone_hz: float) -> float:
    low = 1.0 + (transmitter.audio_low_hz / tone_hz) ** (2 * _FILTER_POLES)
    high = 1.0 + (tone_hz / transmitter.audio_high_hz) ** (2 * _FILTER_POLES)
    return float(1.0 / sqrt(low * high))


def _levelled(transmitter: SsbTransmitter, tones: tuple[Tone, ...]) -> list[float]:
    """Return the tones' amplitudes behind the ALC, which holds their sum at the rated peak or its excess."""
    asked = [t.level_v / transmitter.microphone_v * audio_gain(transmitter, t.frequency_hz) for t in tones]
    limit = 10.0 ** (transmitter.alc_excess_db / 20.0)
    share = min(1.0, limit / max(sum(asked), 1e-30))
    return [amplitude * share for amplitude in asked]


def cubic(third_order_db: float) -> float:
    """Return ``a`` of y = z·(1 − a·|z|²) for third-order products that far below either of two tones at peak 1."""
    ratio = float(10.0 ** (-third_order_db / 20.0))
    return 4.0 * ratio / (1.0 + 3.0 * ratio)


def power_stage(wave: NDArray[np.complex128], a: float) -> NDArray[np.complex128]:
    """Return what the output stage makes of an envelope; its gain at a peak of 1 is 1."""
    size = np.abs(wave)
    turning = sqrt(1.0 / (3.0 * a)) if a > 0 else np.inf
    held = np.minimum(size, turning)
    gain = np.where(size > 0, held / np.maximum(size, 1e-30), 1.0) * (1.0 - a * held**2) / (1.0 - a)
    return np.asarray(wave * gain)


def _sent(lines: tuple[Line, ...], wave: NDArray[np.complexfloating[Any, Any]]) -> SidebandModulation:
    size = np.abs(wave)
    return SidebandModulation(
        mean_square=float(np.mean(size**2)),
        peak_square=float(size.max()) ** 2,
        mean_envelope=float(size.mean()),
        lines=lines,
    )
