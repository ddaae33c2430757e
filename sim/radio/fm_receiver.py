"""FM reception in closed form: what the audio of a noisy receiver holds.

Sources. The noise-free wave is taken through the IF filter line by line over one period of the tone; noise is added at each moment of
it, with the envelope and the frequency that the filter leaves there. Mean frequency, smooth noise and clicks of a carrier in
noise: fm_noise.py, after Rice 1948 and 1963. Smooth noise is moved by the lines of the swing, so that part of it falls
beyond the filter: at zero swing there would be too much of it. Clicks come mostly where the swing takes the carrier to the filter's
edge and its envelope dips. How near this is to simulated waves: tests/benchmarks/bench_physics.py.

All powers here are mean squares of the demodulated frequency, in Hz², after the audio filter.

Not modelled: AM-to-PM conversion, AGC transients, impulse noise, image and spurious responses, intermodulation, how clicks of a modulated
carrier follow each other (their share is that of an unmodulated one), and the swing in the spectrum of a
recording's noise. Under a weighting, the receiver's own distortion counts as second harmonic and its hum as 300 Hz.
"""

from __future__ import annotations

from functools import lru_cache
from math import ceil, log2, log10, pi

import numpy as np

from sim.frozen import dataclass
from sim.radio.audio_content import CLICK_SCATTER, AudioChain, AudioContent, Floats, draw_sinad_db, width_hz
from sim.radio.fm_noise import ORDERS, ClickShare, click_rate_hz, order_gain
from sim.radio.if_filter import (
    BOLTZMANN_W_S_PER_K,
    NOTHING_DBM,
    REFERENCE_TEMPERATURE_K,
    Complexes,
    IfFilter,
)
from sim.radio.unit import Receiver
from sim.rf_signal import RfSignal

__all__ = [
    "BOLTZMANN_W_S_PER_K",
    "CLICK_SCATTER",
    "NOTHING_DBM",
    "REFERENCE_TEMPERATURE_K",
    "AudioContent",
    "FmReceiver",
    "draw_sinad_db",
    "level_dbm",
    "power_w",
]

NORMAL_DEVIATION_HZ = 1_200.0

_TONE_POINTS = 128
_PHASES = 32
_HUM_HZ = 300.0
_LEAST_LINE = 1e-7  # of the power of all lines: 0.001 dB at most [worked out]


def power_w(level_dbm: float) -> float:
    """Return the power of ``level_dbm`` in watts."""
    return float(10.0 ** ((level_dbm - 30.0) / 10.0))


def level_dbm(watts: float) -> float:
    """Return ``watts`` in dBm, never below ``NOTHING_DBM``."""
    return max(NOTHING_DBM, 10.0 * log10(watts) + 30.0) if watts > 0 else NOTHING_DBM


@dataclass(frozen=True, slots=True, kw_only=True)
class _Swing:
    """One period of the noise-free wave after the IF filter, and what noise at each of its lines weighs in the audio.

    ``power`` is relative to the carrier at the antenna, ``absolute_hz`` about the filter's centre, ``turn`` of amplitude 1.
    ``audio_gain`` is by harmonic of the tone, ``noise_gains`` (Hz²) by order of noise and by line of ``turn``.
    """

    power: Floats
    absolute_hz: Floats
    turn: Complexes
    audio_gain: Floats
    noise_gains: tuple[Floats, ...]
    noise_width_hz: float


class FmReceiver:
    """IF filter, limiter, discriminator, de-emphasis and audio filter of one receiver.

    ``normal_peak`` is the demodulated peak that gives the loudspeaker voltage the specimen states.
    """

    normal_peak = NORMAL_DEVIATION_HZ
    agc = None  # a limiter instead

    def __init__(self, receiver: Receiver, weighting: str = "flat") -> None:
        self._receiver = receiver
        self._filter = _if_filter(receiver)
        self._audio = AudioChain(receiver, deemphasis_s=receiver.deemphasis_s, weighting=weighting)
        self.noise_bandwidth_hz = self._filter.noise_bandwidth_hz
        self.noise_power_w = self._filter.noise_power_w
        self.selectivity = self._filter.selectivity
        self._click_area_hz = self._audio.integral(self._audio.grid_gain)
        self._click_width_hz = width_hz(self._audio.grid_gain)
        self._weighting = weighting
        self._swing = lru_cache(maxsize=64)(self._through_filter)

    def _through_filter(self, deviation_hz: float, tone_hz: float, offset_hz: float) -> _Swing:
        index = deviation_hz / tone_hz
        points = max(_TONE_POINTS, 1 << min(14, ceil(log2(8.0 * (index + 1.0)))))
        harmonics = np.fft.fftfreq(points, 1.0 / points)
        phase = index * np.sin(2.0 * pi * np.arange(points) / points)
        lines = np.fft.fft(np.exp(1j * phase)) * self._filter.leaky_response(offset_hz + harmonics * tone_hz)
        wave, slope = np.fft.ifft(lines), np.fft.ifft(lines * 1j * harmonics * tone_hz)
        power = np.maximum(np.abs(wave) ** 2, 1e-30)
        turn = np.conj(wave) / np.sqrt(power)
        swing_hz, limit_hz = (np.conj(wave) * slope).imag / power, self._receiver.bandwidth_hz
        return _Swing(
            power=power,
            absolute_hz=np.clip(offset_hz, -limit_hz, limit_hz) + np.clip(swing_hz, -20_000.0, 20_000.0),
            turn=turn,
            audio_gain=self._audio.power_gain(np.arange(1, points // 2) * tone_hz),
            noise_gains=tuple(self._noise_by_line(turn, tone_hz, offset_hz, order) for order in ORDERS),
            noise_width_hz=width_hz(self.noise_density(offset_hz)),
        )

    def _noise_by_line(self, turn: Complexes, tone_hz: float, offset_hz: float, order: int) -> Floats:
        """Return what noise of an order weighs in the audio, Hz², where each line of the swing moves it."""
        points = len(turn)
        heard = np.abs(np.fft.fft(turn**order) / points) ** 2
        lines_hz = np.fft.fftfreq(points, 1.0 / points) * tone_hz
        gain = np.zeros(points)
        for k in np.flatnonzero(heard > _LEAST_LINE):
            moved_hz = order * offset_hz - float(lines_hz[k])
            gain[k] = self._audio.integral(self._order_shape(order, moved_hz))
        return gain

    def _order_shape(self, order: int, offset_hz: float) -> Floats:
        grid_hz = self._audio.grid_hz
        upper = self._filter.order_density(order, offset_hz + grid_hz)
        lower = self._filter.order_density(order, offset_hz - grid_hz)
        return np.asarray(grid_hz**2 * self._audio.grid_gain * 0.5 * (upper + lower))

    def noise_density(self, offset_hz: float) -> Floats:
        """Return the shape of the smooth noise behind the audio filter, on the audio grid."""
        return self._order_shape(1, offset_hz)

    def click_density(self) -> Floats:
        """Return the shape of a click's spectrum behind the audio filter, on the audio grid."""
        return self._audio.grid_gain

    def audio_content(
        self, *, carrier_w: float, noise_w: float, deviation_hz: float, tone_hz: float, offset_hz: float
    ) -> AudioContent:
        """Return what the audio holds for a carrier in noise, W, both referred to the antenna connector.

        ``noise_w`` counts within the noise bandwidth; ``offset_hz`` is the carrier's distance from the
        filter's centre.
        """
        swing = self._swing(round(deviation_hz, 1), round(tone_hz, 1), round(offset_hz))
        rho = swing.power * carrier_w / noise_w
        capture = -np.expm1(-np.minimum(rho, 700.0))
        tone, harmonics = _tone_powers(swing, capture)
        click_rate_hz, clicks = self._clicks(swing, rho, capture)
        own = (self._receiver.distortion_percent / 100.0) ** 2 * tone * self._harmonic_weight(tone_hz)
        hum = self._receiver.residual_deviation_hz**2 * self._audio.weight_at(_HUM_HZ)
        return AudioContent(
            signal=tone,
            gaussian=_smooth_noise(swing, rho),
            clicks=clicks,
            distortion=harmonics + own + hum,
            click_rate_hz=click_rate_hz,
            gaussian_width_hz=swing.noise_width_hz,
            click_width_hz=self._click_width_hz,
            tone_hz=tone_hz,
        )

    def _clicks(self, swing: _Swing, rho: Floats, capture: Floats) -> tuple[float, float]:
        """Return the rate of clicks and their power behind the audio filter."""
        step = max(1, len(rho) // _PHASES)
        # Against the mean frequency: where noise has taken over, it knows nothing of the carrier's swing.
        mean_hz = (swing.absolute_hz * capture)[::step]
        rate_hz = click_rate_hz(self._filter.rms_width_hz, rho[::step], mean_hz)
        share = _click_share(self._receiver, self._weighting).at(float(rho.mean()))
        return rate_hz, 2.0 * rate_hz * self._click_area_hz * share

    def _harmonic_weight(self, tone_hz: float) -> float:
        return self._audio.weight_at(2.0 * tone_hz) / max(self._audio.weight_at(tone_hz), 1e-12)

    def hear(
        self, signal: RfSignal, *, carrier_w: float, noise_w: float, offset_hz: float, agc_dbm: float
    ) -> AudioContent:
        """Return what the audio holds for a generator's signal; its AM is limited away, and there is no AGC."""
        del agc_dbm
        return self.audio_content(
            carrier_w=carrier_w,
            noise_w=noise_w,
            deviation_hz=signal.fm_deviation_hz,
            tone_hz=signal.tone_hz,
            offset_hz=offset_hz,
        )


def _tone_powers(swing: _Swing, capture: Floats) -> tuple[float, float]:
    """Return the power of the tone and of its harmonics behind the audio filter.

    The mean frequency of a carrier in noise is its own distance from the noise's centre, times 1 - exp(-ρ) (Rice 1948).
    """
    points = len(capture)
    lines = np.abs(np.fft.rfft(swing.absolute_hz * capture) / points)[1 : points // 2] ** 2 * 2.0
    lines = lines * swing.audio_gain
    return float(lines[0]), float(lines[1:].sum())


def _smooth_noise(swing: _Swing, rho: Floats) -> float:
    """Return the power of the smooth noise of all orders behind the audio filter."""
    total = 0.0
    for order, gain in zip(ORDERS, swing.noise_gains, strict=True):
        lines = np.abs(np.fft.fft(order_gain(order, rho) * swing.turn**order) / len(rho)) ** 2
        total += float(lines @ gain)
    return total


@lru_cache(maxsize=32)
def _click_share(receiver: Receiver, weighting: str) -> ClickShare:
    audio = AudioChain(receiver, deemphasis_s=receiver.deemphasis_s, weighting=weighting)
    return ClickShare(_if_filter(receiver), audio.grid_hz, audio.grid_gain)


def _if_filter(receiver: Receiver) -> IfFilter:
    return IfFilter(
        bandwidth_hz=receiver.bandwidth_hz,
        poles=receiver.filter_poles,
        ultimate_rejection_db=receiver.ultimate_rejection_db,
    )
