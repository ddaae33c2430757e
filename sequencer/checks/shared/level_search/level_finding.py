"""The findings of a search for a level: found or not, and the hysteresis between two."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.budgets.level_budget import ReadError, how_found, level_budget
from sequencer.frozen import dataclass
from sequencer.results.model import Point
from sequencer.search.protocol import Crossing, SwitchingCrossing
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import SEARCH_INTERVAL, search_interval
from sequencer.uncertainty.decision import Limits
from sequencer.units.format import short_quantity

LEAST_JUMP = 2.0  # a squelch cuts the audio by far more; what changes by less from test to test is audio that rises with the signal


@dataclass(frozen=True, slots=True, kw_only=True)
class SoughtLevel:
    """A level, dBm, at which a voltage comes to ``target_v``; ``points`` are the readings taken for it."""

    quantity: str
    target_v: float
    limits: Limits
    points: tuple[Point, ...]
    conditions: Conditions

    def not_found(self, note: str) -> Finding:
        """Return the finding that there is no such level; ``note`` says why."""
        return Finding(
            quantity=self.quantity,
            value=None,
            unit="dBm",
            limits=self.limits,
            note=note,
            points=self.points,
            target=self.target_v,
            target_unit="V",
        )

    def found(self, crossing: Crossing, note: str, read_errors: Sequence[ReadError] = ()) -> Finding:
        """Return the finding of the level, with its budget; ``read_errors`` are those of `level_budget`."""
        return Finding(
            quantity=self.quantity,
            value=crossing.level_db,
            unit="dBm",
            limits=self.limits,
            budget=level_budget(self.quantity, crossing, read_errors, self.conditions),
            note=note,
            points=self.points,
            target=self.target_v,
            target_unit="V",
            slope=crossing.slope,
            levels_as_made=True,
        )


def how_switched(crossing: Crossing, found: SwitchingCrossing) -> str:
    """Return in words how a level was found at which something switches."""
    return f"{how_found(crossing)}; dwell {found.dwell_s:g} s; {found.approach}"


def why_smooth(points: tuple[Point, ...], threshold_v: float) -> str:
    """Return in words that the audio does not switch at all, or nothing."""
    found = [point.reading for point in points if point.reading is not None]
    silent = max((volts for volts in found if volts <= threshold_v), default=0.0)
    speaking = min((volts for volts in found if volts > threshold_v), default=math.inf)
    if speaking >= LEAST_JUMP * silent:
        return ""
    return (
        f"the audio rises smoothly through {short_quantity(threshold_v, 'V', 2)} instead of switching: the squelch stands open "
        "(turn its knob until the noise just stops)"
    )


def hysteresis_finding(quantity: str, found: SwitchingCrossing, limits: Limits | None = None) -> Finding:
    """Return the difference of both levels, dB: generator, path and mismatch are common to them and cancel."""
    limits = limits or Limits()
    if found.hysteresis_db is None:
        return Finding(quantity=quantity, value=None, unit="dB", limits=limits, note=found.status.value)
    interval = search_interval(SEARCH_INTERVAL, found.hysteresis_half_width_db, unit="dB")
    budget = Budget(quantity=quantity, unit="dB", value=found.hysteresis_db, contributions=(interval,))
    return Finding(
        quantity=quantity,
        value=found.hysteresis_db,
        unit="dB",
        limits=limits,
        budget=budget,
        levels_as_made=True,
    )
