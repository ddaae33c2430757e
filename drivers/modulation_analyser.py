"""An AM/FM modulation analyser on a command profile."""

from __future__ import annotations

from typing import Literal

from drivers.instrument import ProfiledInstrument
from drivers.roles import ModulationAnalyser, Reading


class ProfiledModulationAnalyser(ProfiledInstrument, ModulationAnalyser):
    """An AM/FM modulation analyser."""

    def tune_hz(self, frequency_hz: float) -> None:
        """Tell it which carrier to expect."""
        self._set("tune", frequency_hz, tolerance=1.0)

    def read_frequency_hz(self) -> Reading:
        """Return the carrier frequency, Hz."""
        return self._read("carrier_frequency")

    def read_deviation_hz(self, side: Literal["positive", "negative"]) -> Reading:
        """Return the peak FM deviation, Hz (a positive number), of one side of the carrier."""
        return self._read(f"deviation_{side}")
