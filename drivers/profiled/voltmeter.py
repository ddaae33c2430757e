"""A DC voltmeter on a command profile."""

from __future__ import annotations

from drivers.profiled.base import ProfiledInstrument
from drivers.roles import Reading, Voltmeter


class ProfiledVoltmeter(ProfiledInstrument, Voltmeter):
    """A DC voltmeter, usually on the unit's signal-meter line."""

    def read_voltage_v(self, reading_s: float) -> Reading:
        """Return the DC voltage, V, averaged over about ``reading_s`` seconds."""
        return self._read_for("voltage", reading_s)
