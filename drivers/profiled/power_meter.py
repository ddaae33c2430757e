"""An RF power meter on a command profile."""

from __future__ import annotations

from drivers.profiled.base import ProfiledInstrument
from drivers.roles import PowerMeter, Reading

ZERO_MAX_S = 30.0  # thermal sensors take up to half a minute: common practice, no source


class ProfiledPowerMeter(ProfiledInstrument, PowerMeter):
    """An RF power meter; 0 dBm is 1 mW at its own connector."""

    def set_correction_frequency_hz(self, frequency_hz: float) -> None:
        """Tell the sensor which carrier it measures, where it asks for that: a flat one may lack the command."""
        if self._has("correction_frequency"):
            self._set("correction_frequency", frequency_hz, tolerance=1e3)

    def read_power_dbm(self) -> Reading:
        """Return the average power at its own connector, dBm, or the range state that stands for no number."""
        return self._read("power")

    def read_peak_envelope_dbm(self) -> Reading:
        """Return the peak envelope power at its own connector, dBm, or the range state that stands for no number."""
        return self._read("peak_power")

    def zero(self) -> None:
        """Zero the sensor; RF must be off."""
        self._say("zero", extra_s=ZERO_MAX_S, strict=True)
