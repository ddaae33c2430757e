"""What surrounds the unit while it is measured: the role of a climatic chamber."""

from __future__ import annotations

from abc import abstractmethod

from drivers.instrument import Instrument
from drivers.values import Reading

__all__ = ["Chamber"]


class Chamber(Instrument):
    """A climatic chamber in which the unit stands. No instrument class of SCPI-1999 or IVI is known to us for it."""

    reads_specimen: bool = False
    """Whether `read_specimen_c` reads a sensor on the unit."""

    @abstractmethod
    def configure_temperature_c(self, temperature_c: float) -> None:
        """Set the temperature that its air is to have, °C, confirmed by read-back."""

    @abstractmethod
    def configure_output_enabled(self, enabled: bool) -> None:
        """Let it heat and cool, or stop it, confirmed by read-back."""

    @abstractmethod
    def read_temperature_c(self) -> Reading:
        """Return the temperature of its air, °C."""

    def read_specimen_c(self) -> Reading:
        """Return what a sensor on the unit reads, °C. Refused by a chamber without."""
        raise self._cannot("read a sensor on the unit")
