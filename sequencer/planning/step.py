"""A step of a plan: one check on one channel."""

from __future__ import annotations

from sequencer.checks.check import AnyCheck, Side
from sequencer.checks.finding import Conditions
from sequencer.checks.settings import CheckSettings
from sequencer.frozen import dataclass
from sequencer.results.at_point import AtPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """About how long a step takes by itself, s, without the rests that the duty owes before it.

    It takes ``check_s``, of which it keys the unit for ``keyed_s``, the last time for ``last_keyed_s``.
    """

    check_s: float = 0.0
    keyed_s: float = 0.0
    last_keyed_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One check on one channel. ``forecast_s`` is its bench time where it stands in the plan, of which people take ``person_s``.

    ``index``: its number in the whole sequence, also where only a part of that is run, or in another order. ``shares``: the number of the
    first of those that are made in one key-down with it; None where it is made by itself.
    """

    index: int
    label: str
    check: AnyCheck
    settings: CheckSettings
    conditions: Conditions
    forecast_s: float
    person_s: float = 0.0
    timing: Timing = Timing()
    shares: int | None = None
    point: AtPoint | None = None
    """Where on the axes of its check it stands; None for a check without."""
    at: tuple[str | int, ...]

    @property
    def side(self) -> Side:
        """The side of the bench it is made on."""
        return self.check.side_of(self.settings)
