"""A DC supply on a command profile."""

from __future__ import annotations

from typing import Any

from drivers.profiled.base import ProfiledInstrument
from drivers.roles import Reading, Supply


class ProfiledSupply(ProfiledInstrument, Supply):
    """A DC supply that feeds the unit. Whether its terminals can be read, its profile says."""

    def __init__(self, *arguments: Any, **settings: Any) -> None:
        super().__init__(*arguments, **settings)
        self.reads_voltage = self._has("measured_voltage")

    def configure_voltage(self, voltage_v: float, current_limit_a: float) -> None:
        """Set the current limit first and then the voltage, each confirmed."""
        self._set("current_limit", current_limit_a, tolerance=0.05)
        self._set("voltage", voltage_v, tolerance=0.05)

    def configure_output_enabled(self, enabled: bool) -> None:
        """Switch the output, confirmed by read-back."""
        self._set_switch("output", enabled)

    def read_voltage_v(self) -> Reading:
        """Return the voltage at its terminals, V."""
        return self._read("measured_voltage")

    def read_current_a(self) -> Reading:
        """Return the current it delivers, A."""
        return self._read("measured_current")
