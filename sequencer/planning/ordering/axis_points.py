"""Conditions as axes: the points at which a check is repeated, and the order of all of them that costs the least settling.

Within a run of checks that stand one after the other and have axes of supply or temperature, the temperature changes least often, then the
supply; a soak is an hour where a supply takes half a second, and a channel a tenth. Modes and channels stay together for each check. Values
come in the file's order. Results keep the file's order: a step keeps its number.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby, product

from sequencer.checks.settings import CheckSettings
from sequencer.inputs.bench import BenchFile
from sequencer.planning.proving.proof import UNIT_SIDES
from sequencer.planning.step import Step
from sequencer.results.at_point import AtPoint
from sequencer.safety.control.supply import SUPPLY_SETTLE_S

FED_ANEW_S = SUPPLY_SETTLE_S + 0.1
"""About what another supply takes before a check, s: until the unit has followed, and the terminals were read."""


def points_of(settings: CheckSettings) -> Iterator[AtPoint]:
    """Yield the points of one check, what settles slowest changing least often; one point, with its channel, for a check without axes."""
    at = settings.at
    temperatures = (at.temperature_c if at is not None else None) or (None,)
    supplies = (at.supply_v if at is not None else None) or (None,)
    modes = (at.mode if at is not None else None) or (None,)
    for temperature_c, supply_v, mode, channel in product(temperatures, supplies, modes, settings.channels):
        yield AtPoint(channel=channel, mode=mode, supply_v=supply_v, temperature_c=temperature_c)


def kept_point(settings: CheckSettings, point: AtPoint) -> AtPoint | None:
    """Return what of a point stands on an axis of the check; None for a check without axes."""
    if settings.at is None:
        return None
    return point if settings.at.channel is not None else replace(point, channel=None)


def in_least_settling(steps: Sequence[Step]) -> tuple[Step, ...]:
    """Return the steps in the order in which temperatures, then supplies, change least often; others stay, and nothing passes them."""
    order: list[Step] = []
    for has_axes, found in groupby(steps, key=_has_slow_axis):
        block = list(found)
        order += sorted(block, key=_Ranks(block).rank) if has_axes else block
    return tuple(order)


def _has_slow_axis(step: Step) -> bool:
    return step.point is not None and (
        step.point.supply_v is not None or step.point.temperature_c is not None
    )


class _Ranks:
    """How early temperatures and supplies come within a run of steps: as they stand in the file."""

    def __init__(self, block: Iterable[Step]) -> None:
        conditions = [step.conditions for step in block]
        self._temperatures = list(dict.fromkeys(one.temperature_c for one in conditions))
        self._supplies = list(dict.fromkeys(one.supply_v for one in conditions))

    def rank(self, step: Step) -> tuple[int, int]:
        """Return by what a step is sorted; those alike stay as they stand."""
        here = step.conditions
        return self._temperatures.index(here.temperature_c), self._supplies.index(here.supply_v)


def with_settling(steps: Iterable[Step], bench: BenchFile, supply_v: float | None) -> tuple[Step, ...]:
    """Return the steps with what it takes until the unit has followed another supply or temperature; the run begins with ``supply_v``."""
    entry, chamber = bench.with_role("supply"), bench.with_role("chamber")
    fed_s = FED_ANEW_S + (0.0 if entry is None else 2.0 * entry[1].settling_s)
    soaked_s = 0.0 if chamber is None else chamber[1].reached_after_s + chamber[1].soak_s
    temperature_c: float | None = None
    found: list[Step] = []
    for step in steps:
        here, waits_s = step.conditions, 0.0
        if step.side in UNIT_SIDES:
            if here.temperature_c not in (None, temperature_c):
                temperature_c, waits_s = here.temperature_c, soaked_s + fed_s
            elif here.supply_v != supply_v:
                waits_s = fed_s
            supply_v = here.supply_v
        timing = replace(step.timing, check_s=step.timing.check_s + waits_s)
        found.append(replace(step, timing=timing, forecast_s=step.forecast_s + waits_s) if waits_s else step)
    return tuple(found)
