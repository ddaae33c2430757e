"""The RF side's simulated instruments: signal generator, power meter, modulation analyser.

Command words: SCPI-1999 (from memory), as the shipped profiles use them. Accuracy, resolution, noise and settling are those of
ordinary workshop instruments: common practice, no source. Each instrument has an error of its own, drawn once from the bench's seed
inside the half-width stated here, which no one on the bench is told.

Choosing a range switches auto-ranging off, as SCPI-1999 volume 2 says of RANGe:UPPer (from memory).

Not modelled: harmonics, phase noise and leakage of the generator, sensor drift with temperature, zeroing error,
frequency response of any input, triggers other than immediate.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from sim.rf_signal import RfSignal
from sim.scpi.device import (
    Boolean,
    Choice,
    Later,
    Number,
    ScpiDevice,
    ScpiError,
    Text,
    command,
    setting,
)
from sim.wiring.wiring import Wiring

MAKER = "Hollinbrook"
OVER_RANGE, UNDER_RANGE, NO_MEASUREMENT = 9.9e37, -9.9e37, 9.91e37  # SCPI-1999 volume 1, 7.2.1


class BenchInstrument(ScpiDevice):
    """A simulated instrument that is wired to the bench."""

    def __init__(self, clock: Any, wiring: Wiring, rng: np.random.Generator) -> None:
        super().__init__(clock)
        self.wiring = wiring
        self.rng = rng
        self.movers: list[BenchInstrument] = []  # all on the bench whose output moves by itself

    def within(self, half_width: float) -> float:
        """Draw a fixed error inside a half-width."""
        return float(self.rng.uniform(-half_width, half_width))

    def look(self) -> None:
        """Bring everything that moves by itself up to now, before the bench is read."""
        for mover in self.movers:
            mover.catch_up()
        self.wiring.update()

    def catch_up(self) -> None:
        """Let what moves by itself have moved; a hook."""


class RfGenerator(BenchInstrument):
    """An RF signal generator, 100 kHz to 3 GHz, −137 to +13 dBm, settling in 30 ms.

    While it settles its output is 3 dB low: a reading that did not wait is wrong.
    """

    identity = (MAKER, "SG-2", "2201", "1.4")
    SETTLE_S = 0.030
    UNSETTLED_DB = -3.0

    unit_of_power = setting(":UNIT:POWer", Choice("DBM", default="DBM"))
    frequency_hz = setting(
        "[:SOURce]:FREQuency[:CW|:FIXed]", Number("Hz", minimum=1e5, maximum=3e9, default=1e8, resolution=0.1)
    )
    level_dbm = setting(
        "[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]",
        Number("dBm", minimum=-137.0, maximum=13.0, default=-137.0, resolution=0.01),
    )
    output_on = setting(":OUTPut[:STATe]", Boolean(default=False))
    fm_on = setting("[:SOURce]:FM:STATe", Boolean(default=False))
    fm_hz = setting(
        "[:SOURce]:FM[:DEViation]", Number("Hz", minimum=0, maximum=1e5, default=1e3, resolution=1.0)
    )
    fm_source = setting("[:SOURce]:FM:SOURce", Choice("INTernal", "EXTernal", default="INTernal"))
    fm_tone_hz = setting(
        "[:SOURce]:FM:INTernal:FREQuency", Number("Hz", minimum=10, maximum=2e4, default=1e3, resolution=0.1)
    )
    am_on = setting("[:SOURce]:AM:STATe", Boolean(default=False))
    am_percent = setting(
        "[:SOURce]:AM[:DEPTh]", Number("PCT", minimum=0, maximum=100, default=30, resolution=0.1)
    )
    am_source = setting("[:SOURce]:AM:SOURce", Choice("INTernal", "EXTernal", default="INTernal"))
    am_tone_hz = setting(
        "[:SOURce]:AM:INTernal:FREQuency", Number("Hz", minimum=10, maximum=2e4, default=1e3, resolution=0.1)
    )
    levelling = setting("[:SOURce]:POWer:ALC[:STATe]", Boolean(default=True))

    def __init__(
        self,
        clock: Any,
        wiring: Wiring,
        rng: np.random.Generator,
        apply: Callable[[RfSignal | None], None],
        *,
        serial: str = "2201",
        level_error_db: float = 0.25,
        frequency_error_ppm: float = 0.05,
    ) -> None:
        super().__init__(clock, wiring, rng)
        maker, model, _, firmware = self.identity
        self.identity = (maker, model, serial, firmware)
        self._apply = apply
        self._delivered: RfSignal | None = None
        self._level_error_db = self.within(level_error_db)
        self._frequency_error_ppm = self.within(frequency_error_ppm)
        self._settled_at_s = -math.inf
        self._settled = True

    @frequency_hz.changed
    @level_dbm.changed
    def _moved(self) -> None:
        self.look()
        self._settled, self._settled_at_s = False, self.moment_s + self.SETTLE_S
        self.begin("SETTling", self.SETTLE_S)
        self._deliver()

    @output_on.changed
    @fm_on.changed
    @fm_hz.changed
    @fm_tone_hz.changed
    @am_on.changed
    @am_percent.changed
    @am_tone_hz.changed
    def _deliver(self) -> None:
        self.look()
        self._delivered = self._signal()
        self._apply(self._delivered)

    @command(":OUTPut:MODulation[:STATe]", Boolean())
    def all_modulation(self, on: bool) -> None:
        """Switch all modulation off; switching it on again is a matter of each kind."""
        if not on:
            self.fm_on = self.am_on = False
            self._deliver()

    def catch_up(self) -> None:
        """Let the output stand if its time has come, and the unit hear it since then, however late anybody looks.

        Called before anything else brings the unit up to now: its lags do not go back.
        """
        if self._settled or self.clock.now_s() < self._settled_at_s:
            return
        self._settled = True
        if self._delivered is None:
            return
        self._delivered = replace(self._delivered, level_dbm=self._delivered.level_dbm - self.UNSETTLED_DB)
        paths = self.wiring.paths
        arrived_s = -math.inf if paths.moving else paths.arrives_s
        wanted, interferer, *_ = (*(paths.at_antenna(each.delivered) for each in self._generators()), None)
        self.wiring.unit.apply_rf(wanted, interferer, max(self._settled_at_s, arrived_s))
        self._apply(self._delivered)

    @property
    def delivered(self) -> RfSignal | None:
        """What leaves its connector."""
        return self._delivered

    def _generators(self) -> list[RfGenerator]:
        return [each for each in self.movers if isinstance(each, RfGenerator)] or [self]

    def operation_condition(self) -> int:
        """Let the output stand in time; the SETTling bit itself is held by `begin`."""
        self.catch_up()
        return 0

    def _signal(self) -> RfSignal | None:
        if not self.output_on:
            return None
        unsettled_db = 0.0 if self._settled else self.UNSETTLED_DB
        return RfSignal(
            level_dbm=self.level_dbm + self._level_error_db + unsettled_db,
            frequency_hz=self.frequency_hz * (1.0 + 1e-6 * self._frequency_error_ppm),
            fm_deviation_hz=self.fm_hz if self.fm_on else 0.0,
            am_depth_percent=self.am_percent if self.am_on else 0.0,
            tone_hz=self.fm_tone_hz if self.fm_on else self.am_tone_hz,
        )


class RfPowerMeter(BenchInstrument):
    """A thermal power meter, −40 to +20 dBm; a reading takes 60 ms."""

    identity = (MAKER, "PM-1", "3107", "2.0")
    READ_S = 0.060

    unit_of_power = setting(":UNIT:POWer", Choice("DBM", "W", default="W"))
    corrected_hz = setting(
        "[:SENSe]:FREQuency[:CW|:FIXed]", Number("Hz", minimum=1e5, maximum=6e9, default=5e7)
    )
    auto_range = setting("[:SENSe]:POWer:AC:RANGe:AUTO", Boolean(default=True))
    upper_dbm = setting("[:SENSe]:POWer:AC:RANGe[:UPPer]", Number("dBm", minimum=-20, maximum=20, default=20))

    def __init__(
        self, clock: Any, wiring: Wiring, rng: np.random.Generator, *, power_error_percent: float = 1.5
    ) -> None:
        super().__init__(clock, wiring, rng)
        self._error_db = 10.0 * math.log10(1.0 + self.within(power_error_percent) / 100.0)
        self._last: float | None = None

    @command(":CONFigure[:SCALar]:POWer[:AC]")
    def configure(self) -> None:
        """Select the only function there is."""

    @command(":CALibration:ZERO:AUTO", Choice("ONCE"))
    def zero(self, _once: str) -> Later:
        """Zero the sensor, which takes 3 s; -340 with power on it."""
        self.look()
        if self.wiring.at_meter_dbm() is not None:
            raise ScpiError(-340, "RF on the sensor while zeroing")
        return Later(3.0)

    @command(":MEASure[:SCALar]:POWer[:AC]?")
    @command(":READ[:SCALar][:POWer][:AC]?")
    def read_power(self) -> Later:
        """Measure, which takes 60 ms."""
        return Later(self.READ_S, self._measure)

    @command(":MEASure[:SCALar]:POWer:PEAK?")
    @command(":READ[:SCALar]:POWer:PEAK?")
    def read_peak(self) -> Later:
        """Measure the peak envelope power, which takes 60 ms; PEAK is a departure: SCPI-1999 names no such function."""
        return Later(self.READ_S, self._measure_peak)

    @command(":FETCh[:SCALar][:POWer][:AC]?")
    def fetch_power(self) -> float:
        """Return the last result; -230 where there is none."""
        if self._last is None:
            raise ScpiError(-230)
        return self._last

    def _measure(self) -> float:
        self.look()
        self._last = self._shown(self.wiring.at_meter_dbm())
        return self._last

    def _measure_peak(self) -> float:
        self.look()
        return self._shown(self.wiring.at_meter_peak_dbm())

    @upper_dbm.check
    def _leave_auto_range(self, _upper_dbm: float) -> None:
        self.auto_range = False

    def _shown(self, level_dbm: float | None) -> float:
        if level_dbm is None or level_dbm < -40.0:
            return UNDER_RANGE
        if level_dbm > (20.0 if self.auto_range else self.upper_dbm) + 1.0:
            return OVER_RANGE
        shown_dbm = round(level_dbm + self._error_db + 0.004 * float(self.rng.standard_normal()), 3)
        return shown_dbm if self.unit_of_power == "DBM" else 10.0 ** (shown_dbm / 10.0) / 1000.0


_FUNCTIONS = {
    "FREQUENCY": "frequency",
    "FREQ": "frequency",
    "FM": "deviation",
    "FM:DEVIATION": "deviation",
    "FM:DEV": "deviation",
}


class FmAnalyser(BenchInstrument):
    """A modulation analyser: carrier frequency to 1 Hz, peak FM deviation in ranges of 1, 3, 10, 30 and 100 kHz."""

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

    def __init__(
        self,
        clock: Any,
        wiring: Wiring,
        rng: np.random.Generator,
        *,
        deviation_error_percent: float = 0.5,
        frequency_error_ppm: float = 0.05,
    ) -> None:
        super().__init__(clock, wiring, rng)
        self._deviation_error = 1.0 + self.within(deviation_error_percent) / 100.0
        self._frequency_error = 1.0 + 1e-6 * self.within(frequency_error_ppm)

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
        emission, level_dbm = self.wiring.emission(), self.wiring.at_meter_dbm()
        if emission is None or level_dbm is None or level_dbm < -40.0:
            return NO_MEASUREMENT
        if abs(emission.frequency_hz - self.expected_hz) > self.CAPTURE_HZ:
            return NO_MEASUREMENT
        if _FUNCTIONS[self.function.upper()] == "frequency":
            return float(round(emission.frequency_hz * self._frequency_error))
        return self._deviation(
            emission.deviation_positive_hz, emission.deviation_negative_hz, emission.residual_deviation_hz
        )

    def _deviation(self, positive_hz: float, negative_hz: float, residual_hz: float) -> float:
        peak_hz = {
            "POSitive": positive_hz,
            "NEGative": negative_hz,
            "RMS": (positive_hz + negative_hz) / 2**1.5,
        }[self.detector]
        # a peak detector reads noise on top of the tone: about the noise's own peak where there is no tone
        shown_hz = (
            math.hypot(peak_hz, residual_hz) + 1.5 * abs(float(self.rng.standard_normal()))
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
