"""What a search read, and the curve through it: for the plot only. The result itself is the search's.

The curve goes through the stored crossing and is fitted to the readings near it: reading = target + slope x + bend x^2 / 2, x the
level less the crossing, going on straight beyond 2 dB as the search's own curve does. A reading far off the curve loses its weight.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

NEAR_DB = 6.0
STRAIGHT_DB = 2.0
MOST_BENT = 0.47  # bend over slope; at 1 / STRAIGHT_DB the curve would stand still
MOST_STEPS = 3
ROUGH = 0.03  # of the readings' range: what is nearer to the curve than this is no outlier
_TARGET = re.compile(r"(?P<number>\d+(?:\.\d+)?)\s*dB\s+(?P<what>SINAD|\(S\+N\)/N|quieting)")


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchCurve:
    """The readings of one search.

    ``levels_db`` and ``readings`` of the readings that are numbers; ``blank`` levels where there was none, with what was said
    instead. ``crossing_dbm`` is the result, ``expanded_db`` its uncertainty, ``search_db`` the half-width of the search's own
    interval. ``target`` is what the reading was to cross: as the quantity says, or where the curve stands at the crossing
    (``target_is_stated`` tells).
    """

    title: str
    reading_name: str
    reading_unit: str
    levels_db: tuple[float, ...]
    readings: tuple[float, ...]
    blank: tuple[tuple[float, str], ...]
    crossing_dbm: float | None
    expanded_db: float | None
    search_db: float | None
    target: float | None
    target_is_stated: bool
    slope: float | None
    bend: float

    def at(self, level_db: float) -> float:
        """Return the curve's reading at a level; there must be a crossing, a target and a slope."""
        assert self.crossing_dbm is not None
        assert self.target is not None
        assert self.slope is not None
        x = level_db - self.crossing_dbm
        return self.target + self.slope * x + self.bend * float(_bent(np.array([x]))[0])


def search_curve(row: Mapping[str, Any]) -> SearchCurve | None:
    """Return what a stored result's points show; None if it has fewer than two, or no level among them."""
    points = [point for point in row.get("points") or () if point.get("level_db") is not None]
    if len(points) < 2:
        return None
    told = [(float(p["level_db"]), float(p["reading"])) for p in points if p.get("reading") is not None]
    crossing = row["value"] if row["unit"] == "dBm" else None
    target, what = _target(row["quantity"], told)
    name, unit = _reading_of(row, what)
    fitted = _fit(told, crossing, target) if crossing is not None and not _switches(told) else None
    found_target, slope, bend = fitted if fitted is not None else (target, None, 0.0)
    where = "" if row["channel"] is None else f", channel {row['channel']}"
    return SearchCurve(
        title=f"{row['quantity']}{where}, {row['mode']}",
        reading_name=name,
        reading_unit=unit,
        levels_db=tuple(level for level, _ in told),
        readings=tuple(reading for _, reading in told),
        blank=tuple((float(p["level_db"]), str(p["state"])) for p in points if p.get("reading") is None),
        crossing_dbm=crossing,
        expanded_db=row["uncertainty"],
        search_db=_search_half_width(row.get("budget")),
        target=found_target,
        target_is_stated=target is not None,
        slope=slope,
        bend=bend,
    )


def _target(quantity: str, told: Sequence[tuple[float, float]]) -> tuple[float | None, str]:
    match = _TARGET.search(quantity)
    if match is None:
        return None, ""
    target = float(match["number"])
    readings = [reading for _, reading in told]
    # A reading in another unit than the target's (volts of noise for "20 dB quieting") does not stand around it.
    if not readings or not min(readings) - 3 <= target <= max(readings) + 3:
        return None, match["what"]
    return target, match["what"]


def _reading_of(row: Mapping[str, Any], what: str) -> tuple[str, str]:
    """Return what was read and its unit, as far as the row tells: its quantity, or the accuracy its budget carries through the slope."""
    if what:
        return what, "dB"
    for part in (row.get("budget") or {}).get("contributions", ()):
        source = part["source"]
        if source.endswith(", accuracy") and part["coefficient"] != 1.0:
            return source.removesuffix(", accuracy"), part["unit"]
    return "reading", ""


def _switches(told: Sequence[tuple[float, float]]) -> bool:
    """Return whether the readings take only few values, as segments do: no curve goes through such."""
    return len(told) >= 2 * MOST_STEPS and len({reading for _, reading in told}) <= MOST_STEPS


def _fit(
    told: Sequence[tuple[float, float]], crossing: float, target: float | None
) -> tuple[float, float, float] | None:
    """Return target, slope and bend; the bend only where readings enough show one, and no more than keeps the curve from turning back."""
    near = [(level - crossing, reading) for level, reading in told if abs(level - crossing) <= NEAR_DB]
    free = target is None
    places = len({round(x, 1) for x, _ in near})
    if places < 2 + free:
        return None
    x = np.array([one for one, _ in near])
    y = np.array([reading for _, reading in near]) - (target or 0.0)
    line = [np.ones_like(x), x] if free else [x]
    found = [*_robust(np.stack(line, axis=1), y), 0.0]
    if places >= 3 + free:
        found = _robust(np.stack([*line, _bent(x)], axis=1), y)
        if abs(found[-1]) > MOST_BENT * abs(found[-2]):
            found = min(
                (_fully_bent(line, x, y, share) for share in (MOST_BENT, -MOST_BENT)), key=itemgetter(0)
            )[1]
    return (target or 0.0) + (found[0] if free else 0.0), found[-2], found[-1]


def _fully_bent(
    line: list[NDArray[np.float64]], x: NDArray[np.float64], y: NDArray[np.float64], share: float
) -> tuple[float, list[float]]:
    """Fit with the bend at this share of the slope; return how far the readings lie off, and the coefficients."""
    basis = np.stack([*line[:-1], x + share * _bent(x)], axis=1)
    solved = _robust(basis, y)
    return float(np.sum(np.abs(y - basis @ np.array(solved)))), [*solved, share * solved[-1]]


def _robust(basis: NDArray[np.float64], y: NDArray[np.float64]) -> list[float]:
    weights = np.ones_like(y)
    solved: NDArray[Any] = np.zeros(basis.shape[1])
    for _ in range(8):
        root = np.sqrt(weights)
        solved, *_ = np.linalg.lstsq(basis * root[:, None], y * root, rcond=None)
        off = np.abs(y - basis @ solved)
        # A cluster of readings at the crossing must not make an outlier of the one reading that shows the curve further out.
        usual = max(1.4826 * float(np.median(off)), ROUGH * float(np.ptp(y)), 1e-12)
        weights = (3 * usual / np.maximum(off, 3 * usual)) ** 2
    return [float(one) for one in solved]


def _bent(x: NDArray[np.float64]) -> NDArray[np.float64]:
    size = np.abs(x)
    return np.asarray(np.where(size <= STRAIGHT_DB, x**2 / 2, STRAIGHT_DB * size - STRAIGHT_DB**2 / 2))


def _search_half_width(budget: Mapping[str, Any] | None) -> float | None:
    for part in (budget or {}).get("contributions", ()):
        if part["source"].startswith("search"):
            return float(part["stated"])
    return None
