"""The greatest uncertainty with which a document has something measured, and how a result's own is held against it.

It is data of a file of limits, meant at about 95 % as a result's expanded uncertainty is (from memory). A result that is less certain says
so; its decision is made by the same rule as any other.
"""

import math
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from sequencer.files.fields import FileModel, FrequencyDifferenceHz, Percent, Ppm, RatioDb, between
from sequencer.problems import FieldProblem

_STATED = ("level", "share", "of_carrier", "difference")
_ONE = "one of level (dB), share (%), of_carrier (ppm), difference (Hz)"


class GreatestUncertainty(FileModel):
    """The greatest expanded uncertainty that a document allows where this row is measured; one of the four figures."""

    level_db: Annotated[RatioDb, AfterValidator(between(0.01, 20.0, "dB"))] | None = None
    """Of a power, a voltage or a ratio, dB."""
    share_percent: Annotated[Percent, AfterValidator(between(0.01, 100.0, "%"))] | None = None
    """Of the value itself, per cent."""
    of_carrier_ppm: Annotated[Ppm, AfterValidator(between(0.0001, 1000.0, "ppm"))] | None = None
    """Of a frequency, as a share of the carrier's."""
    difference_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(0.01, 1e6, "Hz"))] | None = None
    """Of a frequency, Hz."""
    clause: Annotated[str, Field(min_length=1, max_length=300)]
    """Where it stands in the document; `clause not seen` where nobody had it at hand."""
    basis: Literal["seen", "from memory", "derived"]
    """Whether the figure was seen in a public text, is from memory, or was worked out from one that was seen."""
    source: Annotated[str, Field(min_length=1, max_length=300)]
    """Where it was seen, or what is doubtful about it."""

    @model_validator(mode="after")
    def _is_one_figure(self) -> "GreatestUncertainty":
        stated = [name for name, one in zip(_STATED, self._figures, strict=True) if one is not None]
        if len(stated) != 1:
            raise FieldProblem(
                f"it states {', '.join(stated)}" if stated else "it states no figure",
                at=(stated[1],) if stated else (),
                allowed=_ONE,
            )
        return self

    @property
    def _figures(self) -> tuple[float | None, ...]:
        return self.level_db, self.share_percent, self.of_carrier_ppm, self.difference_hz

    @property
    def text(self) -> str:
        """The figure in words: `0.75 dB`."""
        of = ("dB", "%", "ppm of the carrier's frequency", "Hz")
        return next(f"{one:g} {unit}" for one, unit in zip(self._figures, of, strict=True) if one is not None)

    def compares(self, unit: str) -> bool:
        """Say whether the uncertainty of a result in this unit can be held against it."""
        if self.level_db is not None:
            return unit in ("dB", "dBm", "W", "V")
        if self.share_percent is not None:
            return unit not in ("", "dB", "dBm", "%")
        return unit == "Hz"

    def own(
        self, *, value: float, unit: str, expanded: float, frequency_hz: float | None
    ) -> tuple[float, str] | None:
        """Return a result's expanded uncertainty as this one is stated, and its unit; None where it cannot be told so.

        Of a power or a voltage it is the larger side of the interval in decibels, downwards: no less may be promised of it. Infinite where
        the interval reaches nought.
        """
        if not self.compares(unit):
            return None
        if self.level_db is not None:
            return (expanded if unit in ("dB", "dBm") else _downwards_db(value, unit, expanded)), "dB"
        if self.share_percent is not None:
            return (100.0 * expanded / abs(value) if value else math.inf), "%"
        if self.of_carrier_ppm is not None:
            return None if not frequency_hz else (1e6 * expanded / frequency_hz, "ppm")
        return expanded, "Hz"

    def is_exceeded(self, own: float) -> bool:
        """Say whether an uncertainty, as `own` returned it, is more than is allowed; what rounding adds does not count."""
        figure = next(one for one in self._figures if one is not None)
        return own > figure * (1.0 + 1e-9)


def _downwards_db(value: float, unit: str, expanded: float) -> float:
    share = expanded / abs(value) if value else math.inf
    if share >= 1.0:
        return math.inf
    return -(10.0 if unit == "W" else 20.0) * math.log10(1.0 - share)
