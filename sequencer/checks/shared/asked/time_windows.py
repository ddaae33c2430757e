"""Stretches of time in which a carrier's frequency is held, as a sequence writes them."""

from typing import Annotated

from pydantic import AfterValidator, model_validator

from sequencer.files.fields import FileModel, FrequencyDifferenceHz, TimeS, between
from sequencer.problems import FieldProblem

Moment = Annotated[TimeS, AfterValidator(between(0.0, 1.0, "s"))]
Offset = Annotated[FrequencyDifferenceHz, AfterValidator(between(10.0, 400e3, "Hz"))]


class Window(FileModel):
    """A stretch of time after the carrier came, and how far the frequency may be off in it."""

    from_s: Moment
    """Where it begins, counted from when the carrier came."""
    to_s: Moment
    """Where it ends."""
    max_hz: Offset | None = None
    """How far the frequency may be off in it, either way."""

    @model_validator(mode="after")
    def _lasts(self) -> "Window":
        if self.from_s >= self.to_s:
            raise FieldProblem(
                f"a window from {self.from_s * 1e3:g} ms to {self.to_s * 1e3:g} ms",
                at=("to",),
                allowed="'to' after 'from'",
            )
        return self


class ReleaseWindow(FileModel):
    """The stretch of time before the carrier has gone, and how far the frequency may be off in it."""

    before_s: Annotated[TimeS, AfterValidator(between(1e-3, 0.1, "s"))] = 0.005
    """How long before the carrier has gone it begins."""
    max_hz: Offset | None = None
    """How far the frequency may be off in it, either way."""
