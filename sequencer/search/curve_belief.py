"""Weigh every curve of a family at every level of the crossing by the readings: what is believed after each of them.

Bayes' rule on a grid: no curve and no level is thrown away before the readings make it unlikely, so that what is not
known (bandwidth, ceiling, scatter, time constants) widens the interval by as much as it should. Beside the family stands
a reading that does not follow the level at all, so that a crossing is only spoken of when the readings say that there is
a response.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.search.curve_family import DB_PER_NEPER, STEP_DB, Family
from sequencer.search.curve_grid import Grid, Weights
from sequencer.search.curve_likelihood import Point, log_without

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

WIDER_DB = 6.0
SHRUNK = 0.6  # a grid this much smaller is worth working out anew
ALONE_GAIN = ((1.1, 1.0),)
FORGOTTEN = -8.0  # natural logarithm below the best: such a curve is left out
FINEST_DB = 0.02
CELLS = 128
SECANT_DB = 1.0
ALIKE_DB = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Where a crossing usually is: ``level_db`` with a standard deviation, and the share of units that may be anywhere."""

    level_db: float
    sd_db: float
    anywhere: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What another search found on the same curve: ``reading`` at ``level_db``, which has a standard deviation of ``sd_db``."""

    level_db: float
    reading: float
    sd_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """What is believed of the crossing.

    ``quantiles_db`` are the ends of the 95 % interval of its level with the 16, 50 and 84 per cent points between them;
    ``mean_db`` and ``sd_db`` its mean and standard deviation; ``below`` and ``beyond`` the probability that it lies
    outside the window. ``slope``, ``slope_sd``, ``slopes_beside`` (over 1 dB below and above) and ``noise_db`` (a 0.1 s
    reading's scatter in dB of level, at the crossing) are means over the curves; ``log_odds`` the natural logarithm of
    how much likelier the readings are with a response than without. ``trust`` (one a point) is the probability that a
    reading is no stray, ``of_sets`` that of each set of readings. ``stated_db`` are the ends of the interval stated, where these
    are not the outer ``quantiles_db``: it holds with either weight of a hypothesis whose weight is in doubt. ``apart_db`` is how far
    apart the curves of an FM receiver put the crossing (standard deviation of their means), 0 of any other.
    """

    quantiles_db: tuple[float, float, float, float, float]
    mean_db: float
    sd_db: float
    below: float
    beyond: float
    slope: float
    slope_sd: float
    slopes_beside: tuple[float, float]
    noise_db: float
    log_odds: float
    trust: tuple[float, ...]
    of_sets: tuple[float, ...] = ()
    stated_db: tuple[float, float] | None = None
    apart_db: float = 0.0

    @property
    def half_width_db(self) -> float:
        """Half of the 95 % interval."""
        return (self.quantiles_db[4] - self.quantiles_db[0]) / 2

    @property
    def level_db(self) -> float:
        """The middle of the 95 % interval."""
        return (self.quantiles_db[4] + self.quantiles_db[0]) / 2

    @property
    def stated(self) -> tuple[float, float]:
        """Middle and half of the 95 % interval as it is stated."""
        low, high = self.stated_db or (self.quantiles_db[0], self.quantiles_db[4])
        return (high + low) / 2, (high - low) / 2


class Believer:
    """Holds the family and the prior of the level; turns readings into a belief."""

    def __init__(
        self, family: Family, window_db: tuple[float, float], expected: Expected | None, step: float
    ) -> None:
        import numpy as np

        self.family, self.window_db, self.expected, self.step = family, window_db, expected, step
        self.span_db = (window_db[0] - 25.0, window_db[1] + 25.0)
        self._kept: Array = np.arange(len(family))
        self._range_db: tuple[float, float] | None = None
        self._gains = family.gains
        self._grid: Grid | None = None
        self._grid_key: tuple[Any, ...] = ()

    def _log_prior(self, levels_db: Array) -> Array:
        """Return the logarithm of the prior's density per dB."""

        import numpy as np

        even = 1.0 / (self.span_db[1] - self.span_db[0])
        if self.expected is None:
            return np.full_like(levels_db, math.log(even))
        at = self.expected
        peak = np.exp(-0.5 * ((levels_db - at.level_db) / at.sd_db) ** 2) / (
            at.sd_db * math.sqrt(2 * math.pi)
        )
        made: Array = np.log((1 - at.anywhere) * peak + at.anywhere * even)
        return made

    def believe(self, sets: Sequence[tuple[float, Sequence[Point]]]) -> Belief:
        """Return what the readings say; each set is a weight (of its time constants) and the readings worked out under them."""
        given = [weight for weight, _ in sets]
        sets, places = _merged(sets, self.family.scale)
        belief = self._believed(sets)
        shares = [weight * belief.of_sets[at] / sets[at][0] for weight, at in zip(given, places, strict=True)]
        return replace(belief, of_sets=tuple(shares))

    def _believed(self, sets: Sequence[tuple[float, Sequence[Point]]]) -> Belief:

        import numpy as np

        every = np.arange(len(self.family))
        if self._range_db is not None:
            low, high = self._range_db
            wider = max(low - WIDER_DB, self.span_db[0]), min(high + WIDER_DB, self.span_db[1])
            for span_db, kept in ((self._range_db, self._kept), (wider, every)):
                belief = self._weighed(sets, span_db, kept)
                if belief is not None:
                    return belief
        belief = self._weighed(sets, self.span_db, every)
        assert belief is not None
        return belief

    def _weighed(
        self, sets: Sequence[tuple[float, Sequence[Point]]], span_db: tuple[float, float], kept: Array
    ) -> Belief | None:
        """Weigh the curves ``kept`` at levels within ``span_db``, finer and finer; None where that leaves out what matters."""

        import numpy as np

        whole = span_db == self.span_db
        low, high = span_db
        # One reading says nothing of its own scatter, and places the crossing roughly.
        alone = all(len(points) < 2 for _, points in sets)
        self._gains = ALONE_GAIN if alone else self.family.gains
        step = 0.5 if whole else max(FINEST_DB, (high - low) / CELLS)
        used = kept
        for _ in range(4):
            grid = self._on_grid(low, high, step, kept)
            weights, used = grid.weigh(sets, self.step), kept
            levels, by_level, by_curve = grid.levels, weights.by_level, weights.by_curve
            if not whole and (by_level[0] + by_level[-1] > 1e-5 or _surprised(weights)):
                return None
            kept = used[by_curve > math.exp(FORGOTTEN) * by_curve.max()]
            inside = np.flatnonzero(by_level > 1e-6 * by_level.max())
            first, last = levels[inside[0]] - 2 * step, levels[inside[-1]] + 2 * step
            finer = max(FINEST_DB, (last - first) / CELLS)
            if finer > 0.6 * step:
                break
            low, high, step = first, last, finer
        if len(kept) < SHRUNK * len(used) or last - first + 2.0 < SHRUNK * (high - low):
            self._kept, self._range_db = kept, (first - 1.0, last + 1.0)
        else:  # the same grid again: what was worked out of the readings so far is kept
            self._kept, self._range_db = used, (low, high)
        return self._summed(sets[0][1], grid, weights)

    def _on_grid(self, low: float, high: float, step: float, kept: Array) -> Grid:
        """Return a grid of levels and curves: the last one where nothing has changed, with what was worked out on it."""

        import numpy as np

        key = (low, high, step, kept.tobytes(), self._gains)
        if self._grid is None or key != self._grid_key:
            levels = np.arange(low, high + step / 2, step)
            log_prior = self._log_prior(levels) + math.log(step)
            self._grid = Grid(self.family, levels, kept, self._gains, log_prior)
            self._grid_key = key
        return self._grid

    def _summed(self, points: Sequence[Point], grid: Grid, weights: Weights) -> Belief:
        without = log_without(points, scale=self.family.scale, step=self.step)
        return Belief(
            **self._of_level(weights.by_level, grid.levels),
            **self._of_curve(weights.by_curve, weights.by_gain, grid.kept),
            log_odds=weights.log_total - without,
            trust=tuple(weights.trust(k) for k in range(len(weights.strays[0]))),
            of_sets=tuple(float(share) for share in weights.post.sum(axis=1, dtype=float)),
            **self._of_hypotheses(grid, weights),
        )

    def _of_hypotheses(self, grid: Grid, weights: Weights) -> dict[str, Any]:
        """Return what is stated, and how far apart the curves put the crossing: both where curves have more than one weight."""
        if self.family.stated_weight is None:
            return {}
        by_curve = weights.post.reshape(-1, len(grid.levels), len(grid.kept)).sum(axis=0)
        plane = by_curve * self.family.stated_weight[grid.kept]
        return {
            "stated_db": self._stated(grid.levels, plane, weights.by_level),
            "apart_db": _apart_db(grid.levels, plane),
        }

    def _stated(self, levels: Array, plane: Array, by_level: Array) -> tuple[float, float]:
        """Return the ends of what holds 95 % with either weight of the curves."""
        as_stated = plane.sum(axis=1, dtype=float)
        either = as_stated / as_stated.sum(), by_level
        lows, _, _, _, highs = zip(
            *(self._of_level(one, levels)["quantiles_db"] for one in either), strict=True
        )
        return min(lows), max(highs)

    def _of_level(self, by_level: Array, levels: Array) -> dict[str, Any]:
        """Return what is believed of the crossing's level."""

        import numpy as np

        sums, step = np.cumsum(by_level), levels[1] - levels[0]
        mean_db = float(by_level @ levels)
        return {
            "quantiles_db": tuple(
                float(np.interp(share, sums, levels + step / 2)) for share in (0.025, 0.16, 0.5, 0.84, 0.975)
            ),
            "mean_db": mean_db,
            "sd_db": math.sqrt(max(float(by_level @ (levels - mean_db) ** 2), 1e-12)),
            "below": float(by_level[levels < self.window_db[0]].sum()),
            "beyond": float(by_level[levels > self.window_db[1]].sum()),
        }

    def _of_curve(self, by_curve: Array, by_gain: Array, kept: Array) -> dict[str, Any]:
        """Return what is believed of the curve at the crossing."""

        import numpy as np

        family, middle = self.family, self.family.excess.shape[1] // 2
        slopes = family.slope[kept, middle]
        slope = float(by_curve @ slopes)
        scatter = family.scatter[kept, middle] / np.maximum(np.abs(slopes), 1e-9 * family.scale)
        if family.ratio:
            scatter = scatter * DB_PER_NEPER * family.share[kept, middle]
        reach = round(SECANT_DB / STEP_DB)
        return {
            "slope": slope,
            "slope_sd": math.sqrt(max(float(by_curve @ (slopes - slope) ** 2), 0.0)),
            "slopes_beside": (
                float(by_curve @ -family.excess[kept, middle - reach]) / SECANT_DB,
                float(by_curve @ family.excess[kept, middle + reach]) / SECANT_DB,
            ),
            "noise_db": float(by_curve @ scatter)
            * float(by_gain @ np.array([gain for gain, _ in self._gains])),
        }


def _apart_db(levels: Array, plane: Array) -> float:
    """Return the standard deviation of where each curve puts the crossing; ``plane`` (levels, curves) are the weights."""

    import numpy as np

    by_curve = plane.sum(axis=0, dtype=float)
    means = (levels @ plane) / np.maximum(by_curve, 1e-30)
    by_curve /= by_curve.sum()
    off: Array = means - by_curve @ means
    return math.sqrt(max(float(by_curve @ off**2), 0.0))


def _surprised(weights: Weights) -> bool:
    """Whether the last reading fits nothing of what was kept."""
    return bool(weights.strays[0]) and weights.trust(-1) < 0.5


def _merged(
    sets: Sequence[tuple[float, Sequence[Point]]], scale: float
) -> tuple[list[tuple[float, Sequence[Point]]], list[int]]:
    """Take together sets under which no reading differs by more than a hundredth of a dB; return them, and where each went."""
    made: list[tuple[float, Sequence[Point]]] = []
    places: list[int] = []
    for weight, points in sets:
        for k, (more, others) in enumerate(made):
            if all(
                abs(a.level_db - b.level_db) <= ALIKE_DB and not abs(a.excess - b.excess) > ALIKE_DB * scale
                for a, b in zip(points, others, strict=True)
            ):
                made[k] = (more + weight, others)
                places.append(k)
                break
        else:
            places.append(len(made))
            made.append((weight, points))
    return made, places
