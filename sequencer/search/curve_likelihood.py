"""Say how likely a reading is, for every curve of a family at every level of the crossing, and if it follows nothing at all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sequencer.search.curve_family import DB_PER_NEPER, STEP_DB, Family

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

STRAY = 0.03
"""The share of readings that may be anything."""
STRAY_WIDTH_DB = 60.0
LEAST_SD_DB = 0.03  # of a ratio's reading: the analyser's own


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading as the belief sees it.

    ``excess`` is the reading minus target, turned so that it rises with level; infinite when beyond the instrument's range. What it
    would have come to at rest is doubtful by ``lag_sd`` in its own unit and ``lag_sd_db`` in dB of level; ``gain`` is how much
    noise grew by working that out.
    """

    level_db: float
    excess: float
    reading_s: float
    lag_sd: float = 0.0
    lag_sd_db: float = 0.0
    gain: float = 1.0
    counts: bool = True
    """Whether it says something of the crossing: not where the receiver is overloaded."""


def log_likelihood(
    family: Family, point: Point, *, step: float, levels: Array, kept: Array, gains: Array
) -> tuple[Array, Array]:
    """Return a reading's log likelihood (curves, gains, levels) and the share of it that is no stray.

    ``step`` is the reading's resolution in its unit, ``levels`` (dB) where the crossing may be, ``kept`` which curves count, ``gains`` how
    many times the family's the scatter may be.
    """

    import numpy as np

    x = np.clip((point.level_db - levels - family.x_db[0]) / STEP_DB, 0.0, len(family.x_db) - 1.001)
    index = x.astype(int)
    part = (x - index).astype(np.float32)

    def at(table: Array) -> Array:
        rows = table[kept]
        made: Array = rows[:, index] * (1 - part) + rows[:, index + 1] * part
        return made

    shape = (len(kept), len(gains), len(levels))
    if not point.counts:
        return np.full(shape, -math.log(STRAY_WIDTH_DB * family.scale)), np.ones(1)
    expected = at(family.excess)
    if math.isinf(point.excess):
        side = np.log(0.02 + 0.96 / (1 + np.exp(-np.sign(point.excess) * expected / family.scale)))
        return np.broadcast_to(side[:, None, :], shape), np.ones(1)
    more = at(family.doubt) ** 2 + step**2 / 12 + (at(family.slope) * point.lag_sd_db) ** 2 + point.lag_sd**2
    own = at(family.scatter) ** 2 * (point.gain**2 * 0.1 / point.reading_s)
    scattered = own[:, None, :] * (gains**2)[None, :, None]
    residual = point.excess - expected
    if family.ratio:
        log_like = _of_noise_power(residual, DB_PER_NEPER * at(family.share), scattered, more)
    else:
        variance = scattered + more[:, None, :] + (1e-6 * family.scale) ** 2
        log_like = -0.5 * residual[:, None, :] ** 2 / variance - 0.5 * np.log(variance)
    sound = np.exp(log_like + math.log1p(-STRAY) - 0.5 * math.log(2 * math.pi))
    either = sound + STRAY / (STRAY_WIDTH_DB * family.scale)
    return np.log(either), sound / either


def _of_noise_power(residual: Array, share: Array, scattered: Array, more: Array) -> Array:
    """Return the log likelihood of a power ratio's reading: what scatters is the noise power, so that low readings are the likelier."""

    import numpy as np

    variance = scattered + ((more + LEAST_SD_DB**2) / share**2)[:, None, :]
    neper = np.clip(-residual / share, -30.0, 4.0)
    of_power: Array = (1 + neper - np.exp(neper))[:, None, :] / variance
    of_power -= 0.5 * np.log(variance) + np.log(share)[:, None, :]
    return of_power


def log_without(points: Sequence[Point], *, scale: float, step: float) -> float:
    """Return the logarithm of the readings' likelihood if they do not follow the level: some mean, some scatter.

    ``scale`` is the reading's change per dB that a response would have, ``step`` its resolution.
    """

    import numpy as np

    mean = np.arange(-20.0, 40.0, 0.25) * scale
    scatter = np.array([0.03, 0.1, 0.25, 0.5, 1.0, 1.5, 2.2, 3.2, 4.5]) * scale
    weight = np.exp(-0.5 * (mean / (8.0 * scale)) ** 2) + 0.1
    log_post = np.log(weight / weight.sum())[:, None] - math.log(len(scatter)) + np.zeros((1, len(scatter)))
    floor = math.log(STRAY / (STRAY_WIDTH_DB * scale))
    for point in points:
        if not math.isfinite(point.excess):
            continue
        spread = np.hypot(scatter, 0.07 * scale + step / 3.5)[None, :]
        log_like = (
            -0.5 * ((point.excess - mean[:, None]) / spread) ** 2
            - np.log(spread)
            - 0.5 * math.log(2 * math.pi)
        )
        log_post = log_post + np.logaddexp(log_like + math.log1p(-STRAY), floor)
    return float(log_sum(log_post))


def log_sum(log_values: Array) -> float:
    """Return the logarithm of the sum of what ``log_values`` are the logarithms of."""

    import numpy as np

    top = float(log_values.max())
    return top + math.log(float(np.exp(log_values - top).sum(dtype=float)))
