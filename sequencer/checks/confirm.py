"""Confirm: a person sets something and says so; the results remember who said it and how."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from sequencer.checks.check import Check, Side
from sequencer.checks.settings import CheckSettings


class ConfirmSettings(CheckSettings):
    """Settings of `confirm`."""

    check: Literal["confirm"]
    """Which check this is."""
    text: str = Field(min_length=1, max_length=500)
    """What must stand how; shown to the person as it is."""


class Confirm(Check[ConfirmSettings]):
    """Ask a person to set something and to say when it is done. The runner asks; no instrument takes part."""

    name: ClassVar[str] = "confirm"
    summary: ClassVar[str] = "a person sets something and confirms it"
    side: ClassVar[Side] = "none"
    settings = ConfirmSettings

    def quantities(self, settings: ConfirmSettings) -> tuple[tuple[str, str], ...]:
        """Return what it reports."""
        return ((f"confirmed: {settings.text}", ""),)
