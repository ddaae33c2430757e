"""Weigh every curve of a family at every level of the crossing by the readings: what is believed after each of them.

Bayes' rule on a grid: no curve and no level is thrown away before the readings make it unlikely, so that what is not
known (bandwidth, ceiling, scatter, time constants) widens the interval by as much as it should. Beside the family stands
a reading that does not follow the level at all, so that a crossing is only spoken of when the readings say that there is
a response.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sequencer.search.curve_family import DB_PER_NEPER, STEP_DB, Family
from sequencer.search.curve_likelihood import Point, log_likelihood, log_sum, log_without

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

GAINS: tuple[tuple[float, float], ...] = ((0.75, 0.25), (1.1, 0.5), (1.7, 0.25))
"""How many times the scatter may be what the family says, with weights."""
WIDER_DB = 6.0
SHRUNK = 0.6  # a grid this much smaller is worth working out anew
ALONE_GAIN = ((1.1, 1.0),)
FORGOTTEN = -8.0  # natural logarithm below the best: such a curve is left out
FINEST_DB = 0.02
CELLS = 160
SECANT_DB = 1.0
ALIKE_DB = 0.02
METER_TAIL = 0.015  # instead of 0.025: no table holds every law that a meter may follow [measured: 90 % held instead of 95]


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
    reading is no stray.
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

    @property
    def half_width_db(self) -> float:
        """Half of the 95 % interval."""
        return (self.quantiles_db[4] - self.quantiles_db[0]) / 2

    @property
    def level_db(self) -> float:
        """The middle of the 95 % interval."""
        return (self.quantiles_db[4] + self.quantiles_db[0]) / 2


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
        self._gains = GAINS
        self._grid: tuple[Any, ...] = ()
        self._worked_out: dict[Point, tuple[Array, Array]] = {}

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

        import numpy as np

        sets = _merged(sets, self.family.scale)
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
        self._gains = ALONE_GAIN if alone else GAINS
        step = (0.5 if alone else 0.25) if whole else max(FINEST_DB, (high - low) / CELLS)
        used = kept
        for _ in range(4):
            levels = np.arange(low, high + step / 2, step)
            used = kept
            log_post, parts = self._posterior(sets, levels, used, step)
            total = log_sum(log_post)
            post = np.exp(log_post - np.float32(total))
            by_level = post.sum(axis=(0, 1, 2), dtype=float)
            by_curve = post.sum(axis=(0, 2, 3))
            if not whole and (by_level[0] + by_level[-1] > 1e-5 or self._surprised(post, parts)):
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
        return self._summed(sets, post, total, levels, used, parts)

    @staticmethod
    def _surprised(post: Array, parts: list[list[Array]]) -> bool:
        """Whether the last reading fits nothing of what was kept."""
        if not parts[0]:
            return False
        return sum(float((post[f] * parts[f][-1]).sum()) for f in range(len(parts))) < 0.5

    def _posterior(
        self, sets: Sequence[tuple[float, Sequence[Point]]], levels: Array, kept: Array, step: float
    ) -> tuple[Array, list[list[Array]]]:
        """Return the logarithm of weight times likelihood (sets, curves, gains, levels)."""

        import numpy as np

        family = self.family
        self._on_grid((levels[0], levels[-1], step, kept.tobytes(), len(self._gains), self.step))
        gains = np.array([gain for gain, _ in self._gains], np.float32)
        gain_weight = np.log([weight for _, weight in self._gains])
        prior = (self._log_prior(levels) + math.log(step)).astype(np.float32)
        made, parts = [], []
        for weight, points in sets:
            log_post = (
                math.log(weight)
                + family.log_weight[kept][:, None, None]
                + gain_weight[None, :, None]
                + prior[None, None, :]
            ).astype(np.float32)
            strays = []
            for point in points:
                if math.isnan(point.excess):
                    continue
                if point not in self._worked_out:
                    self._worked_out[point] = log_likelihood(
                        family, point, step=self.step, levels=levels, kept=kept, gains=gains
                    )
                log_like, stray = self._worked_out[point]
                log_post = log_post + log_like
                if math.isfinite(point.excess):
                    strays.append(stray)
            made.append(log_post)
            parts.append(strays)
        return np.stack(made), parts

    def _on_grid(self, grid: tuple[Any, ...]) -> None:
        """Forget what was worked out on another grid."""
        if grid != self._grid:
            self._grid, self._worked_out = grid, {}

    def _summed(
        self,
        sets: Sequence[tuple[float, Sequence[Point]]],
        post: Array,
        total: float,
        levels: Array,
        kept: Array,
        parts: list[list[Array]],
    ) -> Belief:
        by_level = post.sum(axis=(0, 1, 2), dtype=float)
        by_level /= by_level.sum()
        return Belief(
            **self._of_level(by_level, levels),
            **self._of_curve(post.sum(axis=(0, 2, 3)), post.sum(axis=(0, 1, 3)), kept),
            log_odds=float(total) - log_without(sets[0][1], scale=self.family.scale, step=self.step),
            trust=tuple(
                float(sum((post[f] * part[k]).sum() for f, part in enumerate(parts)))
                for k in range(len(parts[0]))
            ),
        )

    def _of_level(self, by_level: Array, levels: Array) -> dict[str, Any]:
        """Return what is believed of the crossing's level."""

        import numpy as np

        tail = 0.025 if self.family.ratio else METER_TAIL
        sums, step = np.cumsum(by_level), levels[1] - levels[0]
        mean_db = float(by_level @ levels)
        return {
            "quantiles_db": tuple(
                float(np.interp(share, sums, levels + step / 2))
                for share in (tail, 0.16, 0.5, 0.84, 1 - tail)
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


def _merged(
    sets: Sequence[tuple[float, Sequence[Point]]], scale: float
) -> list[tuple[float, Sequence[Point]]]:
    """Take together sets under which no reading differs by more than a hundredth of a dB."""
    made: list[tuple[float, Sequence[Point]]] = []
    for weight, points in sets:
        for k, (more, others) in enumerate(made):
            if all(
                abs(a.level_db - b.level_db) <= ALIKE_DB and not abs(a.excess - b.excess) > ALIKE_DB * scale
                for a, b in zip(points, others, strict=True)
            ):
                made[k] = (more + weight, others)
                break
        else:
            made.append((weight, points))
    return made
