"""What every check in a sequence says: its name, its channels, its mode."""

from math import prod
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from sequencer.files.fields import FileModel, TemperatureC, VoltageV, between
from sequencer.problems import FieldProblem

ChannelNumber = Annotated[int, AfterValidator(between(1, 9999, ""))]


def _some(listed: tuple[Any, ...]) -> tuple[Any, ...]:
    if not listed:
        raise FieldProblem("the list is empty", allowed="at least one")
    return listed


# Not min_length: pydantic counts what is left when wrong items are taken out, and calls a list of one wrong item too short.
SOME = (AfterValidator(_some), Field(json_schema_extra={"minItems": 1}))
"""What a list that may not be empty is annotated with."""


def _each_once(listed: tuple[Any, ...]) -> tuple[Any, ...]:
    for at, one in enumerate(listed):
        if one in listed[:at]:
            raise FieldProblem("the same value stands there twice", at=(at,), allowed="each once")
    return listed


def _told_apart(listed: tuple[float, ...]) -> tuple[float, ...]:
    """Refuse figures that are the same in three digits: no supply or chamber is set that finely, and their results would be named alike."""
    for at, one in enumerate(listed):
        near = [other for other in listed[:at] if f"{other:.3g}" == f"{one:.3g}"]
        if near:
            raise FieldProblem(
                f"{one:g} and {near[0]:g} are too near each other to be told apart",
                at=(at,),
                allowed="values that differ in three digits",
            )
    return listed


_EACH_ONCE = (*SOME, AfterValidator(_each_once))
APART = (*_EACH_ONCE, AfterValidator(_told_apart))
"""What a list of figures is annotated with at each of which something is measured: none twice, and none too near another."""
Mode = Literal["FM", "AM", "USB", "LSB", "CW"]
AXES = ("temperature", "supply", "mode", "channel")
"""The axes of `at` by their keys, in the order in which they are gone through: what settles slowest changes least often."""
MOST_POINTS = 2000
"""Points a check may have: more is a slip of the pen."""


class At(FileModel):
    """The conditions over which a check is repeated: a list a key; every combination is measured and is a result of its own."""

    channel: Annotated[tuple[ChannelNumber, ...], *_EACH_ONCE] | None = None
    """The channels."""
    mode: Annotated[tuple[Mode, ...], *_EACH_ONCE] | None = None
    """The emissions."""
    supply_v: (
        Annotated[tuple[Annotated[VoltageV, AfterValidator(between(0.5, 60.0, "V"))], ...], *APART] | None
    ) = None
    """What the unit is fed with; the sequence's own `supply` again afterwards."""
    temperature_c: (
        Annotated[tuple[Annotated[TemperatureC, AfterValidator(between(-90.0, 200.0, "°C"))], ...], *APART]
        | None
    ) = None
    """What the unit is brought to in the bench's chamber."""

    @property
    def axes(self) -> tuple[str, ...]:
        """The keys that stand there, in the order of `AXES`."""
        stated = {
            "channel": self.channel,
            "mode": self.mode,
            "supply": self.supply_v,
            "temperature": self.temperature_c,
        }
        return tuple(axis for axis in AXES if stated[axis] is not None)

    @model_validator(mode="after")
    def _is_some(self) -> "At":
        if not self.axes:
            raise FieldProblem(
                "no axis stands there", allowed="one or more of channel, mode, supply, temperature"
            )
        lists = (self.channel, self.mode, self.supply_v, self.temperature_c)
        points = prod(len(one) for one in lists if one is not None)
        if points > MOST_POINTS:
            raise FieldProblem(f"that makes {points} points", allowed=f"at most {MOST_POINTS}")
        return self


class LimitsRow(FileModel):
    """A row of a file of limits."""

    file: Annotated[str, Field(min_length=1, max_length=300)]
    """A shipped file of limits, or the path of your own."""
    row: Annotated[str, Field(min_length=1, max_length=300)]
    """The name of the row."""


class CheckSettings(FileModel):
    """What every check in a sequence says."""

    check: str
    """Which check this is."""
    channel: ChannelNumber | Annotated[tuple[ChannelNumber, ...], *SOME] | None = None
    """The channel, or several: the check is repeated on each."""
    mode: Mode | None = None
    """The emission of this check, where it is not the sequence's."""
    at: At | None = None
    """Over which conditions it is repeated: `{channel: [1, 20, 40], supply: [10.8 V, 13.2 V, 15.6 V]}`; one result a point. The file's
    order of values holds; what settles slowest changes least often: temperature, then supply, mode, channel."""

    limits_from: LimitsRow | None = None
    """The row of a file of limits that is taken where the check says nothing itself: `{file: en-300-433, row: adjacent channel power}`."""

    @property
    def channels(self) -> tuple[int | None, ...]:
        """The channels it runs on, in order; (None,) where it names none."""
        if self.at is not None and self.at.channel is not None:
            return self.at.channel
        if self.channel is None or isinstance(self.channel, int):
            return (self.channel,)
        return self.channel

    @property
    def modes(self) -> tuple[Mode | None, ...]:
        """The emissions it is made in, in order; (None,) where it names none, and the sequence's holds."""
        return self.at.mode if self.at is not None and self.at.mode is not None else (self.mode,)

    @model_validator(mode="after")
    def _says_once(self) -> "CheckSettings":
        for key, value in (("channel", self.channel), ("mode", self.mode)):
            if value is not None and self.at is not None and key in self.at.axes:
                raise FieldProblem(
                    f"'{key}' stands here and in 'at'", at=(key,), at_key=True, allowed="one of the two"
                )
        return self
