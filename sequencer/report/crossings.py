"""Take what a search read, and where it crossed its target, from the result itself: nothing is fitted here and no text is read.

A result says what was looked for (``target``, in ``target_unit``) and the reading's slope at the crossing. Results stored before
there were such fields say neither: their readings are drawn without a line, and the caption says so.
"""

from __future__ import annotations

import math

from sequencer.frozen import dataclass
from sequencer.results.stored import StoredResult
from sequencer.results.stored_budget import StoredBudget
from sequencer.uncertainty.contributions import SEARCH_INTERVAL


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchCurve:
    """The readings of one search.

    ``levels_db`` and ``readings`` of the readings that are numbers; ``blank`` levels where there was none, with what the instrument
    said instead. ``crossing_dbm`` is the result where that is a level, ``expanded_db`` its uncertainty, ``search_db`` the half-width
    of the search's own interval. ``target`` in ``target_unit`` is what the reading was to cross, ``slope`` its change per dB there;
    None where the result does not say.
    """

    title: str
    levels_db: tuple[float, ...]
    readings: tuple[float, ...]
    blank: tuple[tuple[float, str], ...]
    crossing_dbm: float | None
    expanded_db: float | None
    search_db: float | None
    target: float | None
    target_unit: str
    slope: float | None

    def at(self, level_db: float) -> float:
        """Return the reading at a level, along the slope through the crossing; there must be crossing, target and slope."""
        assert self.crossing_dbm is not None
        assert self.target is not None
        assert self.slope is not None
        return self.target + self.slope * (level_db - self.crossing_dbm)


def search_curve(row: StoredResult) -> SearchCurve | None:
    """Return what a stored result's points show; None if it has fewer than two, no level among them, or a trace."""
    if row.has_spectrum or row.has_timeline:
        return None
    levels = [(one.level_db, one) for one in row.points if math.isfinite(one.level_db)]
    if len(levels) < 2:
        return None
    read = [(level, one.reading) for level, one in levels if one.reading is not None]
    where = "" if row.channel is None else f", channel {row.channel}"
    return SearchCurve(
        title=f"{row.quantity}{where}, {row.mode}",
        levels_db=tuple(level for level, _ in read),
        readings=tuple(reading for _, reading in read),
        blank=tuple((level, one.state) for level, one in levels if one.reading is None),
        crossing_dbm=row.value if row.unit == "dBm" else None,
        expanded_db=row.uncertainty if row.unit == "dBm" else None,
        search_db=_search_half_width(row.budget) if row.unit == "dBm" else None,
        target=row.target,
        target_unit=row.target_unit,
        slope=row.slope,
    )


def _search_half_width(budget: StoredBudget | None) -> float | None:
    parts = budget.contributions if budget is not None else ()
    return next((float(part.stated) for part in parts if part.source == SEARCH_INTERVAL), None)
