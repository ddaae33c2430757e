"""What a check leaves: rows of a results table, and the readings a search used."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from operator import attrgetter
from typing import Any

from sequencer.uncertainty.decision import Decision


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading a search used: the level asked for, what was read there, and for how long."""

    level_db: float
    reading: float | None
    state: str
    reading_s: float
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One row of the results table.

    ``value``, ``uncertainty`` (expanded, about 95 %) and the limits are in ``unit``; ``value`` is None when nothing could be
    measured, and then ``note`` says why. ``settings`` are the check's own: what it was told to do, without
    limits. ``decision`` is one of the words of `sequencer.uncertainty.decision.Decision`.

    ``target``, in ``target_unit``, is what a search looked for, as it was read (12, "dB SINAD"); ``slope`` is the reading's change per
    dB of level there. ``axis`` names what the result stands along beside others ("audio frequency", "supply", "meter mark"), at
    ``axis_value`` in ``axis_unit``. ``nominal``, in ``unit``, is the value that should be. None or empty where there is no such thing.
    """

    time: datetime
    run: str
    serial: str
    model: str
    sequence: str
    sequence_hash: str
    bench: str
    bench_hash: str
    simulated: bool
    check: str
    channel: int | None
    frequency_hz: float | None
    mode: str
    quantity: str
    value: float | None
    unit: str
    uncertainty: float | None
    lower_limit: float | None
    upper_limit: float | None
    decision: Decision
    rule: str
    conditions: str = ""
    note: str = ""
    points: tuple[Point, ...] = ()
    budget: Mapping[str, Any] | None = None
    settings: Mapping[str, Any] | None = None
    target: float | None = None
    target_unit: str = ""
    slope: float | None = None
    axis: str = ""
    axis_value: float | None = None
    axis_unit: str = ""
    nominal: float | None = None


METER_MARK = "meter mark"
"""The axis of a signal meter's marks: how far each stands over S9 on the scale, dB."""
FACTS = ("target", "target_unit", "slope", "axis", "axis_value", "axis_unit", "nominal")
"""What a result says of how it was found and where it stands, as data."""
COLUMNS = tuple(f.name for f in fields(Result) if f.name not in ("points", "budget", "settings", *FACTS))
"""The results table's columns, in order; the CSV and the store carry the same."""
_cells = attrgetter(*COLUMNS)


def row_of(result: Result) -> dict[str, str | float | int | bool | None]:
    """Return the result as plain values under the results table's columns; times are ISO 8601 with offset."""
    row = dict(zip(COLUMNS, _cells(result), strict=True))
    row["time"] = result.time.isoformat(timespec="milliseconds")
    row["decision"] = result.decision.value
    return row
