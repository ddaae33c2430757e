"""What every check in a sequence says: its name, its channels, its mode."""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field

from sequencer.files.fields import FileModel, between
from sequencer.problems import FieldProblem

ChannelNumber = Annotated[int, AfterValidator(between(1, 9999, ""))]


def _some(listed: tuple[Any, ...]) -> tuple[Any, ...]:
    if not listed:
        raise FieldProblem("the list is empty", allowed="at least one")
    return listed


# Not min_length: pydantic counts what is left when wrong items are taken out, and calls a list of one wrong item too short.
SOME = (AfterValidator(_some), Field(json_schema_extra={"minItems": 1}))
"""What a list that may not be empty is annotated with."""


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
    mode: Literal["FM", "AM", "USB", "LSB", "CW"] | None = None
    """The emission of this check, where it is not the sequence's."""

    limits_from: LimitsRow | None = None
    """The row of a file of limits that is taken where the check says nothing itself: `{file: en-300-433, row: adjacent channel power}`."""

    @property
    def channels(self) -> tuple[int | None, ...]:
        """The channels it runs on, in order; (None,) where it names none."""
        if self.channel is None or isinstance(self.channel, int):
            return (self.channel,)
        return self.channel
