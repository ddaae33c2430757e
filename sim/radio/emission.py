"""What leaves the antenna connector: its figures, and its wave.

An emission is described by the lines of its modulation, so that every instrument sees the same wave: for FM the
instantaneous frequency (Hz), for AM the envelope relative to the carrier, for SSB and CW the lines beside the dial
(amplitudes in √W). The wave of complex samples is put together from them; its mean square is the power in watts.

Harmonics and spurious lines are told beside it: see spectrum.py. So is the noise of its oscillator, which the samples of `baseband` hold
where it is above `SAMPLED_NOISE_DB`: below that a recorder's own oscillator hides it.

Not modelled: key clicks, the spectrum of the limiter's filter beyond the lines kept.
"""

from __future__ import annotations

from math import pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.frozen import dataclass

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

SIDEBAND_MODES = ("USB", "LSB", "CW")
NOISE_BAND_HZ = (300.0, 3_000.0)  # where residual modulation lies; a choice, no source
_PERIOD_POINTS = 4_096
SAMPLED_NOISE_DB = (
    -110.0
)  # dBc/Hz, 10 kHz away: of an ordinary recorder's own oscillator (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line: ``Re(amplitude·exp(j2πft))`` of a modulation, or ``amplitude·exp(j2πft)`` beside the dial."""

    frequency_hz: float
    amplitude: complex


@dataclass(frozen=True, slots=True, kw_only=True)
class Emission:
    """What leaves the antenna connector.

    ``power_w`` is the average. Deviations are peaks from the carrier, both positive numbers;
    ``residual_deviation_hz`` (rms) stays without tone; ``tone_hz`` is 0 without modulation;
    ``distortion_percent`` is of the demodulated tone, relative to the total. ``frequency_hz`` is the carrier, in SSB
    the suppressed one. ``pep_w`` 0 stands for an envelope that does not move. Depths are peaks of the envelope above
    and below the carrier; ``residual_depth_percent`` (rms) stays without tone. ``harmonics_db`` begin with the second;
    ``spurious`` lines are frequency (Hz) and level; both are relative to the peak envelope power, negative numbers of dB.
    ``phase_noise_db`` is dBc/Hz, 10 kHz away.
    """

    power_w: float
    frequency_hz: float
    deviation_positive_hz: float
    deviation_negative_hz: float
    tone_hz: float
    distortion_percent: float
    residual_deviation_hz: float
    mode: str = "FM"
    pep_w: float = 0.0
    depth_positive_percent: float = 0.0
    depth_negative_percent: float = 0.0
    residual_depth_percent: float = 0.0
    lines: tuple[Line, ...] = ()
    harmonics_db: tuple[float, ...] = ()
    spurious: tuple[tuple[float, float], ...] = ()
    phase_noise_db: float = -125.0
    signalling: tuple[Line, ...] = ()
    """FM: what is sent below or beside speech, Hz; its peaks are in the deviations."""

    @property
    def peak_w(self) -> float:
        """The peak envelope power, W."""
        return max(self.pep_w, self.power_w)


def periodic(lines: tuple[Line, ...], period_s: float, points: int = _PERIOD_POINTS) -> Floats:
    """Return one period of a modulation that its lines describe."""
    return _sum(lines, np.arange(points) * period_s / points)


def _sum(lines: tuple[Line, ...], time_s: Floats) -> Floats:
    wave = np.zeros(len(time_s))
    for line in lines:
        phase = 2.0 * pi * line.frequency_hz * time_s
        wave += line.amplitude.real * np.cos(phase) - line.amplitude.imag * np.sin(phase)
    return wave


def baseband(
    emission: Emission,
    *,
    centre_hz: float,
    count: int,
    rate_hz: float,
    begin_s: float,
    rng: np.random.Generator,
) -> Complexes:
    """Return ``count`` complex samples about ``centre_hz`` from ``begin_s`` on, in √W."""
    time_s = begin_s + np.arange(count) / rate_hz
    turning = np.exp(2j * pi * ((emission.frequency_hz - centre_hz) * (time_s % 1e4)))
    if emission.phase_noise_db > SAMPLED_NOISE_DB:
        # from a generator of its own, so that a quiet unit's samples are what they were
        turning = turning * np.exp(
            1j * _oscillator_phase(emission.phase_noise_db, count, rate_hz, rng.spawn(1)[0])
        )
    if emission.mode in SIDEBAND_MODES:
        sideband = np.zeros(count, dtype=np.complex128)
        for line in emission.lines:
            sideband += line.amplitude * np.exp(2j * pi * line.frequency_hz * time_s)
        return np.asarray(turning * sideband)
    if emission.mode == "AM":
        hum = emission.residual_depth_percent / 100.0 * _speech_noise(count, rate_hz, rng)
        envelope = np.maximum(0.0, 1.0 + _sum(emission.lines, time_s) + hum)
        return np.asarray(carrier_amplitude(emission) * envelope * turning)
    phase = np.zeros(count)
    for line in (*emission.lines, *emission.signalling):
        swing = line.amplitude / (2j * pi * line.frequency_hz)
        phase += 2.0 * pi * (swing * np.exp(2j * pi * line.frequency_hz * time_s)).real
    noise_hz = emission.residual_deviation_hz * _speech_noise(count, rate_hz, rng)
    phase += 2.0 * pi * np.cumsum(noise_hz) / rate_hz
    return np.asarray(sqrt(emission.power_w) * np.exp(1j * phase) * turning)


def _oscillator_phase(at_10_khz_db: float, count: int, rate_hz: float, rng: np.random.Generator) -> Floats:
    """Return the phase of an oscillator whose noise falls with the square of the offset: twice its level on one side, as density."""
    lines_hz = np.fft.rfftfreq(count, 1.0 / rate_hz)
    density = 2.0 * 10.0 ** (at_10_khz_db / 10.0) * (1e4 / np.maximum(lines_hz, 100.0)) ** 2
    white = np.fft.rfft(rng.standard_normal(count) * sqrt(rate_hz / 2.0))
    return np.asarray(np.fft.irfft(white * np.sqrt(density), count))


def carrier_amplitude(emission: Emission) -> float:
    """Return the unmodulated carrier's amplitude: the average power includes the sidebands."""
    sidebands = sum(abs(line.amplitude) ** 2 / 2.0 for line in emission.lines if line.frequency_hz > 0)
    mean = 1.0 + sum(line.amplitude.real for line in emission.lines if line.frequency_hz == 0)
    return sqrt(emission.power_w / (mean**2 + sidebands))


def _speech_noise(count: int, rate_hz: float, rng: np.random.Generator) -> Floats:
    """Return Gaussian noise of unit power within the speech band."""
    low_hz, high_hz = NOISE_BAND_HZ
    lines_hz = np.fft.rfftfreq(count, 1.0 / rate_hz)
    inside = (lines_hz >= low_hz) & (lines_hz <= high_hz)
    white = np.fft.rfft(rng.standard_normal(count) * sqrt(rate_hz / 2.0 / (high_hz - low_hz)))
    return np.asarray(np.fft.irfft(white * inside, count))
