"""A step of a plan: one check on one channel."""

from __future__ import annotations

from sequencer.checks.check import AnyCheck, Side
from sequencer.checks.finding import Conditions
from sequencer.checks.settings import CheckSettings
from sequencer.frozen import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One check on one channel. ``forecast_s`` is its bench time, of which people take ``person_s``.

    ``index``: its number in the whole sequence, also where only a part of that is run.
    """

    index: int
    label: str
    check: AnyCheck
    settings: CheckSettings
    conditions: Conditions
    forecast_s: float
    person_s: float = 0.0
    at: tuple[str | int, ...]

    @property
    def side(self) -> Side:
        """The side of the bench it is made on."""
        return self.check.side_of(self.settings)
