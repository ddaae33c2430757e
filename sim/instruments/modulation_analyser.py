"""The whole modulation analyser: FM, AM, demodulated audio, selective level, recordings.

Words: SCPI-1999's sensor functions and filters (from memory; it has no class for such an instrument). ``POWer:AC`` is
read at FREQuency within BANDwidth[:RESolution], as a measuring receiver does it. Departures: ``[SENSe:]DEModulation``
says which demodulator the audio functions (POWer:DISTortion, POWer:SNDRatio) listen to; ``FREQuency:AUDio`` is the
tone's frequency; depth and distortion are in percent. The frequency of an SSB emission is that of its strongest line.

Errors as in base.py. Filters: high-pass and low-pass are Butterworth of fourth order, de-emphasis is one pole,
1 at 0 Hz; CCITt is the psophometric curve.

Not modelled: incidental AM and FM of the other kind beyond the unit's own residual, the analyser's own noise on audio,
ranges of depth, AGC of a demodulator, a local oscillator's noise beside a carrier.
"""

from __future__ import annotations

from dataclasses import replace
from math import gcd, hypot, log10, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.instruments.base import MAKER, NO_MEASUREMENT, OVER_RANGE
from sim.instruments.recorder import Recorder
from sim.radio.emission import NOISE_BAND_HZ, SIDEBAND_MODES, Complexes, Emission, Line, baseband, periodic
from sim.radio.weighting import weight
from sim.scpi.device import Boolean, Choice, Later, Number, ScpiError, Text, command, setting
from sim.wiring.wiring import Wiring

_FUNCTIONS = {
    "FREQUENCY": "frequency", "FREQ": "frequency",
    "FM": "deviation", "FM:DEVIATION": "deviation", "FM:DEV": "deviation",
    "AM": "depth", "AM:DEPTH": "depth", "AM:DEPT": "depth",
    "POWER": "selective", "POW": "selective", "POWER:AC": "selective", "POW:AC": "selective",
    "POWER:DISTORTION": "distortion", "POW:DIST": "distortion",
    "POWER:SNDRATIO": "sinad", "POW:SNDR": "sinad",
    "FREQUENCY:AUDIO": "tone", "FREQ:AUD": "tone",
}  # fmt: skip
_FLOOR_DBM = -115.0
_FLAT_TOP = (0.21557895, -0.41663158, 0.277263158, -0.083578947, 0.006947368)  # the usual five-term window
_FLAT_TOP_LINES = 3.77  # its noise bandwidth in lines
_NOISE_POINTS = np.linspace(*NOISE_BAND_HZ, 200)


class ModulationAnalyser(Recorder):
    """A modulation analyser: carrier frequency to 1 Hz, peak FM deviation in ranges of 1, 3, 10, 30 and 100 kHz, AM depth, audio."""

    identity = (MAKER, "MA-4", "4410", "3.1")
    READ_S = 0.120
    RANGES_HZ = (1e3, 3e3, 1e4, 3e4, 1e5)

    function = setting("[:SENSe]:FUNCtion[:ON]", Text(default="FREQuency"))
    detector = setting(
        "[:SENSe]:DETector[:FUNCtion]", Choice("POSitive", "NEGative", "RMS", default="POSitive")
    )
    expected_hz = setting(
        "[:SENSe]:FREQuency[:CW|:FIXed]", Number("Hz", minimum=1e5, maximum=2e9, default=1e8)
    )
    auto_range = setting("[:SENSe]:FM[:DEViation]:RANGe:AUTO", Boolean(default=True))
    upper_hz = setting(
        "[:SENSe]:FM[:DEViation]:RANGe[:UPPer]", Number("Hz", minimum=1e3, maximum=1e5, default=1e5)
    )

    CAPTURE_HZ = 50e3  # a carrier further from the one expected is not found
    demodulator = setting("[:SENSe]:DEModulation", Choice("FM", "AM", "USB", "LSB", default="FM"))
    resolution_hz = setting(
        "[:SENSe]:BANDwidth[:RESolution]", Number("Hz", minimum=30, maximum=3e3, default=100)
    )
    high_pass = setting("[:SENSe]:FILTer:HPASs[:STATe]", Boolean(default=False))
    high_pass_hz = setting(
        "[:SENSe]:FILTer:HPASs:FREQuency", Number("Hz", minimum=20, maximum=3e3, default=300)
    )
    low_pass = setting("[:SENSe]:FILTer[:LPASs][:STATe]", Boolean(default=False))
    low_pass_hz = setting(
        "[:SENSe]:FILTer[:LPASs]:FREQuency", Number("Hz", minimum=1e3, maximum=2e4, default=3e3)
    )
    deemphasis = setting("[:SENSe]:FILTer:DEMPhasis[:STATe]", Boolean(default=False))
    deemphasis_s = setting(
        "[:SENSe]:FILTer:DEMPhasis:TCONstant", Number("s", minimum=1e-5, maximum=1e-3, default=750e-6)
    )
    psophometric = setting("[:SENSe]:FILTer:CCITt[:STATe]", Boolean(default=False))

    def __init__(
        self,
        clock: Any,
        wiring: Wiring,
        rng: np.random.Generator,
        *,
        deviation_error_percent: float = 0.5,
        frequency_error_ppm: float = 0.05,
        depth_error_percent: float = 1.0,
        level_error_db: float = 0.3,
    ) -> None:
        super().__init__(clock, wiring, rng)
        self._deviation_error = 1.0 + self.within(deviation_error_percent) / 100.0
        self._frequency_error = 1.0 + 1e-6 * self.within(frequency_error_ppm)
        self._depth_error = 1.0 + self.within(depth_error_percent) / 100.0
        self._level_error_db = self.within(level_error_db)

    @upper_hz.check
    def _leave_auto_range(self, _upper_hz: float) -> None:
        self.auto_range = False

    @function.check
    def _known_function(self, text: str) -> None:
        if text.upper() not in _FUNCTIONS:
            raise ScpiError(-224, f"function {text!r}")

    @command(":READ?")
    def read_function(self) -> Later:
        """Measure the selected function, which takes 120 ms."""
        return Later(self.READ_S, self._measure)

    @command(":MEASure[:SCALar]:FREQuency?")
    def measure_frequency(self) -> Later:
        """Measure the carrier frequency."""
        self.function = "FREQuency"
        return Later(self.READ_S, self._measure)

    def _measure(self) -> float:
        self.look()
        kind = _FUNCTIONS[self.function.upper()]
        if kind == "selective":
            return self._selective_dbm()
        emission = self._found()
        if emission is None:
            return NO_MEASUREMENT
        return float(getattr(self, f"_{kind}_of")(emission))

    def _found(self) -> Emission | None:
        """Return what is at the input near the frequency expected."""
        emission, level_dbm = self.wiring.emission(), self.wiring.at_meter_dbm()
        if emission is None or level_dbm is None or level_dbm < -40.0:
            return None
        return emission if abs(emission.frequency_hz - self.expected_hz) <= self.CAPTURE_HZ else None

    def _frequency_of(self, emission: Emission) -> float:
        strongest_hz = 0.0
        if emission.mode in SIDEBAND_MODES:
            strongest_hz = max(emission.lines, key=lambda line: abs(line.amplitude)).frequency_hz
        return float(round((emission.frequency_hz + strongest_hz) * self._frequency_error))

    # Modulation

    @property
    def _filtering(self) -> bool:
        return bool(self.high_pass or self.low_pass or self.deemphasis or self.psophometric)

    def _gain(self, frequency_hz: NDArray[Any]) -> NDArray[Any]:
        """Return the power gain of the audio filters that are on."""
        gain = np.ones_like(frequency_hz, dtype=np.float64)
        at_hz = np.maximum(frequency_hz, 1.0)
        if self.high_pass:
            gain = gain / (1.0 + (self.high_pass_hz / at_hz) ** 8)
        if self.low_pass:
            gain = gain / (1.0 + (at_hz / self.low_pass_hz) ** 8)
        if self.deemphasis:
            gain = gain / (1.0 + (2.0 * pi * at_hz * self.deemphasis_s) ** 2)
        return np.asarray(gain * weight("psophometric", at_hz) if self.psophometric else gain)

    def _filtered(self, lines: tuple[Line, ...]) -> tuple[Line, ...]:
        heard = tuple(line for line in lines if line.frequency_hz > 0)
        gains = np.sqrt(self._gain(np.array([line.frequency_hz for line in heard])))
        pairs = zip(heard, gains, strict=True)
        return tuple(replace(line, amplitude=line.amplitude * float(gain)) for line, gain in pairs)

    def _noise(self, rms: float) -> float:
        """Return residual modulation behind the filters, with the scatter of one reading."""
        through = rms * sqrt(float(np.mean(self._gain(_NOISE_POINTS))))
        degrees = 2.0 * (NOISE_BAND_HZ[1] - NOISE_BAND_HZ[0]) * self.READ_S
        return through * (1.0 + float(self.rng.standard_normal()) / sqrt(2.0 * degrees))

    def _peaks(self, lines: tuple[Line, ...]) -> tuple[float, float]:
        """Return the peaks above and below 0 of filtered lines, both positive."""
        if not lines:
            return 0.0, 0.0
        wave = periodic(lines, 1.0 / _base_hz(lines))
        return float(wave.max()), float(-wave.min())

    def _deviation_of(self, emission: Emission) -> float:
        if emission.mode in SIDEBAND_MODES:
            return NO_MEASUREMENT
        lines = self._filtered(emission.lines) if emission.mode == "FM" else ()
        under = self._filtered(emission.signalling)
        if self.detector == "RMS":
            rms_hz = _rms((*lines, *under), self._noise(emission.residual_deviation_hz))
            return round(rms_hz * self._deviation_error, 1)
        if not self._filtering:
            positive_hz, negative_hz = emission.deviation_positive_hz, emission.deviation_negative_hz
        else:
            most_hz = sum(abs(line.amplitude) for line in under)  # they come to each other's peaks in time
            positive_hz, negative_hz = (one + most_hz for one in self._peaks(lines))
        return self._deviation(positive_hz, negative_hz, self._noise(emission.residual_deviation_hz))

    def _deviation(self, positive_hz: float, negative_hz: float, residual_hz: float) -> float:
        peak_hz = {
            "POSitive": positive_hz,
            "NEGative": negative_hz,
            "RMS": (positive_hz + negative_hz) / 2**1.5,
        }[self.detector]
        # a peak detector reads noise on top of the tone: about the noise's own peak where there is no tone
        shown_hz = (
            hypot(peak_hz, residual_hz) + 1.5 * abs(float(self.rng.standard_normal()))
        ) * self._deviation_error
        upper_hz = (
            self.RANGES_HZ[-1] if self.auto_range else next(r for r in self.RANGES_HZ if r >= self.upper_hz)
        )
        if shown_hz > 1.1 * upper_hz:
            return OVER_RANGE
        fitting_hz = (
            next((r for r in self.RANGES_HZ if shown_hz <= r), upper_hz) if self.auto_range else upper_hz
        )
        step_hz = fitting_hz / 1e3
        return round(shown_hz / step_hz) * step_hz

    def _depth_of(self, emission: Emission) -> float:
        if emission.mode in SIDEBAND_MODES:
            return NO_MEASUREMENT
        lines = self._filtered(emission.lines) if emission.mode == "AM" else ()
        noise_percent = self._noise(emission.residual_depth_percent)
        if self.detector == "RMS":
            return round(_rms(_percent(lines), noise_percent) * self._depth_error, 3)
        positive, negative = emission.depth_positive_percent, emission.depth_negative_percent
        if self._filtering:
            positive, negative = self._peaks(_percent(lines))
        peak = positive if self.detector == "POSitive" else negative
        return round(sqrt(peak**2 + noise_percent**2) * self._depth_error, 2)

    # Demodulated audio

    def _audio(self, emission: Emission) -> tuple[tuple[Line, ...], float]:
        """Return lines and noise of what the chosen demodulator gives: Hz, percent, or √W."""
        if self.demodulator == "FM":
            lines = (*emission.lines, *emission.signalling) if emission.mode == "FM" else ()
            return self._filtered(lines), self._noise(emission.residual_deviation_hz)
        if self.demodulator == "AM":
            lines = emission.lines if emission.mode == "AM" else ()
            return self._filtered(_percent(lines)), self._noise(emission.residual_depth_percent)
        side = 1.0 if self.demodulator == "USB" else -1.0
        shift_hz = emission.frequency_hz - self.expected_hz
        lines = emission.lines if emission.mode in SIDEBAND_MODES else ()
        heard = tuple(
            replace(line, frequency_hz=round(side * (line.frequency_hz + shift_hz), 3)) for line in lines
        )
        return self._filtered(heard), 0.0

    def _distortion_of(self, emission: Emission) -> float:
        lines, noise = self._audio(emission)
        share = _residual_share(lines, noise)
        return NO_MEASUREMENT if share is None else round(100.0 * sqrt(share), 3)

    def _sinad_of(self, emission: Emission) -> float:
        lines, noise = self._audio(emission)
        share = _residual_share(lines, noise)
        return NO_MEASUREMENT if share is None else round(-10.0 * log10(max(share, 1e-12)), 2)

    def _tone_of(self, emission: Emission) -> float:
        lines, noise = self._audio(emission)
        share = _residual_share(lines, noise)
        if share is None or share > 0.5:
            return NO_MEASUREMENT
        strongest = max(lines, key=lambda line: abs(line.amplitude))
        return round(strongest.frequency_hz * self._frequency_error, 1)

    # Samples

    def _own_noise(self, count: int, rate_hz: float) -> Complexes:
        """Return the input's own noise, √W: -155 dBm in 1 Hz, so that 0 dBm at its connector stands 105 dB above it in 100 kHz."""
        density = 10.0 ** ((_FLOOR_DBM - 20.0 - 30.0) / 10.0) / 100.0  # floor - 20 dB in 100 Hz
        noise = self.rng.standard_normal((2, count)) * sqrt(density * rate_hz / 2.0)
        return np.asarray(noise[0] + 1j * noise[1])

    def as_it_went(self, traces: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
        """Return the recording with the carrier that came or went meanwhile; what was demodulated stays as it was at the beginning."""
        unit = self.wiring.unit
        if unit.is_steady_since(self.begun_s):
            return traces
        count, rate_hz = len(traces["IQ"]), self.recorded_hz
        loss_db = self.wiring.analyser_loss_db(unit.tuned_hz)
        wave = self._own_noise(count, rate_hz)
        if loss_db is not None:
            sent = unit.wave(
                centre_hz=self.expected_hz, count=count, rate_hz=rate_hz, begin_s=self.begun_s, rng=self.rng
            )
            wave = wave + sent * 10.0 ** (-loss_db / 20.0)
        return {**traces, "IQ": wave * sqrt(100.0)}

    def _input(self, count: int, rate_hz: float) -> Complexes:
        """Return what is at the input about the frequency expected, in √W, the input's own noise included."""
        wave = self._own_noise(count, rate_hz)
        emission, level_dbm = self.wiring.emission(), self.wiring.at_meter_dbm()
        if emission is None or level_dbm is None or emission.power_w <= 0:
            return wave
        sent = baseband(
            emission,
            centre_hz=self.expected_hz,
            count=count,
            rate_hz=rate_hz,
            begin_s=self.clock.now_s(),
            rng=self.rng,
        )
        arriving_w = 10.0 ** ((level_dbm - 30.0) / 10.0)
        return np.asarray(wave + sent * sqrt(arriving_w / emission.power_w))

    def _selective_dbm(self) -> float:
        rate_hz = 96_000.0
        emission = self.wiring.emission()
        if emission is not None and abs(emission.frequency_hz - self.expected_hz) > rate_hz / 4.0:
            emission = None
        count = int(rate_hz * _FLAT_TOP_LINES / self.resolution_hz)
        wave = self._input(count, rate_hz)
        angle = 2.0 * pi * np.arange(count) / count
        window = sum(term * np.cos(k * angle) for k, term in enumerate(_FLAT_TOP))
        weighted = wave * window / float(np.sum(window))
        offsets_hz = np.linspace(-0.5, 0.5, 21) * self.resolution_hz
        turns = np.exp(-2j * pi * np.outer(offsets_hz, np.arange(count)) / rate_hz)
        strongest_w = float(np.max(np.abs(turns @ weighted) ** 2))
        shown_dbm = 10.0 * log10(max(strongest_w, 1e-30)) + 30.0
        return round(max(shown_dbm, _FLOOR_DBM) + self._level_error_db, 2)

    def record(self, count: int, rate_hz: float) -> dict[str, NDArray[Any]]:
        """Record the input about the frequency expected (V peak across 50 ohm), and the demodulated audio."""
        recorded = {"IQ": self._input(count, rate_hz) * sqrt(100.0)}
        emission = self._found()
        if emission is None:
            return {**recorded, "AUDio": np.zeros(count)}
        lines, noise = self._audio(emission)
        time_s = self.clock.now_s() + np.arange(count) / rate_hz
        audio = np.zeros(count)
        for line in lines:
            audio += (line.amplitude * np.exp(2j * pi * line.frequency_hz * time_s)).real
        white = np.fft.rfft(self.rng.standard_normal(count))
        lines_hz = np.fft.rfftfreq(count, 1.0 / rate_hz)
        inside = (lines_hz >= NOISE_BAND_HZ[0]) & (lines_hz <= NOISE_BAND_HZ[1])
        shaped = np.fft.irfft(white * inside * np.sqrt(self._gain(lines_hz)), count)
        rms = float(np.sqrt(np.mean(shaped**2)))
        return {**recorded, "AUDio": audio + (noise / rms * shaped if rms > 0 else 0.0)}


def _percent(lines: tuple[Line, ...]) -> tuple[Line, ...]:
    return tuple(replace(line, amplitude=100.0 * line.amplitude) for line in lines)


def _rms(lines: tuple[Line, ...], noise: float) -> float:
    return sqrt(sum(abs(line.amplitude) ** 2 / 2.0 for line in lines) + noise**2)


def _base_hz(lines: tuple[Line, ...]) -> float:
    """Return the frequency whose period all lines share, to 0.1 Hz, the resolution of the tones."""
    return gcd(*(round(10.0 * line.frequency_hz) for line in lines)) / 10.0


def _residual_share(lines: tuple[Line, ...], noise: float) -> float | None:
    """Return everything but the strongest tone as a share of the whole power; None in silence."""
    powers = [abs(line.amplitude) ** 2 / 2.0 for line in lines]
    total = sum(powers) + noise**2
    return (total - max(powers)) / total if powers and total > 0 else None
