"""Read modulation and carrier frequency from complex baseband samples (I + jQ about the nominal carrier).

Peaks are those of the modulation behind a low-pass filter that is flat to ``audio_upper_hz``, found between
the samples as well. Not modelled: the receiver that made the samples, and noise on a weak carrier, which adds
to every peak. Deviation plus offset beyond half the sample rate folds back unseen.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sequencer.dsp.samples import SamplesError, baseband_samples, whole_cycles
from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

_TRANSITION = 1.4
"""The low-pass filter's stop band begins at this multiple of its pass band's end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FmReading:
    """Frequency modulation about the mean carrier: peak to either side and rms, Hz; carrier error, Hz."""

    positive_peak_hz: float
    negative_peak_hz: float
    rms_hz: float
    carrier_error_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AmReading:
    """Amplitude modulation in % of the mean carrier: peak, trough and rms; carrier in the samples' own unit.

    A trough stops at 100 %: an envelope cannot be negative.
    """

    positive_peak_percent: float
    negative_peak_percent: float
    rms_percent: float
    carrier_level: float


def read_fm(
    baseband: ArrayLike,
    sample_rate_hz: float,
    *,
    audio_upper_hz: float = 15_000.0,
    tone_hz: float | None = None,
) -> FmReading:
    """Read deviation and carrier error. ``tone_hz``: the modulating tone, to average over its whole cycles.

    SamplesError where the rate is below 2.8 times ``audio_upper_hz``, or as `sequencer.dsp.samples` says.
    """
    samples = _ready(baseband, sample_rate_hz, audio_upper_hz)
    carrier_error_hz = _carrier_error_hz(samples, sample_rate_hz, tone_hz)
    slope = _low_pass(sample_rate_hz, audio_upper_hz, derivative=True)
    turns = np.unwrap(np.angle(samples)) / (2 * np.pi)
    frequency_hz = np.convolve(turns, slope, mode="valid") - carrier_error_hz
    steady = whole_cycles(frequency_hz, sample_rate_hz, tone_hz) if tone_hz else frequency_hz
    return FmReading(
        positive_peak_hz=_peak(frequency_hz),
        negative_peak_hz=_peak(-frequency_hz),
        rms_hz=math.sqrt(float(np.mean(steady**2))),
        carrier_error_hz=carrier_error_hz,
    )


def read_am(
    baseband: ArrayLike,
    sample_rate_hz: float,
    *,
    audio_upper_hz: float = 15_000.0,
    tone_hz: float | None = None,
) -> AmReading:
    """Read modulation depth. ``tone_hz``: the modulating tone, to average over its whole cycles.

    SamplesError where the rate is below 2.8 times ``audio_upper_hz``, or as `sequencer.dsp.samples` says.
    """
    samples = _ready(baseband, sample_rate_hz, audio_upper_hz)
    envelope = np.convolve(np.abs(samples), _low_pass(sample_rate_hz, audio_upper_hz), mode="valid")
    steady = whole_cycles(envelope, sample_rate_hz, tone_hz) if tone_hz else envelope
    carrier = float(np.mean(steady))
    depth = envelope / carrier - 1
    return AmReading(
        positive_peak_percent=100 * _peak(depth),
        negative_peak_percent=100 * _peak(-depth),
        rms_percent=100 * float(np.std(steady)) / carrier,
        carrier_level=carrier,
    )


def frequency_over_time(
    baseband: ArrayLike, sample_rate_hz: float, *, audio_upper_hz: float
) -> NDArray[np.float64]:
    """Return the frequency against time, Hz from the nominal one, behind a low-pass filter that is flat to ``audio_upper_hz``.

    The first value is that of the sample at half the filter's length. SamplesError as of `read_fm`.
    """
    samples = _ready(baseband, sample_rate_hz, audio_upper_hz)
    turns = np.unwrap(np.angle(samples)) / (2 * np.pi)
    return np.convolve(turns, _low_pass(sample_rate_hz, audio_upper_hz, derivative=True), mode="valid")


def read_carrier_error_hz(
    baseband: ArrayLike, sample_rate_hz: float, *, tone_hz: float | None = None
) -> float:
    """Return the carrier's frequency less the nominal one, Hz; ``tone_hz`` if a tone modulates it."""
    samples = baseband_samples(baseband, sample_rate_hz, tone_hz or 0.0)
    return _carrier_error_hz(samples, sample_rate_hz, tone_hz)


def _ready(baseband: ArrayLike, sample_rate_hz: float, audio_upper_hz: float) -> NDArray[np.complex128]:
    if not (math.isfinite(audio_upper_hz) and audio_upper_hz > 0):
        raise SamplesError(f"audio band to {audio_upper_hz} Hz; its end must be above 0")
    samples = baseband_samples(baseband, sample_rate_hz, _TRANSITION * audio_upper_hz)
    length = len(_low_pass(sample_rate_hz, audio_upper_hz))
    if len(samples) < 4 * length:
        raise SamplesError(
            f"{len(samples)} samples are too few for an audio band to {audio_upper_hz:g} Hz; "
            f"record {4 * length} or more"
        )
    return samples


def _carrier_error_hz(samples: NDArray[np.complex128], sample_rate_hz: float, tone_hz: float | None) -> float:
    """Return the slope of the phase by least squares, the tone's swing and two harmonics beside it."""
    if tone_hz is not None:
        if not 0 < tone_hz < sample_rate_hz / 2:
            raise SamplesError(f"tone of {tone_hz} Hz in samples that reach {sample_rate_hz / 2:g} Hz")
        whole_cycles(samples, sample_rate_hz, tone_hz)
    turns = np.unwrap(np.angle(samples)) / (2 * np.pi)
    times = (np.arange(len(samples)) - (len(samples) - 1) / 2) / sample_rate_hz
    columns = [np.ones_like(times), times]
    for order in (1, 2, 3) if tone_hz else ():
        if order * (tone_hz or 0.0) < sample_rate_hz / 2:
            phase = 2 * np.pi * order * (tone_hz or 0.0) * times
            columns += [np.cos(phase), np.sin(phase)]
    return float(np.linalg.lstsq(np.column_stack(columns), turns, rcond=None)[0][1])


def _low_pass(sample_rate_hz: float, upper_hz: float, *, derivative: bool = False) -> NDArray[np.float64]:
    """Return a low-pass filter (Blackman-Harris window) or its derivative, a differentiator without droop.

    The derivative of the filter acts on the phase itself; the difference of neighbouring samples would read a
    3 kHz tone 0.6 % low at 48 kHz.
    """
    cut = upper_hz * (1 + _TRANSITION) / sample_rate_hz  # of half the sample rate
    half = math.ceil(
        4 * sample_rate_hz / (upper_hz * (_TRANSITION - 1))
    )  # the window's main lobe is 8 lines wide
    steps = np.arange(-half + 1, half, dtype=np.float64)
    angles = np.outer(np.pi * np.arange(4) / half, steps)
    weights = np.array([0.35875, 0.48829, 0.14128, 0.01168])
    window = weights @ np.cos(angles)
    if not derivative:
        kernel = np.sinc(cut * steps) * window
        return np.asarray(kernel / kernel.sum())
    safe = np.where(steps == 0, 1.0, steps)
    turning = np.where(steps == 0, 0.0, (np.cos(np.pi * cut * steps) - np.sinc(cut * steps)) / safe)
    slope = turning * window
    # A steady ramp of the phase, one turn a second, must read exactly 1 Hz.
    return np.asarray(slope * sample_rate_hz / -(slope * steps).sum())


def _peak(signal: NDArray[np.float64]) -> float:
    """Return the highest value, with a parabola through the three samples about it."""
    at = int(np.argmax(signal))
    top = float(signal[at])
    if 0 < at < len(signal) - 1:
        left, right = float(signal[at - 1]), float(signal[at + 1])
        curvature = left - 2 * top + right
        if curvature < 0:
            return top - (right - left) ** 2 / (8 * curvature)
    return top
