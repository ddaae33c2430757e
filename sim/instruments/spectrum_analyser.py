"""The simulated spectrum analyser.

Words: SCPI-1999 volume 2 (from memory), with the departures that its profile names. Filters go 1, 3, 10; the attenuator in steps of 2 dB;
another figure is rounded to the nearest and reads back so. A span moves filters and sweep time until they are set by hand. A sweep faster
than 2.5·span/RBW² (from memory) raises bit 8 of STATus:QUEStionable, an input that overloads it bit 3; what compresses its mixer by less
raises nothing, as in real ones.

It sees what the transmit path brings, beside the power meter: a keyed unit, or what its receiver lets out.
Its noise, the noise of its oscillator and its filters, mixer and
detectors are in swept.py. Errors as in base.py: of level, of frequency response, of its scale, of its filters' width and of each step of
its attenuator.

Not modelled: what swept.py and `sim.radio.spectrum` say, traces other than the first, markers, triggers, drift.
"""

from __future__ import annotations

from math import log10
from typing import Any

import numpy as np

from sim.instruments.base import MAKER, BenchInstrument
from sim.instruments.swept import (
    Floats,
    envelope,
    line_powers,
    mixed,
    noise_bandwidth_hz,
    noisy,
)
from sim.radio.emission import Emission
from sim.radio.spectrum import NOISE_INNER_HZ, Wave, harmonic, noise_beside, oscillator_noise, wave_of
from sim.scpi.device import Boolean, Choice, Later, Number, ScpiError, command, setting
from sim.wiring.wiring import Wiring

FILTERS_HZ = tuple(step * 10.0**decade for decade in range(1, 7) for step in (1.0, 3.0))
_COUPLING = 2.5
_LEAST_SWEEP_S = 1e-3
_FLOOR_W_PER_HZ = 10.0 ** ((-152.0 - 30.0) / 10.0)
_OVERLOAD_W = 2e-3  # +3 dBm at the mixer
_ABOVE_SCREEN_DB = 5.0
_NOISE_LINES = 40  # the strongest, beside which noise is reckoned


class SpectrumAnalyser(BenchInstrument):
    """A swept spectrum analyser, 9 kHz to 3 GHz."""

    identity = (MAKER, "SA-3", "5120", "1.4")
    PHASE_NOISE_DB = -112.0
    """Noise of its own oscillator 10 kHz away, dBc/Hz, at the most: each is up to `QUIETER_DB` better, as instruments are."""
    QUIETER_DB = 6.0

    centre_hz = setting("[:SENSe]:FREQuency:CENTer", Number("Hz", minimum=0, maximum=3e9, default=1.5e9))
    span_hz = setting("[:SENSe]:FREQuency:SPAN", Number("Hz", minimum=0, maximum=3e9, default=3e9))
    bandwidth_hz = setting(
        "[:SENSe]:BANDwidth[:RESolution]", Number("Hz", minimum=10, maximum=3e6, default=3e6)
    )
    bandwidth_auto = setting("[:SENSe]:BANDwidth[:RESolution]:AUTO", Boolean(default=True))
    video_hz = setting("[:SENSe]:BANDwidth:VIDeo", Number("Hz", minimum=1, maximum=1e7, default=1e7))
    video_auto = setting("[:SENSe]:BANDwidth:VIDeo:AUTO", Boolean(default=True))
    detector = setting(
        "[:SENSe]:DETector[:FUNCtion]", Choice("POSitive", "SAMPle", "RMS", default="POSitive")
    )
    reference_dbm = setting(
        ":DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel", Number("dBm", minimum=-120, maximum=40, default=0)
    )
    attenuation_db = setting(
        ":INPut:ATTenuation", Number("dB", minimum=0, maximum=70, default=10, resolution=2.0)
    )
    points = setting(
        "[:SENSe]:SWEep:POINts", Number(integer=True, minimum=11, maximum=100_001, default=1_001)
    )
    sweep_s = setting("[:SENSe]:SWEep:TIME", Number("s", minimum=_LEAST_SWEEP_S, maximum=4e3, default=1e-3))
    sweep_auto = setting("[:SENSe]:SWEep:TIME:AUTO", Boolean(default=True))
    continuous = setting(":INITiate:CONTinuous", Boolean(default=True))
    unit_of_power = setting(":UNIT:POWer", Choice("DBM", "DBUV", default="DBM"))
    format_name = setting(":FORMat:NAME", Choice("ASCii", "REAL", default="ASCii"))

    def __init__(
        self,
        clock: Any,
        wiring: Wiring,
        rng: np.random.Generator,
        *,
        level_error_db: float = 0.4,
        response_error_db: float = 0.4,
        scale_error_db: float = 0.15,
        bandwidth_error_percent: float = 3.0,
    ) -> None:
        super().__init__(clock, wiring, rng)
        self._level_error_db = self.within(level_error_db)
        self._response_db = self.within(response_error_db)
        self._response_phase = float(self.rng.uniform(0.0, 2.0 * np.pi))
        self._scale_db = self.within(scale_error_db)
        self._width = 1.0 + self.within(bandwidth_error_percent) / 100.0
        self._phase_noise_db = self.PHASE_NOISE_DB - float(self.rng.uniform(0.0, self.QUIETER_DB))
        self._steps_db = self.rng.uniform(-0.1, 0.1, size=36)
        self._trace: Floats | None = None
        self._overloaded = False
        self._too_fast = False

    # Coupling

    @span_hz.changed
    @bandwidth_auto.changed
    def _couple(self) -> None:
        if self.bandwidth_auto and self.span_hz:
            self.bandwidth_hz = _nearest_filter(self.span_hz / 100.0)
        self._couple_sweep()

    @bandwidth_hz.changed
    def _take_filter(self) -> None:
        self.bandwidth_auto = False
        self.bandwidth_hz = _nearest_filter(self.bandwidth_hz)
        self._couple_sweep()

    @video_hz.changed
    def _leave_video(self) -> None:
        self.video_auto = False

    @video_auto.changed
    @sweep_auto.changed
    def _couple_sweep(self) -> None:
        if self.video_auto:
            self.video_hz = min(1e7, 3.0 * self.bandwidth_hz)
        if self.sweep_auto:
            self.sweep_s = max(_LEAST_SWEEP_S, self._slowest_s)

    @sweep_s.changed
    def _leave_sweep(self) -> None:
        self.sweep_auto = False

    def on_reset(self) -> None:
        """Couple everything, and hold no trace."""
        self.bandwidth_auto = self.video_auto = self.sweep_auto = True
        self._trace = None
        self._couple()

    @property
    def _slowest_s(self) -> float:
        return float(_COUPLING * self.span_hz / self.bandwidth_hz**2)

    # Traces

    @command(
        ":FORMat[:DATA]", Choice("ASCii", "REAL"), Number(integer=True, minimum=0, maximum=64, optional=True)
    )
    def set_format(self, name: str, bits: int | None) -> None:
        """Say in which form traces are sent: text, or blocks of 32 bits."""
        if name == "REAL" and bits not in (None, 32):
            raise ScpiError(-224, "REAL,32 is the only block")
        self.format_name = name

    @command(":FORMat[:DATA]?")
    def say_format(self) -> str:
        """Answer the form of traces."""
        return "REAL,32" if self.format_name == "REAL" else "ASC,8"

    @command(":INITiate[:IMMediate]")
    def initiate(self) -> Later:
        """Sweep once, which takes as long as it says."""
        return Later(self.sweep_s, self._sweep)

    def _sweep(self) -> None:
        self.look()
        self._too_fast = self.sweep_s < 0.999 * self._slowest_s
        self._trace = self._shown_dbm(self._powers_w())

    @command(":TRACe[:DATA]?", Choice("TRACE1"))
    def read_trace(self, _name: str) -> bytes | str:
        """Answer the trace in the unit and form that were chosen; -230 where nothing was swept."""
        if self._trace is None:
            raise ScpiError(-230, "nothing was swept; INITiate sweeps")
        shown = self._trace + (106.9897 if self.unit_of_power == "DBUV" else 0.0)
        if self.format_name == "REAL":
            return shown.astype(">f4").tobytes()
        return ",".join(f"{one:.3f}" for one in shown)

    def questionable_condition(self) -> int:
        """Say in bit 3 that the input is overloaded, in bit 8 that the last sweep was too fast."""
        return 8 * self._overloaded + 256 * self._too_fast

    # What it sees

    def _waves(self, emission: Emission) -> tuple[Wave, ...]:
        """Return what arrives at its input, the strong one first."""
        own = wave_of(emission)
        sent = [own]
        sent += [harmonic(own, order, level_db) for order, level_db in enumerate(emission.harmonics_db, 2)]
        highest = float(np.abs(own.samples).max(initial=0.0))
        sent += [
            Wave(
                centre_hz=frequency_hz,
                base_hz=own.base_hz,
                samples=np.full(8, highest * 10.0 ** (level_db / 20.0), dtype=np.complex128),
            )
            for frequency_hz, level_db in emission.spurious
        ]
        arriving = [
            Wave(
                centre_hz=one.centre_hz, base_hz=one.base_hz, samples=one.samples * 10.0 ** (-loss_db / 20.0)
            )
            for one in sent
            if (loss_db := self.wiring.meter_loss_db(one.centre_hz)) is not None
        ]
        return tuple(arriving)

    def _leaking(self) -> tuple[Wave, ...]:
        """Return what a receiver lets out, as it arrives: far too weak for the mixer to make anything of it."""
        arriving = (
            (frequency_hz, level_dbm - loss_db)
            for frequency_hz, level_dbm in self.wiring.leaks()
            if (loss_db := self.wiring.meter_loss_db(frequency_hz)) is not None
        )
        return tuple(
            Wave(
                centre_hz=frequency_hz,
                base_hz=1e3,
                samples=np.full(8, 10.0 ** ((at_dbm - 30.0) / 20.0), dtype=np.complex128),
            )
            for frequency_hz, at_dbm in arriving
        )

    def _powers_w(self) -> Floats:
        """Return the power behind filter and detector at each point, referred to its input."""
        width_hz = self.bandwidth_hz * self._width
        count = int(self.points)
        at_hz = self.centre_hz + (np.arange(count) / (count - 1) - 0.5) * self.span_hz
        emission = self.wiring.emission()
        waves = self._waves(emission) if emission is not None else ()
        leaking = self._leaking() if emission is None else ()
        self._overloaded = False
        seen: Floats = np.zeros(count)
        density: Floats = np.zeros(count)
        pad = 10.0 ** (self._pad_db / 10.0)
        if waves:
            before = tuple(_weaker(one, pad**-0.5) for one in waves)
            self._overloaded = float(np.mean(np.abs(before[0].samples) ** 2)) > _OVERLOAD_W
            behind = mixed(before)
            if self.span_hz:
                seen = line_powers(behind.waves, at_hz, width_hz, peak=self.detector == "POSitive") * pad
            else:
                times_s = self.clock.now_s() + np.arange(count) * self.sweep_s / (count - 1)
                seen = envelope(behind.waves, self.centre_hz, width_hz, times_s) * pad
            density = self._noise_beside(emission, waves[0], at_hz)
        if leaking:
            seen = line_powers(leaking, at_hz, width_hz, peak=self.detector == "POSitive")
        noise_w = (density + _FLOOR_W_PER_HZ * pad) * noise_bandwidth_hz(width_hz)
        independent = noise_bandwidth_hz(width_hz) * self.sweep_s / count
        return np.asarray(seen + noisy(noise_w, independent, self.detector, self.rng))

    def _noise_beside(self, emission: Emission | None, wave: Wave, at_hz: Floats) -> Floats:
        """Return the density of noise beside the strong wave's lines, W/Hz: the unit's, and that of the own oscillator."""
        assert emission is not None
        lines_hz, amplitudes = wave.lines
        strongest = np.argsort(-np.abs(amplitudes))[:_NOISE_LINES]
        density = np.zeros(len(at_hz))
        # what a filter on the line itself takes of noise that goes with 1/f² down to NOISE_INNER_HZ and is flat below: 4/f of it in all,
        # spread over the filter's noise bandwidth
        within = 0.25 * noise_bandwidth_hz(self.bandwidth_hz) * NOISE_INNER_HZ
        for number in strongest:
            away_hz = np.sqrt((at_hz - lines_hz[number]) ** 2 + within)
            beside = noise_beside(emission, away_hz) + oscillator_noise(self._phase_noise_db, away_hz)
            density += np.abs(amplitudes[number]) ** 2 * beside
        return density

    @property
    def _pad_db(self) -> float:
        return float(self.attenuation_db)

    def _shown_dbm(self, powers_w: Floats) -> Floats:
        levels_dbm = 10.0 * np.log10(np.maximum(powers_w, 1e-30)) + 30.0
        count = len(levels_dbm)
        at_hz = np.maximum(1e4, self.centre_hz + (np.arange(count) / (count - 1) - 0.5) * self.span_hz)
        below_db = np.clip(self.reference_dbm - levels_dbm, 0.0, 120.0)
        levels_dbm = (
            levels_dbm
            + self._level_error_db
            + self._response_db * np.sin(3.0 * np.log10(at_hz) + self._response_phase)
            + self._scale_db * np.sin(below_db / 25.0)
            + self._steps_db[int(self.attenuation_db / 2.0)]
        )
        top_dbm = self.reference_dbm + _ABOVE_SCREEN_DB
        self._overloaded |= bool(levels_dbm.max() > top_dbm)
        return np.asarray(np.minimum(levels_dbm, top_dbm))


def _weaker(wave: Wave, share: float) -> Wave:
    return Wave(centre_hz=wave.centre_hz, base_hz=wave.base_hz, samples=wave.samples * share)


def _nearest_filter(asked_hz: float) -> float:
    return min(FILTERS_HZ, key=lambda one: abs(log10(one / asked_hz)))
