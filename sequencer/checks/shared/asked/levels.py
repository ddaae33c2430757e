"""The window of levels that a search on the receive side may use."""

import math
from typing import Annotated

from pydantic import AfterValidator, model_validator

from sequencer.checks.finding import Conditions, Demand
from sequencer.files.fields import FileModel, LevelDbm, RatioDb, between
from sequencer.inputs.bench_parts.instrument_roles import SignalGenerator
from sequencer.problems import FieldProblem

# above this a receiver test has gone wrong, whatever the rating: common practice, no source
HIGHEST_BY_DEFAULT_DBM = -20.0
SURELY_FALLS_DBM = -107.0
"""So weak a signal is noisier in any receiver than a strong one, by far more than readings scatter: common practice, no source."""
SearchAccuracyDb = Annotated[RatioDb, AfterValidator(between(0.05, 10.0, "dB"))]


class LevelWindow(FileModel):
    """The levels a search may use, at the antenna connector."""

    min_dbm: LevelDbm | None = None
    """Lowest level; without it the lowest the generator offers there."""
    max_dbm: LevelDbm | None = None
    """Highest level; without it -20 dBm, or the receiver's rating if that is lower."""

    @model_validator(mode="after")
    def _has_width(self) -> "LevelWindow":
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


def one_level(
    level_dbm: float, *, key: str = "level", step_db: float = 0.0, proves: bool = False
) -> list[Demand]:
    """Return what is demanded by a check that reads at one level, that of its setting ``key``.

    ``step_db``: it reads so far below too, for how the reading follows the level; ``proves``: it looks whether the reading changes at
    all, at the lowest level there is, and so needs one at which that must be seen.
    """
    demands = [Demand(at=(key,), level_dbm=level_dbm)]
    if step_db:
        demands.append(
            Demand(
                at=(key,),
                level_dbm=level_dbm - step_db,
                apart_db=-step_db,
                because=f"{step_db:g} dB below {key!r}, for how the reading follows it",
            )
        )
    if proves and level_dbm > SURELY_FALLS_DBM:
        because = "where it is proved that the reading follows the level"
        demands.append(Demand(at=(key,), level_dbm=SURELY_FALLS_DBM, because=because))
    return demands
