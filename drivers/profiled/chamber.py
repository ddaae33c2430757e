"""A climatic chamber on a command profile."""

from __future__ import annotations

from typing import Any

from typing_extensions import override

from drivers.climate import Chamber
from drivers.profiled.base import ProfiledInstrument
from drivers.values import Reading

SET_WITHIN_C = 0.06  # what a chamber that takes tenths makes of a temperature: common practice, no source


class ProfiledChamber(ProfiledInstrument, Chamber):
    """A climatic chamber. Whether a sensor on the unit can be read, its profile says."""

    when_not_switched = "Look at its front panel, and switch it off at its own switch if it must not run."

    def __init__(self, *arguments: Any, **settings: Any) -> None:
        super().__init__(*arguments, **settings)
        self.reads_specimen = self._has("specimen_temperature")

    @override
    def disable(self) -> None:
        self.configure_output_enabled(False)

    @override
    def configure_temperature_c(self, temperature_c: float) -> None:
        self._set("temperature", temperature_c, tolerance=SET_WITHIN_C)

    @override
    def configure_output_enabled(self, enabled: bool) -> None:
        self._set_switch("output", enabled)

    @override
    def read_temperature_c(self) -> Reading:
        return self._read("measured_temperature")

    @override
    def read_specimen_c(self) -> Reading:
        if not self.reads_specimen:
            return super().read_specimen_c()
        return self._read("specimen_temperature")
