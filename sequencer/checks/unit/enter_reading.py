"""Enter reading: a person reads something that no instrument on the bench reads, and types it with its unit."""

import re
from collections.abc import Callable
from typing import ClassVar, Literal

from pydantic import Field, model_validator
from typing_extensions import override

from drivers.operator.dial import Dial, NotOnDial, decimal, shortened
from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.files.fields import FileModel
from sequencer.frozen import dataclass
from sequencer.problems import FieldProblem
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import instrument_accuracy
from sequencer.uncertainty.decision import Limits
from sequencer.units.format import format_quantity
from sequencer.units.parse import DIMENSIONS, PERCENT, Dimension, QuantityError, parse_quantity

Kind = Literal[
    "level", "frequency", "frequency difference", "relative", "ratio", "percent", "power", "voltage", "current",
    "time", "temperature", "resistance",
]  # fmt: skip
_DIFFERENCE_OF = {"level": "ratio", "frequency": "frequency difference"}
"""What an accuracy is stated in, where it is not the quantity itself."""
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?\s*(?![\d.,])", re.ASCII)
_PROPORTIONAL = ("frequency", "power", "voltage", "current", "time", "resistance")


class EnteredSpan(FileModel):
    """From where to where something is, with units."""

    min: str | None = None
    """Lowest, such as 100 mA."""
    max: str | None = None
    """Highest, such as 400 mA."""


class EnterReadingSettings(CheckSettings):
    """Settings of `enter_reading`."""

    check: Literal["enter_reading"]
    """Which check this is."""
    name: str = Field(min_length=1, max_length=60, pattern="^[^\\s=]([^=]*[^\\s=])?$")
    """What the reading is called in the results, and with --entered: idle current."""
    text: str = Field(min_length=1, max_length=500)
    """What is to be read, where and how; shown to the person as it is."""
    quantity: Kind
    """What kind of quantity it is; says which units may be typed."""
    unit: str | None = None
    """The unit taken where none is typed, such as mA; without it the quantity's own."""
    dial_range: EnteredSpan = Field(default=EnteredSpan.unstated(), alias="range")
    """What the dial can show; a number beyond it is asked for again. Without it what a workshop bench can have."""
    limit: EnteredSpan = EnteredSpan.unstated()
    """Lowest and highest that is right."""
    accuracy: str | None = None
    """Half-width of what the reading may be wrong by, with its unit or in % of the reading; without it no uncertainty is stated."""

    @model_validator(mode="after")
    def _units_fit(self) -> "EnterReadingSettings":
        if self.unit is not None and self.unit not in self.dimension.units:
            raise FieldProblem(
                f"'{self.unit}' is not a unit of {self.dimension.name}",
                at=("unit",),
                allowed=", ".join(self.dimension.units),
            )
        self._span(self.limit, "limit")
        self._span(self.dial_range, "range")
        self.half_width(1.0)
        return self

    def _span(self, span: EnteredSpan, key: str) -> tuple[float | None, float | None]:
        """Return a span in the dimension's kept unit. Raises FieldProblem."""
        low = _read(span.min, self.dimension, (key, "min"))
        high = _read(span.max, self.dimension, (key, "max"))
        if low is not None and high is not None and low > high:
            raise FieldProblem(
                f"contradictory {key}: min {span.min} is above max {span.max}",
                at=(key, "min"),
                allowed="min at or below max",
            )
        return low, high

    @property
    def dimension(self) -> Dimension:
        """The quantity's dimension."""
        return DIMENSIONS[self.quantity]

    @property
    def limits(self) -> Limits:
        """The limits, in the dimension's kept unit."""
        lower, upper = self._span(self.limit, "limit")
        return Limits(lower=lower, upper=upper)

    def half_width(self, number: float) -> float | None:
        """Return the half-width of the stated accuracy at ``number``, in the kept unit (dB for a level); None if none is stated."""
        if self.accuracy is None:
            return None
        if self.quantity in _PROPORTIONAL and self.accuracy.rstrip().endswith("%"):
            width = (_read(self.accuracy, PERCENT, ("accuracy",)) or 0.0) / 100.0 * abs(number)
        else:
            of = DIMENSIONS[_DIFFERENCE_OF.get(self.quantity, self.quantity)]
            width = _read(self.accuracy, of, ("accuracy",)) or 0.0
        if width < 0:
            raise FieldProblem(f"an accuracy of {self.accuracy}", at=("accuracy",), allowed="0 or more")
        return width

    @property
    def dial(self) -> Dial:
        """What may be typed; a number without a unit is in ``unit``."""
        dimension, taken = self.dimension, self.unit or self.dimension.unit
        low, high = self._span(self.dial_range, "range")
        return Dial(
            quantity=dimension.name,
            unit=taken,
            units=dict.fromkeys(dimension.units, float),
            low=dimension.least if low is None else low,
            high=dimension.most if high is None else high,
            show=lambda number: format_quantity(number, dimension.unit),
            leap=lambda last, number: False,
            parse=_parser(dimension, taken),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ToEnter:
    """A reading that a step of the plan asks for."""

    name: str
    dial: Dial


class EnterReading(Check[EnterReadingSettings]):
    """Ask a person for a number with its unit, judge it, and keep how it was given. No instrument takes part.

    At a terminal whatever cannot be a reading is answered with what is allowed, as often as it comes; "no reading" is an answer.
    Without a terminal every reading must be given beforehand: --entered "idle current=120 mA".
    """

    name: ClassVar[str] = "enter_reading"
    summary: ClassVar[str] = "a person types a number with its unit"
    side: ClassVar[Side] = "none"
    settings = EnterReadingSettings

    @override
    def quantities(self, settings: EnterReadingSettings) -> tuple[tuple[str, str], ...]:
        return ((settings.name, settings.dimension.unit),)

    @override
    def limits_of(self, settings: EnterReadingSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (settings.limits,)

    @override
    def inspect(self, settings: EnterReadingSettings, conditions: Conditions) -> list[Finding]:
        where = f" (channel {conditions.channel})" if conditions.channel is not None else ""
        reading, how = conditions.enter(settings.name, settings.text + where, settings.dial)
        note = how if reading.number is not None else f"{reading.state.value}: {how}"
        return [
            Finding(
                quantity=settings.name,
                value=reading.number,
                unit=settings.dimension.unit,
                limits=settings.limits,
                budget=_budget(settings, reading.number),
                note=note,
            )
        ]


def _budget(settings: EnterReadingSettings, number: float | None) -> Budget | None:
    """Return what the stated accuracy comes to; None without one."""
    half_width = None if number is None else settings.half_width(number)
    if number is None or half_width is None:
        return None
    unit = settings.dimension.unit
    of = "dB" if settings.quantity == "level" else unit
    # Which instrument was read is not known to the bench file: it may be another one next time.
    stated = instrument_accuracy("stated accuracy of what was read", half_width, unit=of, common="none")
    return Budget(quantity=settings.name, unit=unit, value=number, contributions=(stated,))


def _read(text: str | None, dimension: Dimension, at: tuple[str, ...]) -> float | None:
    if text is None:
        return None
    try:
        return parse_quantity(text, dimension)
    except QuantityError as wrong:
        raise FieldProblem(
            wrong.problem, at=at, found=wrong.found, allowed=wrong.allowed, hint=wrong.hint
        ) from wrong


def _parser(dimension: Dimension, taken: str) -> Callable[[Dial, str], float]:
    def parse(_dial: Dial, typed: str) -> float:
        number = _NUMBER.match(typed)
        text = typed
        if number is not None:  # anything else is refused below, in the words of a file's complaint
            # a person at a prompt may write a decimal comma, as on every other dial here
            written = number[0].strip()
            written = repr(decimal(written)) if "," in written else written
            text = f"{written} {typed[number.end() :].strip() or taken}"
        try:
            return parse_quantity(text, dimension)
        except QuantityError as wrong:
            hint = f" ({wrong.hint})" if wrong.hint else ""
            raise NotOnDial(f"{shortened(typed)}: {wrong.problem}{hint}") from wrong

    return parse
