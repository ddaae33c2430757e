"""Limits as a sequence writes them: a lowest and a highest figure of one unit."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, model_validator

from sequencer.files.fields import CurrentA, FileModel, Percent, RatioDb, VoltageV, at_least
from sequencer.problems import FieldProblem
from sequencer.uncertainty.decision import Limits


class _TwoEnds(FileModel):
    """What all limits of two ends share: that they are the right way round."""

    @property
    def limits(self) -> Limits:
        """The limits, in the unit of the fields."""
        return Limits(lower=self._end("min"), upper=self._end("max"))

    @model_validator(mode="after")
    def _in_order(self) -> _TwoEnds:
        low, high = self._end("min"), self._end("max")
        if low is not None and high is not None and low > high:
            raise FieldProblem(
                f"contradictory limits: min {low:g} is above max {high:g}",
                at=("min",),
                allowed="min at or below max",
            )
        return self

    def _end(self, key: str) -> float | None:
        name = next(name for name in type(self).model_fields if name.startswith(key + "_"))
        figure: float | None = getattr(self, name)
        return figure


class PercentLimit(_TwoEnds):
    """Limits of a percentage."""

    min_percent: Annotated[Percent, AfterValidator(at_least(0.0, "%"))] | None = None
    """Lowest that is right."""
    max_percent: Annotated[Percent, AfterValidator(at_least(0.0, "%"))] | None = None
    """Highest that is right."""


class RatioLimit(_TwoEnds):
    """Limits of a ratio."""

    min_db: RatioDb | None = None
    """Lowest that is right."""
    max_db: RatioDb | None = None
    """Highest that is right."""


class CurrentLimit(_TwoEnds):
    """Limits of a current."""

    min_a: Annotated[CurrentA, AfterValidator(at_least(0.0, "A"))] | None = None
    """Lowest that is right."""
    max_a: Annotated[CurrentA, AfterValidator(at_least(0.0, "A"))] | None = None
    """Highest that is right."""


class VoltageLimit(_TwoEnds):
    """Limits of a voltage."""

    min_v: Annotated[VoltageV, AfterValidator(at_least(0.0, "V"))] | None = None
    """Lowest that is right."""
    max_v: Annotated[VoltageV, AfterValidator(at_least(0.0, "V"))] | None = None
    """Highest that is right."""
