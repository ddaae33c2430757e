"""AM reception in closed form: IF filter, envelope detector, AGC, audio.

Sources. Mean and variance of the envelope of a carrier in Gaussian noise: Rice 1945 (mean σ·√(π/2)·L½(−A²/2σ²)),
with scipy's scaled Bessel functions. The noise is split by order (Middleton's method, as
in Davenport and Root ch. 12): the part that follows the in-phase noise, with the spectrum of the IF filter, and the
rest, with the spectrum of the filter convolved with itself. Far above threshold this is the textbook result
(S+N)/N = 1 + m²·C/(2·N0·W). The IF filter acts on the modulated carrier line by line.

All powers here are mean squares relative to the AGC's full output, where depth m gives m²/2.

Not modelled: how modulation spreads the noise spectrum, diagonal clipping of the detector, beat notes of an
interferer (it counts as noise), selective fading, a noise limiter. Under a weighting hum counts as 300 Hz.
"""

from __future__ import annotations

from functools import lru_cache
from math import pi, sqrt

import numpy as np

from sim.radio.audio_content import AUDIO_STEP_HZ, AudioChain, AudioContent, Floats, width_hz
from sim.radio.if_filter import IfFilter
from sim.radio.unit import Receiver
from sim.radio.unit_modes import Agc, AmReceiver
from sim.rf_signal import RfSignal

_POINTS = 128
_NORMAL_DEPTH = 0.60
_STATED_DEPTH = 0.30  # where the specimen states its distortion
_OVERLOAD_SHARE = 0.05
_HUM_HZ = 300.0


def agc_scale(agc: Agc, agc_dbm: float) -> float:
    """Return what turns watts at the antenna into mean squares of which a full carrier has 1/2."""
    return float(10.0 ** ((agc.output_db(agc_dbm) - agc_dbm + 30.0) / 10.0)) / 2.0


def overload_share(level_w: float, overload_dbm: float) -> float:
    """Return the distortion of a front end near overload as a share of the voltage; a smooth stand-in, no source."""
    ratio = level_w / 10.0 ** ((overload_dbm - 30.0) / 10.0)
    return float(_OVERLOAD_SHARE * ratio)


def modulated_wave(signal: RfSignal, points: int) -> Floats:
    """Return one period of the generator's complex envelope, carrier 1, with its AM and FM."""
    phase = 2.0 * pi * np.arange(points) / points
    envelope = 1.0 + signal.am_depth_percent / 100.0 * np.cos(phase)
    return np.asarray(envelope * np.exp(1j * signal.fm_deviation_hz / signal.tone_hz * np.sin(phase)))


class EnvelopeReceiver:
    """IF filter, envelope detector with AGC, and audio filter of one receiver on AM."""

    normal_peak = _NORMAL_DEPTH

    def __init__(self, receiver: Receiver, am: AmReceiver, weighting: str = "flat") -> None:
        self._am = am
        self.agc: Agc = am.agc
        self._filter = IfFilter(
            bandwidth_hz=am.bandwidth_hz,
            poles=am.filter_poles,
            ultimate_rejection_db=receiver.ultimate_rejection_db,
        )
        self._audio = AudioChain(receiver, deemphasis_s=0.0, weighting=weighting)
        self.noise_bandwidth_hz = self._filter.noise_bandwidth_hz
        self.noise_power_w = self._filter.noise_power_w
        self.selectivity = self._filter.selectivity
        self._linear_density = lru_cache(maxsize=16)(self._first_order)
        self._square_density = self._higher_order()
        self._envelope = lru_cache(maxsize=64)(self._envelope_through_filter)

    def _first_order(self, offset_hz: float) -> Floats:
        """Return the spectrum of in-phase noise, of unit power before the audio filter."""
        grid_hz = self._audio.grid_hz
        both = self._filter.power_gain(offset_hz + grid_hz) + self._filter.power_gain(offset_hz - grid_hz)
        return np.asarray(both / self.noise_bandwidth_hz * self._audio.grid_gain)

    def _higher_order(self) -> Floats:
        """Return the spectrum of noise beating with itself, of unit power before the audio filter."""
        span_hz = np.arange(-15_000.0, 15_000.0 + AUDIO_STEP_HZ, AUDIO_STEP_HZ)
        shape = self._filter.power_gain(span_hz)
        convolved = np.convolve(shape, shape[::-1]) * AUDIO_STEP_HZ
        apart_hz = (np.arange(len(convolved)) - (len(convolved) // 2)) * AUDIO_STEP_HZ
        square = 2.0 * np.interp(self._audio.grid_hz, apart_hz, convolved) / self.noise_bandwidth_hz**2
        return np.asarray(square * self._audio.grid_gain)

    def _envelope_through_filter(self, signal: RfSignal, offset_hz: float) -> Floats:
        harmonics = np.fft.fftfreq(_POINTS, 1.0 / _POINTS)
        lines = np.fft.fft(modulated_wave(signal, _POINTS))
        passed = lines * self._filter.leaky_response(offset_hz + harmonics * signal.tone_hz)
        return np.asarray(np.abs(np.fft.ifft(passed)))

    def noise_density(self, offset_hz: float) -> Floats:
        """Return the shape of the smooth noise behind the audio filter, on the audio grid."""
        return self._linear_density(round(float(np.clip(offset_hz, -15_000.0, 15_000.0))))

    def click_density(self) -> Floats:
        """Return the shape of a click's spectrum: an envelope has no clicks."""
        return self._audio.grid_gain

    def hear(
        self, signal: RfSignal, *, carrier_w: float, noise_w: float, offset_hz: float, agc_dbm: float
    ) -> AudioContent:
        """Return what the audio holds for a generator's signal in noise, W, referred to the antenna connector.

        ``carrier_w`` is before the IF filter, ``noise_w`` within its noise bandwidth, ``agc_dbm`` the level that the
        AGC has settled to.
        """
        shape = self._envelope(_rounded(signal), round(offset_hz))
        amplitude, sigma = sqrt(2.0 * carrier_w) * shape, sqrt(noise_w)
        mean, slope = envelope_mean(amplitude, sigma), envelope_slope(amplitude, sigma)
        linear = noise_w * float(np.mean(slope**2))
        variance = float(np.mean(amplitude**2 + 2.0 * noise_w - mean**2))
        density = linear * self.noise_density(offset_hz) + max(0.0, variance - linear) * self._square_density
        tone, harmonics = self._tone_powers(mean, signal.tone_hz)
        own = self._own_share(signal, carrier_w) ** 2 * tone * self._harmonic_weight(signal.tone_hz)
        hum = 2.0 * carrier_w * float(np.mean(shape)) ** 2 * (self._am.hum_percent / 100.0) ** 2
        scale = agc_scale(self.agc, agc_dbm)
        return AudioContent(
            signal=scale * tone,
            gaussian=scale * self._audio.integral(density),
            clicks=0.0,
            distortion=scale * (harmonics + own + hum * self._audio.weight_at(_HUM_HZ)),
            click_rate_hz=0.0,
            gaussian_width_hz=width_hz(density),
            click_width_hz=width_hz(density),
            tone_hz=signal.tone_hz,
        )

    def _own_share(self, signal: RfSignal, carrier_w: float) -> float:
        grown = signal.am_depth_percent / 100.0 / _STATED_DEPTH
        return self._am.distortion_percent / 100.0 * grown + overload_share(carrier_w, self._am.overload_dbm)

    def _harmonic_weight(self, tone_hz: float) -> float:
        return self._audio.weight_at(2.0 * tone_hz) / max(self._audio.weight_at(tone_hz), 1e-12)

    def _tone_powers(self, envelope: Floats, tone_hz: float) -> tuple[float, float]:
        lines = np.abs(np.fft.rfft(envelope) / _POINTS)[1 : _POINTS // 2] ** 2 * 2.0
        lines = lines * self._audio.power_gain(np.arange(1, _POINTS // 2) * tone_hz)
        return float(lines[0]), float(lines[1:].sum())


def _rounded(signal: RfSignal) -> RfSignal:
    """Return the modulation alone, so that equal modulation is worked out once."""
    return RfSignal(
        level_dbm=0.0,
        frequency_hz=1.0,
        fm_deviation_hz=round(signal.fm_deviation_hz, 1),
        am_depth_percent=round(signal.am_depth_percent, 2),
        tone_hz=round(signal.tone_hz, 1),
    )


def envelope_mean(amplitude: Floats, sigma: float) -> Floats:
    """Return the mean envelope of a carrier of that amplitude in noise of variance sigma² a quadrature (Rice)."""
    from scipy.special import i0e, i1e  # slow to import, and of no use to FM

    x = (amplitude / sigma) ** 2 / 4.0
    return np.asarray(sigma * sqrt(pi / 2.0) * ((1.0 + 2.0 * x) * i0e(x) + 2.0 * x * i1e(x)))


def envelope_slope(amplitude: Floats, sigma: float) -> Floats:
    """Return how the mean envelope moves with the amplitude: 0 in noise alone, 1 far above it."""
    from scipy.special import i0e, i1e

    x = (amplitude / sigma) ** 2 / 4.0
    return np.asarray(sqrt(pi / 8.0) * amplitude / sigma * (i0e(x) + i1e(x)))
