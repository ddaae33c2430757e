"""What a batch measured, quantity by quantity: one value a unit, from its first pass, in the order of time."""

from __future__ import annotations

import statistics
from datetime import datetime

from sequencer.analysis.batches.units import BatchUnits
from sequencer.frozen import dataclass
from sequencer.results.stored import StoredResult
from sequencer.uncertainty.decision import Limits

Key = tuple[int, str, str, int | None, str, str, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One quantity over the units of a batch. ``rows`` and their ``values`` stand in the order of time; ``missing`` units had none, and
    of ``bounds`` units it is a bound only, which counts as no value.

    ``limits`` is None where the units had different ones, or none. ``uncertainty`` is the middle of the expanded uncertainties, in the
    unit of a difference; None where they are not stated.
    """

    check: str
    name: str
    channel: int | None
    mode: str
    unit: str
    rows: tuple[StoredResult, ...]
    values: tuple[float, ...]
    missing: int
    bounds: int
    limits: Limits | None
    several_limits: bool
    uncertainty: float | None

    @property
    def times(self) -> tuple[datetime, ...]:
        """When each was found."""
        return tuple(row.time for row in self.rows)

    @property
    def title(self) -> str:
        """Its name with channel and mode."""
        where = "" if self.channel is None else f", channel {self.channel}"
        return f"{self.name}{where}{f', {self.mode}' if self.mode else ''}"


def quantities_of(found: BatchUnits) -> tuple[Quantity, ...]:
    """Return what was measured on the units of a batch, in the order of its sequence; answers (yes or no) and counts are left out."""
    by_key: dict[Key, list[StoredResult]] = {}
    for unit in found.judged:
        seen: set[Key] = set()
        for row in unit.first.rows if unit.first is not None else ():
            key = (row.check_index, row.check, row.quantity, row.channel, row.mode, row.unit, row.axis_value)
            if row.unit and row.uncertainty != 0.0 and key not in seen:
                seen.add(key)
                by_key.setdefault(key, []).append(row)
    return tuple(_quantity(key, rows) for key, rows in sorted(by_key.items(), key=lambda one: one[0][0]))


def _quantity(key: Key, rows: list[StoredResult]) -> Quantity:
    _, check, name, channel, mode, unit, _ = key
    with_value = tuple(sorted((row for row in rows if row.is_measured), key=lambda row: row.time))
    limits = {(row.lower_limit, row.upper_limit) for row in rows}
    one = next(iter(limits)) if len(limits) == 1 else (None, None)
    stated = [row.uncertainty for row in with_value if row.uncertainty is not None]
    return Quantity(
        check=check,
        name=name,
        channel=channel,
        mode=mode,
        unit=unit,
        rows=with_value,
        values=tuple([row.value for row in with_value if row.value is not None]),
        missing=sum(row.value is None for row in rows),
        bounds=sum(bool(row.bound) for row in rows),
        limits=Limits(lower=one[0], upper=one[1]) if one != (None, None) else None,
        several_limits=len(limits) > 1,
        uncertainty=statistics.median(stated) if stated and len(stated) == len(with_value) else None,
    )
