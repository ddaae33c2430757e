"""What the receive-side checks share: the window of levels, the loop between search and side, the level's budget."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Annotated

from pydantic import AfterValidator, model_validator

from drivers.roles import RangeState, Reading
from sequencer.checks.base import Conditions, Demand
from sequencer.files.fields import FileModel, LevelDbm, RatioDb, between
from sequencer.inputs.bench import SignalGenerator
from sequencer.problems import FieldProblem
from sequencer.results.model import Point
from sequencer.safety.bench import ReceiveSide
from sequencer.search.protocol import Ask, Crossing, NoReading
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.contributions import (
    instrument_accuracy,
    mismatch_of_vswr,
    path_loss,
    search_interval,
)

HIGHEST_BY_DEFAULT_DBM = (
    -20.0
)  # above this a receiver test has gone wrong, whatever the rating: common practice, no source
SearchAccuracyDb = Annotated[RatioDb, AfterValidator(between(0.05, 10.0, "dB"))]

_NOTHING = {
    RangeState.OVER_RANGE: NoReading.OVER_RANGE,
    RangeState.UNDER_RANGE: NoReading.UNDER_RANGE,
    RangeState.NO_MEASUREMENT: NoReading.NO_MEASUREMENT,
}


class LevelWindow(FileModel):
    """The levels a search may use, at the antenna connector."""

    min_dbm: LevelDbm | None = None
    """Lowest level; without it the lowest the generator offers there."""
    max_dbm: LevelDbm | None = None
    """Highest level; without it -20 dBm, or the receiver's rating if that is lower."""

    @model_validator(mode="after")
    def _has_width(self) -> LevelWindow:
        if self.min_dbm is not None and self.max_dbm is not None and self.min_dbm >= self.max_dbm:
            raise FieldProblem(
                f"nothing lies between min {self.min_dbm:g} dBm and max {self.max_dbm:g} dBm",
                at=("min",),
                allowed="min below max",
            )
        return self

    def bounds_dbm(
        self, conditions: Conditions, *, interferer: bool = False, highest_dbm: float = HIGHEST_BY_DEFAULT_DBM
    ) -> tuple[float, float]:
        """Return the window on this bench: what the file says, else what generator (or the second one) and rating allow."""
        generators = conditions.bench.all_with_role("signal_generator")
        path = conditions.bench.paths.receive
        loss_db = path.loss_db(conditions.carrier_hz) if path is not None else 0.0
        low_dbm, high_dbm = -130.0, highest_dbm
        entry = generators[1:2] if interferer else generators[:1]
        if entry and isinstance(entry[0][1], SignalGenerator):
            low_dbm = entry[0][1].level.min_dbm - loss_db
            high_dbm = min(high_dbm, entry[0][1].level.max_dbm - loss_db)
        high_dbm = min(high_dbm, conditions.bench.protection.max_receiver_input_dbm)
        return (
            self.min_dbm if self.min_dbm is not None else math.ceil(10.0 * low_dbm) / 10.0,
            self.max_dbm if self.max_dbm is not None else math.floor(10.0 * high_dbm) / 10.0,
        )

    def demands(
        self,
        conditions: Conditions,
        *,
        key: str = "levels",
        interferer: bool = False,
        highest_dbm: float = HIGHEST_BY_DEFAULT_DBM,
    ) -> list[Demand]:
        """Return the levels the file asks for, for the plan to prove; ``key`` is where the window stands in the check."""
        asked = (("min", self.min_dbm), ("max", self.max_dbm))
        demands = [
            Demand(at=(key, name), level_dbm=level, interferer=interferer)
            for name, level in asked
            if level is not None
        ]
        low_dbm, high_dbm = self.bounds_dbm(conditions, interferer=interferer, highest_dbm=highest_dbm)
        if low_dbm >= high_dbm and (self.min_dbm is None or self.max_dbm is None):
            given, other = ("min", "highest") if self.max_dbm is None else ("max", "lowest")
            demands.append(
                Demand(
                    at=(key, given),
                    refused=f"nothing lies between {low_dbm:g} dBm and {high_dbm:g} dBm, the {other} level used where none is given",
                    allowed="both min and max, min below max",
                )
            )
        return demands


class Stepper:
    """Answers a search's asks on the receive side and keeps every point for the record."""

    def __init__(
        self,
        side: ReceiveSide,
        conditions: Conditions,
        read: Callable[[float], Reading],
        *,
        unit: str,
        set_level: Callable[[float], None] | None = None,
    ) -> None:
        self._side = side
        self._set_level = set_level or side.set_level_dbm
        self._conditions = conditions
        self._read = read
        self._unit = unit
        self._level_db: float | None = None
        self.points: list[Point] = []

    def measure(self, ask: Ask) -> float | NoReading:
        """Set the level if it changes, wait as asked, read, and tell."""
        if ask.level_db != self._level_db:
            self._set_level(ask.level_db)
            self._level_db = ask.level_db
        if ask.wait_s > 0:
            self._side.wait_s(ask.wait_s)
        reading = self._read(ask.reading_s)
        self.points.append(
            Point(
                level_db=ask.level_db,
                reading=reading.number,
                state=reading.state.value,
                reading_s=ask.reading_s,
                at_s=self._side.now_s(),
            )
        )
        shown = reading.state.value if reading.number is None else f"{reading.number:.4g} {self._unit}"
        self._conditions.say(f"{ask.level_db:.1f} dBm: {shown}")
        return reading.number if reading.number is not None else _NOTHING[reading.state]


def level_budget(
    quantity: str,
    crossing: Crossing,
    reading_half_width: float,
    reading_name: str,
    conditions: Conditions,
    further: tuple[Contribution, ...] = (),
) -> Budget:
    """Return the budget of a level found by a search.

    ``reading_half_width`` is the accuracy of what was read, in its own unit; it reaches the level through the slope
    that the search measured. ``further`` contributions are in dB of level.
    """
    parts: list[Contribution] = [search_interval("search, 95 % interval", crossing.half_width_db, unit="dB")]
    entry = conditions.bench.with_role("signal_generator")
    path = conditions.bench.paths.receive
    if entry is not None:
        generator = entry[1]
        parts.append(instrument_accuracy("generator, level accuracy", generator.accuracy.level_db, unit="dB"))
        if path is not None:
            parts.append(mismatch_of_vswr("mismatch, generator to unit", generator.vswr, path.unit_vswr))
    if path is not None:
        parts.append(path_loss("receive path, loss", path.uncertainty_db))
    if crossing.slope and reading_half_width > 0:
        unit = {"meter voltage": "V", "": ""}.get(reading_name, "dB")
        parts.append(
            instrument_accuracy(
                f"{reading_name}, accuracy",
                reading_half_width,
                unit=unit,
                coefficient=1.0 / abs(crossing.slope),
            )
        )
    level_dbm = crossing.level_db if crossing.level_db is not None else math.nan
    return Budget(quantity=quantity, unit="dBm", value=level_dbm, contributions=(*parts, *further))


def why_not(crossing: Crossing) -> str:
    """Return in words why a search found nothing, with its best guess."""
    guess = f"; best guess {crossing.level_db:.1f} dBm" if crossing.level_db is not None else ""
    return "; ".join(
        (f"{crossing.status.value} after {crossing.readings} readings{guess}", *crossing.warnings)
    )


def how_found(crossing: Crossing) -> str:
    """Return in words how a level was found."""
    slope = f", slope {crossing.slope:.2g} per dB" if crossing.slope is not None else ""
    return "; ".join(
        (
            f"{crossing.readings} readings, ±{crossing.half_width_db:.2f} dB by the search{slope}",
            *crossing.warnings,
        )
    )
