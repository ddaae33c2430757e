"""The simulated RF power meter.

Words, errors and accuracy: as in base.py. Not modelled: zeroing error, sensor drift, the sensor's mismatch.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from sim.instruments.base import MAKER, OVER_RANGE, UNDER_RANGE, BenchInstrument
from sim.scpi.device import Boolean, Choice, Later, Number, ScpiError, command, setting
from sim.wiring.wiring import Wiring


class PowerMeter(BenchInstrument):
    """A thermal power meter, −40 to +20 dBm; a reading takes 60 ms."""

    identity = (MAKER, "PM-1", "3107", "2.0")
    READ_S = 0.060
    worn_db: float = 0.0
    """By how much it has got high since it was adjusted, dB."""

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
        shown_dbm = round(
            level_dbm + self._error_db + self.worn_db + 0.004 * float(self.rng.standard_normal()), 3
        )
        return shown_dbm if self.unit_of_power == "DBM" else 10.0 ** (shown_dbm / 10.0) / 1000.0
