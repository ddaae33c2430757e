"""Weigh curves and levels of the crossing on one grid: cells of scatter gain, level and curve, for every set of time constants.

What was worked out of a reading is kept as long as the grid stays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.search.curve_family import Family
from sequencer.search.curve_likelihood import Point, Tables, log_likelihood

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weights:
    """What the readings say on a grid.

    ``post`` (sets, cells) sums to 1, and so do its sums ``by_level``, ``by_curve`` and ``by_gain``; ``log_total`` is the natural
    logarithm of the readings' likelihood; ``strays`` holds, for each set and each reading that is a number, how likely it is a stray
    in each cell, None for one that cannot be.
    """

    post: Array
    log_total: float
    by_level: Array
    by_curve: Array
    by_gain: Array
    strays: list[list[Array | None]]

    def trust(self, k: int) -> float:
        """Return the probability that the ``k``-th of the readings that are numbers is no stray; -1 for the last."""

        import numpy as np

        doubts = zip(self.post, (of_set[k] for of_set in self.strays), strict=True)
        return 1.0 - sum(float(np.vdot(post, stray)) for post, stray in doubts if stray is not None)


class Grid:
    """The levels (dB) and the curves ``kept`` of a family that are weighed, each with its weight before any reading."""

    def __init__(
        self,
        family: Family,
        levels: Array,
        kept: Array,
        gains: Sequence[tuple[float, float]],
        log_prior: Array,
    ) -> None:
        import numpy as np

        self.family, self.levels, self.kept = family, levels, kept
        self._tables = Tables(family, kept)
        self._gains = np.array([gain for gain, _ in gains], np.float32)
        log_weight = np.log([weight for _, weight in gains])
        self._log_before = (
            log_weight[:, None, None] + log_prior[:, None] + family.log_weight[kept][None, None, :]
        ).astype(np.float32)
        self._at: dict[float, list[Array]] = {}
        self._summed: dict[tuple[Point, ...], Array] = {}
        self._resolution = math.nan
        self._worked_out: dict[tuple[Point, float], tuple[Array, Array | None]] = {}

    def weigh(self, sets: Sequence[tuple[float, Sequence[Point]]], resolution: float) -> Weights:
        """Return what the readings say, which are multiples of ``resolution``; each set is its weight and the readings under it."""

        import numpy as np

        post = np.empty((len(sets), *self._log_before.shape), np.float32)
        strays: list[list[Array | None]] = []
        summed: dict[tuple[Point, ...], Array] = {}
        for log_post, (weight, points) in zip(post, sets, strict=True):
            told = tuple(point for point in points if not math.isnan(point.excess))
            summed[told] = self._log_of(told, resolution)
            np.add(summed[told], np.float32(math.log(weight)), out=log_post)
            numbers = (point for point in told if math.isfinite(point.excess))
            strays.append([self._of(point, resolution)[1] for point in numbers])
        self._summed, self._resolution = summed, resolution
        return _weights(post, strays)

    def _log_of(self, points: tuple[Point, ...], resolution: float) -> Array:
        """Return the logarithm of weight before any reading times likelihood: what was summed for all readings but the last, and that."""
        known = self._summed.get(points[:-1]) if resolution == self._resolution else None
        if known is not None and points:
            return known + self._of(points[-1], resolution)[0]
        made = self._log_before.copy()
        for point in points:
            made += self._of(point, resolution)[0]
        return made

    def _of(self, point: Point, resolution: float) -> tuple[Array, Array | None]:
        key = point, resolution
        if key not in self._worked_out:
            self._worked_out[key] = log_likelihood(
                self.family, point, self._held(point), step=resolution, gains=self._gains
            )
        return self._worked_out[key]

    def _held(self, point: Point) -> list[Array]:
        """Return what the tables hold of a reading's level, or of the levels that it is made of."""
        if not point.parts:
            return self._at_level(point.level_db)
        import numpy as np

        (level_db, share), *others = point.parts
        held: list[Array] = [np.float32(share) * table for table in self._at_level(level_db)]
        for level_db, share in others:
            held = [
                table + np.float32(share) * other
                for table, other in zip(held, self._at_level(level_db), strict=True)
            ]
        return held

    def _at_level(self, level_db: float) -> list[Array]:
        held = self._at.get(level_db)
        if held is None:
            held = self._at[level_db] = self._tables.at(level_db, self.levels)
        return held


def _weights(log_post: Array, strays: list[list[Array | None]]) -> Weights:
    """Return the weights of which ``log_post`` (sets, gains, levels, curves) are the logarithms; it is written over."""

    import numpy as np

    top = log_post.max()
    log_post -= top
    post = np.exp(log_post, out=log_post)
    plane = post.sum(axis=(0, 1))
    by_level = plane.sum(axis=1, dtype=float)
    total = float(by_level.sum())
    post *= np.float32(1 / total)
    return Weights(
        post=post.reshape(len(post), -1),
        log_total=float(top) + math.log(total),
        by_level=by_level / total,
        by_curve=plane.sum(axis=0, dtype=float) / total,
        by_gain=post.sum(axis=(0, 2, 3), dtype=float),
        strays=strays,
    )
