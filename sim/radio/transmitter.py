"""An FM transmitter: power against supply and heat, carrier frequency, modulation, supply current.

Sources. Power follows the square of the supply voltage and current follows the voltage, as in a class-C
stage into a fixed load (common textbook result). Pre-emphasis is a single zero of the stated time
constant, normalised at 1 kHz. The limiter clips symmetrically and softly, and the filter after it is two
equal real poles: its step response does not overshoot, so that ``max_deviation_hz`` bounds the peak at any
drive. The curve of the limiter is a choice, no source.

Harmonics, spurious lines and noise are stated of a specimen as they are: nothing makes them of its stages.

Not modelled: AM on the carrier, key-up transients, supply ripple, load mismatch (the load is 50 ohm or absent), microphone noise.
"""

from __future__ import annotations

from functools import lru_cache
from math import pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.frozen import dataclass
from sim.radio.emission import Emission, Line
from sim.radio.speech_path import Period, Tone, common_period, sounding
from sim.radio.unit import Transmitter

__all__ = [
    "Emission",
    "Modulation",
    "carrier_power_w",
    "fm_modulation",
    "microphone_gain",
    "modulation",
    "power_ratio",
    "soft_limit",
    "supply_ratio",
    "transmit_current_a",
    "with_harmonic",
    "with_skew",
]

_LIMITER_SHARPNESS = 6.0  # y = x / (1 + |x|^p)^(1/p)
_SPLATTER_CORNER_HZ = 4_500.0
_MICROPHONE_LOW_HZ = 200.0
_NORMAL_TONE_HZ = 1_000.0
_NORMAL_SHARE = 0.6
_REAL_POLES = 2
_NORMAL_DRIVE = 0.6352168235437201
"""The drive at the normal tone that swings 60 % of the limit: found once, by halving, as its test does again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Modulation:
    """The deviation that tones at the microphone cause: peaks, distortion, and the lines of the wave.

    ``distortion_percent`` is everything but the tones, relative to the total.
    """

    positive_hz: float
    negative_hz: float
    distortion_percent: float
    lines: tuple[Line, ...] = ()


def supply_ratio(transmitter: Transmitter, supply_v: float) -> float:
    """Return the supply voltage relative to nominal, 0 where the transmitter has stopped."""
    return supply_v / transmitter.nominal_supply_v if supply_v >= transmitter.minimum_supply_v else 0.0


def power_ratio(transmitter: Transmitter, supply_v: float, rise_c: float) -> float:
    """Return the power relative to the stated one, with the output stage ``rise_c`` warmer than the room."""
    heat = rise_c / transmitter.heat_rise_c if transmitter.heat_rise_c > 0 else 0.0
    loss_db = transmitter.hot_loss_db * heat
    return float(supply_ratio(transmitter, supply_v) ** 2 * 10.0 ** (-loss_db / 10.0))


def carrier_power_w(transmitter: Transmitter, supply_v: float, rise_c: float) -> float:
    """Return the carrier power, W, with the output stage ``rise_c`` warmer than the room."""
    return transmitter.power_w * power_ratio(transmitter, supply_v, rise_c)


def transmit_current_a(transmitter: Transmitter, supply_v: float) -> float:
    """Return the current the unit draws keyed, A."""
    return transmitter.idle_a + transmitter.transmit_a * supply_ratio(transmitter, supply_v)


def microphone_gain(transmitter: Transmitter, tone_hz: float) -> float:
    """Return the gain before the limiter relative to 1 kHz: microphone coupling and pre-emphasis."""
    return _gain_before_limiter(transmitter, tone_hz) / _gain_before_limiter(transmitter, _NORMAL_TONE_HZ)


def _gain_before_limiter(transmitter: Transmitter, tone_hz: float) -> float:
    emphasis = sqrt(1.0 + (2.0 * pi * tone_hz * transmitter.preemphasis_s) ** 2)
    return emphasis / (1.0 + (_MICROPHONE_LOW_HZ / tone_hz) ** 4)


def soft_limit(drive: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    """Return what a soft symmetrical limiter passes; it never exceeds 1."""
    p = _LIMITER_SHARPNESS
    return np.asarray(drive / (1.0 + np.abs(drive) ** p) ** (1.0 / p))


def _swing(
    transmitter: Transmitter, period: Period, drive: NDArray[np.floating[Any]]
) -> NDArray[np.floating[Any]]:
    """Return one period of the deviation, relative to the most that is held, after limiter and filter."""
    return _filtered(transmitter, period, soft_limit(drive)) / _overshoot(transmitter)


def _filtered(
    transmitter: Transmitter, period: Period, wave: NDArray[np.floating[Any]]
) -> NDArray[np.floating[Any]]:
    turns = 1j * np.arange(period.points // 2 + 1) * period.base_hz / transmitter.splatter_hz
    poles = transmitter.splatter_poles
    response = np.ones_like(turns)
    if poles == _REAL_POLES:
        response = (1.0 + turns) ** 2
    else:
        for number in range(poles):
            response *= turns - np.exp(1j * pi * (2.0 * number + poles + 1.0) / (2.0 * poles))
    return np.asarray(np.fft.irfft(np.fft.rfft(wave) / response, period.points))


@lru_cache(maxsize=32)
def _overshoot(transmitter: Transmitter) -> float:
    """Return by how much a hard-driven tone swings beyond the limiter's level: a sharp filter overshoots, and is set so that it does not.

    ``max_deviation_hz`` bounds the peak at any drive; of the two real poles, which do not overshoot, nothing is taken.
    """
    if transmitter.splatter_poles == _REAL_POLES:
        return 1.0
    highest = 0.0
    for tone_hz in range(300, 3_001, 50):
        period = common_period((Tone(frequency_hz=float(tone_hz), level_v=1.0),))
        highest = max(highest, float(_filtered(transmitter, period, soft_limit(period.wave((30.0,)))).max()))
    return highest


@lru_cache(maxsize=32)
def _normal_drive(transmitter: Transmitter) -> float:
    """Return the drive at the normal tone that swings 60 % of the most that is held."""
    if transmitter.splatter_poles == _REAL_POLES and transmitter.splatter_hz == _SPLATTER_CORNER_HZ:
        return _NORMAL_DRIVE
    period = common_period((Tone(frequency_hz=_NORMAL_TONE_HZ, level_v=1.0),))
    low, high = 0.0, 10.0
    for _ in range(50):
        middle = (low + high) / 2.0
        swing = float(_swing(transmitter, period, period.wave((middle,))).max())
        low, high = (middle, high) if swing < _NORMAL_SHARE else (low, middle)
    return high


def modulation(transmitter: Transmitter, tone_hz: float, level_v: float) -> Modulation:
    """Return the deviation for a microphone tone of ``level_v`` (rms); no tone gives none."""
    return fm_modulation(transmitter, (Tone(frequency_hz=tone_hz, level_v=level_v),))


@lru_cache(maxsize=32)
def fm_modulation(transmitter: Transmitter, tones: tuple[Tone, ...]) -> Modulation:
    """Return the deviation for tones at the microphone; none gives none."""
    tones = sounding(tones)
    if not tones:
        return Modulation(positive_hz=0.0, negative_hz=0.0, distortion_percent=0.0)
    period = common_period(tones)
    gains = [microphone_gain(transmitter, tone.frequency_hz) for tone in tones]
    drives = [
        _normal_drive(transmitter) * t.level_v / transmitter.microphone_v * g
        for t, g in zip(tones, gains, strict=True)
    ]
    swing = _swing(transmitter, period, period.wave(tuple(drives)))
    skew = transmitter.asymmetry_percent / 200.0
    distorted = with_harmonic(period, period.wave(tuple(drives)), transmitter.distortion_percent / 100.0)
    flawed = with_skew(_swing(transmitter, period, distorted), skew)
    return Modulation(
        positive_hz=transmitter.max_deviation_hz * float(swing.max()) * (1.0 + skew),
        negative_hz=transmitter.max_deviation_hz * float(-swing.min()) * (1.0 - skew),
        distortion_percent=_distortion_percent(period, flawed),
        lines=period.real_lines(transmitter.max_deviation_hz * flawed),
    )


def with_skew(wave: NDArray[np.floating[Any]], skew: float) -> NDArray[np.floating[Any]]:
    """Return a modulation whose positive peaks are larger and negative ones smaller by the share ``skew``.

    It comes from a square term, as in any stage that is not straight.
    """
    square, peak = wave**2, float(np.abs(wave).max())
    bulge = square - float(square.mean())
    return np.asarray(wave + skew * peak * bulge / max(float(bulge.max()), 0.1 * peak**2))


def with_harmonic(period: Period, wave: NDArray[np.floating[Any]], share: float) -> NDArray[np.floating[Any]]:
    """Return a wave with a second harmonic of each tone, in quadrature, where it leaves the peaks alone."""
    spectrum = np.fft.rfft(wave)
    for harmonic in period.harmonics:
        line = spectrum[harmonic]
        if 2 * harmonic < len(spectrum) and abs(line) > 0:
            # sin θ is -j in a spectrum: its double in phase with sin 2θ is line²/|line| times j
            spectrum[2 * harmonic] += 1j * share * line**2 / abs(line)
    return np.asarray(np.fft.irfft(spectrum, period.points))


def _distortion_percent(period: Period, wave: NDArray[np.floating[Any]]) -> float:
    powers = np.abs(np.fft.rfft(wave)[1:]) ** 2
    tones = sum(float(powers[harmonic - 1]) for harmonic in period.harmonics)
    return 100.0 * sqrt(max(0.0, 1.0 - tones / float(powers.sum())))
