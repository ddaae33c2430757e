"""The simulated climatic chamber: -70 to 180 °C, with a sensor in its air and one on the unit.

Words: vocabulary of SCPI-1999 (from memory); there is no class of chambers. Stopped, its air goes to the room's temperature, slower.
Not modelled: humidity, a limited rate of change, overshoot, defrosting, its door.
"""

from __future__ import annotations

from typing import Any

from sim.climate import ROOM_C, Climate
from sim.instruments.base import MAKER, BenchInstrument
from sim.scpi.device import Boolean, Later, Number, command, setting

AIR_S, STOPPED_S = 150.0, 900.0


class ClimaticChamber(BenchInstrument):
    """A climatic chamber in which the unit stands."""

    identity = (MAKER, "CC-2", "9102", "1.1")

    set_c = setting(
        "[:SOURce]:TEMPerature[:SPOint]", Number("", minimum=-70, maximum=180, default=23, resolution=0.1)
    )
    running = setting(":OUTPut[:STATe]", Boolean(default=False))

    def __init__(self, *arguments: Any, sensor_error_c: float = 0.3) -> None:
        super().__init__(*arguments)
        self.climate = Climate(now_s=self.clock.now_s())
        self.sensor_errors_c = (self.within(sensor_error_c), self.within(sensor_error_c))
        self.wiring.unit.climate = self.climate

    @set_c.changed
    @running.changed
    def _condition(self) -> None:
        target_c = self.set_c if self.running else ROOM_C
        self.climate.head_for(target_c, self.clock.now_s(), air_s=AIR_S if self.running else STOPPED_S)

    @command(":MEASure[:SCALar]:TEMPerature[:AIR]?")
    def measure_air(self) -> Later:
        """Measure the air."""
        return Later(0.05, lambda: self._shown(self.climate.air_c(self.clock.now_s()), 0))

    @command(":MEASure[:SCALar]:TEMPerature:SPECimen?")
    def measure_specimen(self) -> Later:
        """Measure the sensor on the unit."""
        return Later(0.05, lambda: self._shown(self.climate.body_c(self.clock.now_s()), 1))

    def _shown(self, truth_c: float, sensor: int) -> float:
        return round(truth_c + self.sensor_errors_c[sensor] + 0.03 * float(self.rng.standard_normal()), 2)
