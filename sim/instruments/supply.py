"""The simulated DC supply of the unit.

Words, errors and accuracy: as in base.py. Not modelled: ripple, drop along the leads, the dynamics of the current limit (a limit that
is hit takes the voltage away at once).
"""

from __future__ import annotations

from sim.instruments.base import MAKER, BenchInstrument
from sim.scpi.device import Boolean, Later, Number, command, setting


class DcSupply(BenchInstrument):
    """A DC supply, 0 to 30 V and 0 to 20 A, settling in 50 ms."""

    identity = (MAKER, "PS-30", "1007", "1.02")

    voltage_v = setting(
        "[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
        Number("V", minimum=0, maximum=30, default=0, resolution=0.001),
    )
    current_a = setting(
        "[:SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]",
        Number("A", minimum=0, maximum=20, default=1, resolution=0.001),
    )
    output_on = setting(":OUTPut[:STATe]", Boolean(default=False))

    _limited = False

    @voltage_v.changed
    @output_on.changed
    def _feed(self) -> None:
        self.look()
        self._limited = False
        self.begin("SETTling", 0.050)
        self.wiring.set_supply_v(self.voltage_v if self.output_on else None)

    @command(":MEASure[:SCALar]:VOLTage[:DC]?")
    def measure_voltage(self) -> Later:
        """Measure at the terminals."""
        return Later(0.02, self._volts)

    @command(":MEASure[:SCALar]:CURRent[:DC]?")
    def measure_current(self) -> Later:
        """Measure what is delivered."""
        return Later(0.02, self._amperes)

    def questionable_condition(self) -> int:
        """Say in bit 1 (CURRent) that the limit has taken the voltage away, until the output is set anew."""
        self.catch_up()
        return 2 * self._limited

    def catch_up(self) -> None:
        """Take the voltage away if the unit draws more than the limit, whoever made it draw more."""
        if self.output_on and self.wiring.unit.supply_current_a() > self.current_a:
            self._limited = True
            self.wiring.set_supply_v(None)

    def _volts(self) -> float:
        self.look()
        return (
            round(self.wiring.unit.supply_v + 0.002 * float(self.rng.standard_normal()), 3)
            if self.output_on
            else 0.0
        )

    def _amperes(self) -> float:
        self.look()
        current_a = self.wiring.unit.supply_current_a() if self.output_on else 0.0
        return round(max(0.0, current_a + 0.002 * float(self.rng.standard_normal())), 3)
