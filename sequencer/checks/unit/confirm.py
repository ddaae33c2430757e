"""Confirm: a person sets something and says so; the results remember who said it and how."""

from collections.abc import Iterable
from types import MappingProxyType
from typing import ClassVar, Literal, Self

from pydantic import Field, model_validator
from typing_extensions import override

from sequencer.checks.check import AnyCheck, Check, Side, SquelchPosition
from sequencer.checks.settings import CheckSettings
from sequencer.problems import FieldProblem


class ConfirmSettings(CheckSettings):
    """Settings of `confirm`."""

    check: Literal["confirm"]
    """Which check this is."""
    text: str = Field(min_length=1, max_length=500)
    """What must stand how; shown to the person as it is."""
    knob: Literal["squelch"] | None = None
    """The control of the unit that is turned; the results name it, and on a simulated bench it is set to `position`."""
    position: SquelchPosition | None = None
    """Where that control stands then: open, or just closed, where noise alone is muted."""

    @model_validator(mode="after")
    def _knob_has_its_position(self) -> Self:
        if (self.knob is None) != (self.position is None):
            here, missing = ("position", "knob") if self.knob is None else ("knob", "position")
            raise FieldProblem(
                f"{here} is given without {missing}",
                at=(here,),
                allowed="knob: squelch with position: open or just closed, or neither",
            )
        return self


class Confirm(Check[ConfirmSettings]):
    """Ask a person to set something and to say when it is done. The runner asks; no instrument takes part."""

    name: ClassVar[str] = "confirm"
    summary: ClassVar[str] = "a person sets something and confirms it"
    side: ClassVar[Side] = "none"
    limit_keys = MappingProxyType({})
    settings = ConfirmSettings

    @override
    def quantities(self, settings: ConfirmSettings) -> tuple[tuple[str, str], ...]:
        return ((f"confirmed: {settings.text}", ""),)


def squelch_wanted(
    settings: ConfirmSettings, following: Iterable[tuple[AnyCheck, CheckSettings]]
) -> SquelchPosition:
    """Return where the squelch stands once a person has confirmed.

    That is the setting's `position`. Where it names none it is what the checks need that follow, up to the next confirmation:
    somebody who confirms has set the unit for them.
    """
    if settings.position is not None:
        return settings.position
    for check, its_settings in following:
        if isinstance(check, Confirm):
            break
        if (wanted := check.squelch_of(its_settings)) != "open":
            return wanted
    return "open"
