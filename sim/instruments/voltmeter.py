"""The simulated DC voltmeter on the signal meter's line.

Words, errors and accuracy: as in base.py. Not modelled: hum, input impedance, thermal voltages.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from sim.instruments.base import MAKER, OVER_RANGE, BenchInstrument
from sim.scpi.device import Boolean, Later, Number, ScpiError, command, setting
from sim.wiring.wiring import Wiring


class DcVoltmeter(BenchInstrument):
    """A DC voltmeter with ranges of 0.1, 1, 10 and 100 V and 5½ digits."""

    identity = (MAKER, "DV-5", "7045", "1.1")
    RANGES_V = (0.1, 1.0, 10.0, 100.0)
    steps_s: tuple[float, ...] = ()
    """The apertures it has, where it has steps, such as 0.2, 1, 10 and 100 cycles of the line; it takes the next longer one."""
    refuses_steps: bool = False
    """Whether it refuses what is none of its steps, -224, instead."""

    aperture_s = setting(
        "[:SENSe]:VOLTage[:DC]:APERture",
        Number("s", minimum=0.001, maximum=10, default=0.1, resolution=0.001),
    )
    auto_range = setting("[:SENSe]:VOLTage[:DC]:RANGe:AUTO", Boolean(default=True))
    upper_v = setting("[:SENSe]:VOLTage[:DC]:RANGe[:UPPer]", Number("V", minimum=0, maximum=100, default=10))

    def __init__(
        self, clock: Any, wiring: Wiring, rng: np.random.Generator, *, error_percent: float = 0.1
    ) -> None:
        super().__init__(clock, wiring, rng)
        self._error = 1.0 + self.within(error_percent) / 100.0

    @command(":CONFigure[:SCALar]:VOLTage[:DC]")
    def configure(self) -> None:
        """Select the only function there is."""

    @command(":MEASure[:SCALar]:VOLTage[:DC]?")
    @command(":READ?")
    def read_voltage(self) -> Later:
        """Measure the signal meter's line over the aperture, beginning now."""
        self.look()
        volts = self.wiring.unit.meter_volts(self.aperture_s) * self._error
        return Later(self.aperture_s, self._shown(volts))

    @aperture_s.check
    def _refuse_between(self, wanted_s: float) -> None:
        if self.refuses_steps and not any(abs(wanted_s - step_s) < 1e-6 for step_s in self.steps_s):
            raise ScpiError(-224, f"aperture {wanted_s:g} s")

    @aperture_s.changed
    def _take_step(self) -> None:
        longer = [step_s for step_s in self.steps_s if step_s >= self.aperture_s]
        if self.steps_s:
            self.settings["aperture_s"] = min(longer, default=max(self.steps_s))

    @upper_v.check
    def _leave_auto_range(self, _upper_v: float) -> None:
        self.auto_range = False

    def _shown(self, volts: float) -> float:
        allowed = (
            self.RANGES_V if self.auto_range else tuple(r for r in self.RANGES_V if r >= self.upper_v)[:1]
        )
        range_v = next((r for r in allowed if abs(volts) <= 1.2 * r), None)
        if range_v is None:
            return math.copysign(OVER_RANGE, volts)
        step_v = range_v / 1e5
        return round(volts / step_v) * step_v
