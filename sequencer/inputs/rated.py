"""What a type of radio is rated for: the supplies and the temperatures at which it may be measured."""

from typing import Annotated

from pydantic import AfterValidator, model_validator

from sequencer.files.fields import FileModel, TemperatureC, VoltageV, between
from sequencer.problems import FieldProblem

_SupplyV = Annotated[VoltageV, AfterValidator(between(0.5, 60.0, "V"))]
_TemperatureC = Annotated[TemperatureC, AfterValidator(between(-90.0, 200.0, "°C"))]


class RatedSupply(FileModel):
    """The supplies that a unit is rated for."""

    min_v: _SupplyV
    """The lowest."""
    max_v: _SupplyV
    """The highest."""

    @model_validator(mode="after")
    def _in_order(self) -> "RatedSupply":
        if self.max_v < self.min_v:
            raise FieldProblem("max is below min", at=("max",), allowed=f"at least {self.min_v:g} V")
        return self

    def holds(self, supply_v: float) -> bool:
        """Say whether a unit is rated for ``supply_v``."""
        return self.min_v <= supply_v <= self.max_v

    def __str__(self) -> str:
        return f"{self.min_v:g} to {self.max_v:g} V"


class RatedTemperature(FileModel):
    """The temperatures that a unit is rated for, of the air around it."""

    min_c: _TemperatureC
    """The lowest."""
    max_c: _TemperatureC
    """The highest."""

    @model_validator(mode="after")
    def _in_order(self) -> "RatedTemperature":
        if self.max_c < self.min_c:
            raise FieldProblem("max is below min", at=("max",), allowed=f"at least {self.min_c:g} °C")
        return self

    def holds(self, temperature_c: float) -> bool:
        """Say whether a unit is rated for ``temperature_c``."""
        return self.min_c <= temperature_c <= self.max_c

    def __str__(self) -> str:
        return f"{self.min_c:g} to {self.max_c:g} °C"
