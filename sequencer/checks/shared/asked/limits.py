"""Limits as a sequence writes them: a lowest and a highest figure of one unit, or a nominal and how far from it."""

from typing import Annotated, Self

from pydantic import AfterValidator, model_validator

from sequencer.checks.shared.asked.target import Tolerance
from sequencer.files.fields import (
    CurrentA,
    FileModel,
    FrequencyDifferenceHz,
    LevelDbm,
    Percent,
    PowerW,
    RatioDb,
    TimeS,
    VoltageV,
    at_least,
)
from sequencer.problems import FieldProblem
from sequencer.uncertainty.decision import Limits

Deviation = Annotated[FrequencyDifferenceHz, AfterValidator(at_least(0.0, "Hz"))]
_UNITS = {"a": "A", "db": "dB", "dbm": "dBm", "hz": "Hz", "percent": "%", "s": "s", "v": "V", "w": "W"}


class TwoEnds(FileModel):
    """The base of limits with two ends: fields `min_…` and `max_…` of one unit, the right way round."""

    @property
    def limits(self) -> Limits:
        """The limits, in the unit of the fields."""
        return Limits(lower=self._end("min")[0], upper=self._end("max")[0])

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        (low, unit), (high, _) = self._end("min"), self._end("max")
        if low is not None and high is not None and low > high:
            raise FieldProblem(
                f"contradictory limits: min {low:g} {unit} is above max {high:g} {unit}",
                at=("min",),
                allowed="min at or below max",
            )
        return self

    def _end(self, key: str) -> tuple[float | None, str]:
        """Return the figure of one end and its unit."""
        name = next(name for name in type(self).model_fields if name.startswith(key + "_"))
        figure: float | None = getattr(self, name)
        return figure, _UNITS[name.removeprefix(key + "_")]


class PowerLimit(TwoEnds):
    """Limits of a power."""

    min_w: PowerW | None = None
    """Lowest power that is right."""
    max_w: PowerW | None = None
    """Highest power that is right."""


class LevelLimit(TwoEnds):
    """Limits of a level at the antenna connector: a lowest and a highest, or a nominal and how far from it."""

    min_dbm: LevelDbm | None = None
    """Lowest level that is right."""
    max_dbm: LevelDbm | None = None
    """Highest level that is right."""
    nominal_dbm: LevelDbm | None = None
    """The level that should be."""
    within_db: Annotated[RatioDb, AfterValidator(at_least(0.0, "dB"))] | None = None
    """How far from nominal is still right."""

    @model_validator(mode="after")
    def _one_way_of_saying_it(self) -> "LevelLimit":
        if (self.nominal_dbm is None) != (self.within_db is None):
            given, missing = ("nominal", "within") if self.within_db is None else ("within", "nominal")
            raise FieldProblem(
                f"'{given}' needs '{missing}' beside it",
                at=(given,),
                allowed="nominal and within, or min and max",
            )
        if self.nominal_dbm is not None and (self.min_dbm is not None or self.max_dbm is not None):
            raise FieldProblem(
                "limits are given twice: nominal and within, and min or max",
                at=("nominal",),
                allowed="nominal and within, or min and max",
            )
        return self

    @property
    def limits(self) -> Limits:
        """The limits, dBm."""
        if self.nominal_dbm is not None and self.within_db is not None:
            return Limits(lower=self.nominal_dbm - self.within_db, upper=self.nominal_dbm + self.within_db)
        return Limits(lower=self.min_dbm, upper=self.max_dbm)


class PercentLimit(TwoEnds):
    """Limits of a percentage."""

    min_percent: Annotated[Percent, AfterValidator(at_least(0.0, "%"))] | None = None
    """Lowest that is right."""
    max_percent: Annotated[Percent, AfterValidator(at_least(0.0, "%"))] | None = None
    """Highest that is right."""


class RatioLimit(TwoEnds):
    """Limits of a ratio."""

    min_db: RatioDb | None = None
    """Lowest that is right."""
    max_db: RatioDb | None = None
    """Highest that is right."""


class CurrentLimit(TwoEnds):
    """Limits of a current."""

    min_a: Annotated[CurrentA, AfterValidator(at_least(0.0, "A"))] | None = None
    """Lowest that is right."""
    max_a: Annotated[CurrentA, AfterValidator(at_least(0.0, "A"))] | None = None
    """Highest that is right."""


class VoltageLimit(TwoEnds):
    """Limits of a voltage."""

    min_v: Annotated[VoltageV, AfterValidator(at_least(0.0, "V"))] | None = None
    """Lowest that is right."""
    max_v: Annotated[VoltageV, AfterValidator(at_least(0.0, "V"))] | None = None
    """Highest that is right."""


class DeviationLimit(TwoEnds):
    """Limits of a peak deviation."""

    min_hz: Deviation | None = None
    """Lowest deviation that is right."""
    max_hz: Deviation | None = None
    """Highest deviation that is right."""


class TimeLimit(TwoEnds):
    """Limits of a time."""

    min_s: Annotated[TimeS, AfterValidator(at_least(0.0, "s"))] | None = None
    """Shortest time that is right."""
    max_s: Annotated[TimeS, AfterValidator(at_least(0.0, "s"))] | None = None
    """Longest time that is right."""


class BandwidthLimit(TwoEnds):
    """Limits of a bandwidth."""

    min_hz: Deviation | None = None
    """Narrowest bandwidth that is right."""
    max_hz: Deviation | None = None
    """Widest bandwidth that is right."""


class FrequencyErrorLimit(FileModel):
    """How far the carrier may be off, either way."""

    within: Tolerance
    """In hertz, or in ppm of the channel's frequency."""
