"""A DC voltmeter on a command profile."""

from __future__ import annotations

from drivers.profiled.base import ProfiledInstrument
from drivers.roles import Reading, Voltmeter


class ProfiledVoltmeter(ProfiledInstrument, Voltmeter):
    """A DC voltmeter, usually on the unit's signal-meter line."""

    def prepare(self) -> None:
        """Forget the reading time that an earlier user set."""
        self._reading_s: float | None = None

    def read_voltage_v(self, reading_s: float) -> Reading:
        """Return the DC voltage, V, averaged over about ``reading_s`` seconds."""
        if self._has("reading_time") and (reading_s != self._reading_s or "reading_time" not in self._kept):
            self._set("reading_time", reading_s, tolerance=0.05 * reading_s)
            self._reading_s = reading_s
        return self._read("voltage", extra_s=reading_s)
