"""What a bench file says of the bench's own health: the check of itself, its golden unit, and what happens where one is overdue."""

import re
from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from sequencer.files.fields import PRINTABLE, FileModel, RatioDb, TimeS, between

WarnOrRefuse = Literal["warn", "refuse"]
NamedFile = Annotated[str, Field(min_length=1, max_length=300, pattern=PRINTABLE)]
_WornDb = Annotated[RatioDb, AfterValidator(between(-30.0, 30.0, "dB"))]
_NO_NAME = re.compile(r'[/\\:*?"<>|\x00-\x1f]')


class OwnCheck(FileModel):
    """The bench's check of itself."""

    every_s: Annotated[TimeS, AfterValidator(between(60.0, 3.2e7, "s"))] = 86_400.0
    """How old its last check may be when a unit is measured: 24 h, 30 min."""
    required: WarnOrRefuse = "warn"
    """What happens to a run of a unit where that check is overdue, failed, or was never made."""
    sequence: NamedFile = "own-check"
    """The sequence of `sequencer check-bench`: with the check `bench_check`, and none of a unit."""
    since: date | None = None
    """From which day on results belong to the bench as it is now: the day of a repair, of a new cable, of an adjustment."""


class GoldenUnit(FileModel):
    """A unit that stays with the bench and is measured again and again, to tell a change of the bench from one of the units."""

    serial: str = Field(min_length=1, max_length=64, pattern=PRINTABLE)
    """Its serial."""
    sequence: NamedFile = "golden-unit"
    """The sequence of `sequencer check-bench --golden`; its last check is `golden_unit`."""
    since: date | None = None
    """From which day on its results belong to the unit as it is now."""


class ExpectedIdentity(FileModel):
    """Who an instrument must say that it is; what is left out may be anything."""

    maker: str | None = Field(default=None, min_length=1, max_length=80, pattern=PRINTABLE)
    """The first word of its answer to *IDN?."""
    model: str | None = Field(default=None, min_length=1, max_length=80, pattern=PRINTABLE)
    """The second."""
    serial: str | None = Field(default=None, min_length=1, max_length=80, pattern=PRINTABLE)
    """The third: another instrument of the same model is refused."""


class Worn(FileModel):
    """Simulated bench only: what has changed since the bench was set up."""

    generator_cable_db: _WornDb = 0.0
    """What the cable from generator to switch loses more than it did."""
    meter_cable_db: _WornDb = 0.0
    """What the cable from switch to power meter loses more than it did."""
    generator_db: _WornDb = 0.0
    """By how much the generator has got high, below 0 low."""
    power_meter_db: _WornDb = 0.0
    """By how much the power meter reads high, below 0 low."""


def bench_serial(name: str) -> str:
    """Return the serial under which the own results of the bench called ``name`` stand: no unit's, and fit for a file's name."""
    return f"bench {_NO_NAME.sub('-', name)}".strip()
