"""SSB and CW reception in closed form: IF filter beside the carrier, product detector, AGC, audio.

Source: a product detector moves the spectrum to audio and adds nothing, so that (S+N)/N = 1 + C/(N0·W) with W the
noise bandwidth of IF and audio filter together (any communication textbook); the floor is kTB with a noise figure.
The audio tone is the distance of the carrier from the dial, in CW that distance beside the pitch.

All powers here are mean squares relative to the AGC's full output, where a full carrier gives 1/2.

Not modelled: BFO leakage and hum, reciprocal mixing of the wanted signal, beat notes of an interferer (it counts as
noise), intermodulation between signals. Modulation on the generator is heard as its own lines; all but the strongest
count as distortion.
"""

from __future__ import annotations

from math import ceil, log2

import numpy as np

from sim.radio.am_receiver import agc_scale, modulated_wave, overload_share
from sim.radio.audio_content import AudioChain, AudioContent, Floats, width_hz
from sim.radio.if_filter import IfFilter
from sim.radio.unit import Receiver
from sim.radio.unit_modes import Agc, SsbReceiver
from sim.rf_signal import RfSignal


class ProductReceiver:
    """IF filter, product detector with AGC, and audio filter of one receiver on USB, LSB or CW."""

    normal_peak = 1.0

    def __init__(self, receiver: Receiver, ssb: SsbReceiver, mode: str, weighting: str = "flat") -> None:
        self._ssb = ssb
        self._mode = mode
        self.agc: Agc = ssb.agc
        middle_hz = ssb.low_hz + ssb.bandwidth_hz / 2.0
        self._filter = IfFilter(
            bandwidth_hz=ssb.cw_bandwidth_hz if mode == "CW" else ssb.bandwidth_hz,
            poles=ssb.filter_poles,
            ultimate_rejection_db=receiver.ultimate_rejection_db,
            centre_hz={"USB": middle_hz, "LSB": -middle_hz, "CW": 0.0}[mode],
        )
        self._audio = AudioChain(receiver, deemphasis_s=0.0, weighting=weighting)
        self.noise_bandwidth_hz = self._filter.noise_bandwidth_hz
        self.noise_power_w = self._filter.noise_power_w
        self.selectivity = self._filter.selectivity
        self._density = self._noise_density()
        self._width_hz = width_hz(self._density)

    def heard_at_hz(self, offset_hz: Floats) -> Floats:
        """Return where a carrier at an offset from the dial is heard; a negative answer is heard as its mirror."""
        if self._mode == "LSB":
            return -offset_hz
        return offset_hz + self._ssb.cw_pitch_hz if self._mode == "CW" else offset_hz

    def _offset_hz(self, audio_hz: Floats) -> Floats:
        if self._mode == "LSB":
            return -audio_hz
        return audio_hz - self._ssb.cw_pitch_hz if self._mode == "CW" else audio_hz

    def _noise_density(self) -> Floats:
        """Return the spectrum, of unit power before the audio filter, of the noise."""
        grid_hz = self._audio.grid_hz
        both = self._filter.power_gain(self._offset_hz(grid_hz))
        both = both + self._filter.power_gain(self._offset_hz(-grid_hz))
        return np.asarray(both * self._audio.grid_gain / self.noise_bandwidth_hz)

    def noise_density(self, offset_hz: float) -> Floats:
        """Return the shape of the smooth noise behind the audio filter, on the audio grid."""
        del offset_hz
        return self._density

    def click_density(self) -> Floats:
        """Return the shape of a click's spectrum: a product detector has no clicks."""
        return self._audio.grid_gain

    def _lines(self, signal: RfSignal, offset_hz: float) -> tuple[Floats, Floats]:
        """Return audio frequencies and powers, relative to the carrier's, of all lines behind both filters."""
        if signal.fm_deviation_hz == 0.0 and signal.am_depth_percent == 0.0:
            offsets, shares = np.array([offset_hz]), np.array([1.0])
        else:
            points = 1 << max(5, ceil(log2(8.0 * (signal.fm_deviation_hz / signal.tone_hz + 2.0))))
            shares = np.abs(np.fft.fft(modulated_wave(signal, points)) / points) ** 2
            offsets = offset_hz + np.fft.fftfreq(points, 1.0 / points) * signal.tone_hz
        audio_hz = np.abs(self.heard_at_hz(offsets))
        passed = shares * np.abs(self._filter.leaky_response(offsets)) ** 2
        return audio_hz, passed * self._audio.power_gain(np.maximum(audio_hz, 1.0))

    def hear(
        self, signal: RfSignal, *, carrier_w: float, noise_w: float, offset_hz: float, agc_dbm: float
    ) -> AudioContent:
        """Return what the audio holds for a generator's signal in noise, W, referred to the antenna connector.

        ``carrier_w`` is before the IF filter, ``noise_w`` within its noise bandwidth, ``agc_dbm`` the level that the
        AGC has settled to, ``offset_hz`` the carrier's distance from the dial.
        """
        audio_hz, shares = self._lines(signal, offset_hz)
        strongest = int(np.argmax(shares))
        tone_hz, tone = float(audio_hz[strongest]), carrier_w * float(shares[strongest])
        others = carrier_w * float(shares.sum()) - tone
        own = self._ssb.distortion_percent / 100.0 + overload_share(carrier_w, self._ssb.overload_dbm)
        heavier = self._audio.weight_at(2.0 * tone_hz) / max(self._audio.weight_at(tone_hz), 1e-12)
        scale = agc_scale(self.agc, agc_dbm)
        return AudioContent(
            signal=scale * tone,
            gaussian=scale * noise_w * self._audio.integral(self._density),
            clicks=0.0,
            distortion=scale * (max(0.0, others) + own**2 * tone * min(heavier, 100.0)),
            click_rate_hz=0.0,
            gaussian_width_hz=self._width_hz,
            click_width_hz=self._width_hz,
            tone_hz=tone_hz,
        )
