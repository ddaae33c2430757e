"""An FM transmitter: power against supply and heat, carrier frequency, modulation, supply current.

Sources. Power follows the square of the supply voltage and current follows the voltage, as in a class-C
stage into a fixed load (common textbook result). Pre-emphasis is a single zero of the stated time
constant, normalised at 1 kHz. The limiter clips symmetrically and softly, and the filter after it is two
equal real poles: its step response does not overshoot, so that ``max_deviation_hz`` bounds the peak at any
drive. The curve of the limiter is a choice, no source.

Not modelled: harmonics and spurious emissions, AM on the carrier, key-up transients and splatter spectrum,
supply ripple, load mismatch (the load is 50 ohm or absent), microphone noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from sim.unit import Transmitter

_LIMITER_SHARPNESS = 6.0  # y = x / (1 + |x|^p)^(1/p)
_SPLATTER_CORNER_HZ = 4_500.0
_MICROPHONE_LOW_HZ = 200.0
_POINTS = 256
_NORMAL_TONE_HZ = 1_000.0
_NORMAL_SHARE = 0.60


@dataclass(frozen=True, slots=True, kw_only=True)
class Emission:
    """What leaves the antenna connector.

    Deviations are peaks from the carrier, both positive numbers; ``residual_deviation_hz`` (rms) stays
    without tone; ``tone_hz`` is 0 without modulation; ``distortion_percent`` is of the demodulated tone,
    relative to the total.
    """

    power_w: float
    frequency_hz: float
    deviation_positive_hz: float
    deviation_negative_hz: float
    tone_hz: float
    distortion_percent: float
    residual_deviation_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Modulation:
    """The deviation that a tone at the microphone causes."""

    positive_hz: float
    negative_hz: float
    distortion_percent: float


def supply_ratio(transmitter: Transmitter, supply_v: float) -> float:
    """Return the supply voltage relative to nominal, 0 where the transmitter has stopped."""
    return supply_v / transmitter.nominal_supply_v if supply_v >= transmitter.minimum_supply_v else 0.0


def carrier_power_w(transmitter: Transmitter, supply_v: float, rise_c: float) -> float:
    """Return the carrier power, W, with the output stage ``rise_c`` warmer than the room."""
    heat = rise_c / transmitter.heat_rise_c if transmitter.heat_rise_c > 0 else 0.0
    loss_db = transmitter.hot_loss_db * heat
    return float(transmitter.power_w * supply_ratio(transmitter, supply_v) ** 2 * 10.0 ** (-loss_db / 10.0))


def transmit_current_a(transmitter: Transmitter, supply_v: float) -> float:
    """Return the current the unit draws keyed, A."""
    return transmitter.idle_a + transmitter.transmit_a * supply_ratio(transmitter, supply_v)


def microphone_gain(transmitter: Transmitter, tone_hz: float) -> float:
    """Return the gain before the limiter relative to 1 kHz: microphone coupling and pre-emphasis."""
    return _gain_before_limiter(transmitter, tone_hz) / _gain_before_limiter(transmitter, _NORMAL_TONE_HZ)


def _gain_before_limiter(transmitter: Transmitter, tone_hz: float) -> float:
    emphasis = sqrt(1.0 + (2.0 * pi * tone_hz * transmitter.preemphasis_s) ** 2)
    return emphasis / (1.0 + (_MICROPHONE_LOW_HZ / tone_hz) ** 4)


def _limit(drive: NDArray[np.float64]) -> NDArray[np.float64]:
    p = _LIMITER_SHARPNESS
    return drive / (1.0 + np.abs(drive) ** p) ** (1.0 / p)


def _swing(peak_drive: float, tone_hz: float) -> NDArray[np.float64]:
    """Return one period of the deviation, relative to the limiter's level, after limiter and filter."""
    wave = _limit(peak_drive * np.sin(2.0 * pi * np.arange(_POINTS) / _POINTS))
    harmonics = np.arange(_POINTS // 2 + 1)
    return np.fft.irfft(
        np.fft.rfft(wave) / (1.0 + 1j * harmonics * tone_hz / _SPLATTER_CORNER_HZ) ** 2, _POINTS
    )


def _drive_for_normal_modulation() -> float:
    """Find, by halving, the drive at 1 kHz that swings 60 % of the limit."""
    low, high = 0.0, 2.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        too_small = float(_swing(middle, _NORMAL_TONE_HZ).max()) < _NORMAL_SHARE
        low, high = (middle, high) if too_small else (low, middle)
    return high


_NORMAL_DRIVE = _drive_for_normal_modulation()


def modulation(transmitter: Transmitter, tone_hz: float, level_v: float) -> Modulation:
    """Return the deviation for a microphone tone of ``level_v`` (rms); no tone gives none."""
    if level_v <= 0 or tone_hz <= 0:
        return Modulation(positive_hz=0.0, negative_hz=0.0, distortion_percent=0.0)
    drive = _NORMAL_DRIVE * level_v / transmitter.microphone_v * microphone_gain(transmitter, tone_hz)
    swing = _swing(drive, tone_hz)
    lines = np.abs(np.fft.rfft(swing)[1:])
    harmonics = float(np.sqrt((lines[1:] ** 2).sum() / (lines**2).sum()))
    own = transmitter.distortion_percent / 100.0
    skew = transmitter.asymmetry_percent / 200.0
    return Modulation(
        positive_hz=transmitter.max_deviation_hz * float(swing.max()) * (1.0 + skew),
        negative_hz=transmitter.max_deviation_hz * float(-swing.min()) * (1.0 - skew),
        distortion_percent=100.0 * min(1.0, sqrt(harmonics**2 + own**2)),
    )
