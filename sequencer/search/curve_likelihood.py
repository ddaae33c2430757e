"""Say how likely a reading is, for every curve of a family at every level of the crossing, and if it follows nothing at all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.search.curve_family import DB_PER_NEPER, STEP_DB, Family
from sequencer.search.settling import Parts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

STRAY = 0.03
"""The share of readings that may be anything."""
STRAY_WIDTH_DB = 60.0
PARTLY, LOWER_DOUBT = 0.85, 0.15
"""How much of what clicks are foretold to bring is missing in a reading without any: swings that come near to one bring the rest [measured
against waveforms: 0.8 to 1], and the doubt of it."""
LEAST_SD_DB = 0.03  # of a ratio's reading: the analyser's own


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading as the belief sees it.

    ``excess`` is the reading minus target, turned so that it rises with level; infinite when beyond the instrument's range. What it
    would have come to at rest is doubtful by ``lag_sd`` in its own unit and ``lag_sd_db`` in dB of level; ``gain`` is how much
    noise grew by working that out. ``parts``, where there are any, are levels with shares that the reading is made of: it had not come to
    rest, and stood for what the law gives at each of them.
    """

    level_db: float
    excess: float
    reading_s: float
    lag_sd: float = 0.0
    lag_sd_db: float = 0.0
    gain: float = 1.0
    parts: Parts = ()
    counts: bool = True
    """Whether it says something of the crossing: not where the receiver is overloaded."""


class Tables:
    """The curves of a family that count, turned so that all of them are taken at a level at once."""

    def __init__(self, family: Family, kept: Array) -> None:
        import numpy as np

        shown = [family.excess, family.doubt, family.slope, family.scatter]
        if family.ratio:
            shown.append(family.share)
        shown.extend(family.clicks or ())
        self._x_db = family.x_db
        self._tables = [np.ascontiguousarray(table[kept].T) for table in shown]

    def at(self, level_db: float, levels: Array) -> list[Array]:
        """Return excess, doubt, slope, scatter and, of a power ratio, share, of FM what clicks are, of a reading at ``level_db``.

        Each is (levels, curves); the crossing is taken to be at each of ``levels`` in turn, dB.
        """

        import numpy as np

        x = np.clip((level_db - levels - self._x_db[0]) / STEP_DB, 0.0, len(self._x_db) - 1.001)
        index = x.astype(int)
        part = (x - index).astype(np.float32)[:, None]
        before, beside = 1 - part, index + 1
        made = []
        for table in self._tables:
            between: Array = table.take(index, axis=0)
            between *= before
            other = table.take(beside, axis=0)
            other *= part
            between += other
            made.append(between)
        return made


def log_likelihood(
    family: Family, point: Point, held: Sequence[Array], *, step: float, gains: Array
) -> tuple[Array, Array | None]:
    """Return a reading's log likelihood (gains, levels, curves) and the probability that it is a stray; None where it is no number.

    ``held`` is what the tables hold of the reading's level, ``step`` the reading's resolution in its unit, ``gains`` how many times
    the family's the scatter may be.
    """

    import numpy as np

    expected = held[0]
    if not point.counts:
        return np.full((1, *expected.shape), -math.log(STRAY_WIDTH_DB * family.scale), np.float32), None
    if math.isinf(point.excess):
        beyond = np.clip(math.copysign(1 / family.scale, point.excess) * expected, -30.0, 30.0)
        return np.log(0.02 + 0.96 / (1 + np.exp(-beyond)))[None], None
    own = held[3] ** 2 * float(point.gain**2 * 0.1 / point.reading_s)
    more = held[1] ** 2 + float(step**2 / 12 + point.lag_sd**2)
    if point.lag_sd_db:
        more += (held[2] * float(point.lag_sd_db)) ** 2
    residual = float(point.excess) - expected
    wider = (gains**2)[:, None, None]
    if not family.ratio:
        more += (1e-6 * family.scale) ** 2
        return _with_strays(_density(-0.5 * residual**2, own[None] * wider + more), family.scale)
    share = DB_PER_NEPER * held[4]
    more += LEAST_SD_DB**2
    if family.falls:
        residual = -residual
    if family.clicks is None:
        off = _off_noise_power(residual, share)
        return _with_strays(_density(off, (own * share**2)[None] * wider + more), family.scale)
    none, some = (
        weight
        * _density(
            _off_noise_power(residual + share * neper, share), (variance * share**2)[None] * wider + more
        )
        for weight, neper, variance in with_and_without_click(point, own, held[5:])
    )
    none += some
    return _with_strays(none, family.scale)


def with_and_without_click(
    point: Point, variance: Array, clicks: Sequence[Array]
) -> list[tuple[Array, Array, Array]]:
    """Return a reading's two cases: none of the clicks in it, or some.

    Each with its chance, how far the noise power lies above the mean of both (natural logarithm), and its relative variance.
    Where clicks are rare most readings hold none: they agree closely and lie above the curve, and one with a click lies far below it. The
    two have ``variance`` together.
    """

    import numpy as np

    lower, scatter, rate = PARTLY * clicks[0], clicks[1], clicks[2]
    chance = np.minimum(np.exp(-rate * float(point.reading_s)), 0.999)
    without = np.exp(-lower)
    own = (scatter * without) ** 2 * float(point.gain**2 * 0.1 / point.reading_s)
    other = 1 - chance
    with_some = (1 - chance * without) / other
    rest = (variance - chance * own) / other - chance * (with_some - without) ** 2
    rest = np.maximum(rest, own)
    doubt = (LOWER_DOUBT * lower) ** 2
    return [(chance, -lower, own / without**2 + doubt), (other, np.log(with_some), rest / with_some**2)]


def _density(off: Array, variance: Array) -> Array:
    """Return exp(off/variance)/sqrt(2 pi variance).

    ``off`` is minus half the squared residual. ``variance`` is written over: most of a search's arithmetic is here.
    """

    import numpy as np

    likely: Array = off / variance
    np.exp(likely, out=likely)
    np.sqrt(variance, out=variance)
    likely /= variance
    likely *= 1 / math.sqrt(2 * math.pi)
    return likely


def _with_strays(likely: Array, scale: float) -> tuple[Array, Array]:
    """Return the logarithm of a density with a share of strays, and the probability of a stray; ``likely`` is written over."""

    import numpy as np

    likely *= 1 - STRAY
    strays = STRAY / (STRAY_WIDTH_DB * scale)
    likely += strays
    of_strays: Array = strays / likely
    return np.log(likely, out=likely), of_strays


def _off_noise_power(residual: Array, share: Array) -> Array:
    """Return minus half the square of how far off a power ratio's reading is, for a small one.

    What scatters is the noise power, so that of two readings equally far off the one too high is likelier.
    """

    import numpy as np

    neper = np.clip(-residual / share, -30.0, 4.0)
    off: Array = (1 + neper - np.exp(neper)) * share**2
    return off


def log_without(points: Sequence[Point], *, scale: float, step: float) -> float:
    """Return the logarithm of the readings' likelihood if they do not follow the level: some mean, some scatter.

    The scatter is the same whatever the reading time, or shrinks with it as that of noise does.
    ``scale`` is the reading's change per dB that a response would have, ``step`` its resolution.
    """

    import numpy as np

    mean = np.arange(-20.0, 40.0, 0.25) * scale
    scatter = np.array([0.03, 0.1, 0.25, 0.5, 1.0, 1.5, 2.2, 3.2, 4.5]) * scale
    weight = np.exp(-0.5 * (mean / (8.0 * scale)) ** 2) + 0.1
    told = [point for point in points if math.isfinite(point.excess)]
    excess = np.array([point.excess for point in told])
    by_time = np.array([math.sqrt(0.1 / point.reading_s) for point in told])
    shrinking = np.stack([np.ones_like(by_time), by_time])  # (with reading time: no or yes, readings)
    log_post = np.log(weight / weight.sum())[:, None, None] - math.log(2 * len(scatter))
    spread = np.hypot(scatter[:, None] * shrinking.T[:, None, None, :], 0.07 * scale + step / 3.5)
    sound = np.exp(-0.5 * ((excess[:, None, None, None] - mean[:, None, None]) / spread) ** 2) / spread
    either = sound * ((1 - STRAY) / math.sqrt(2 * math.pi)) + STRAY / (STRAY_WIDTH_DB * scale)
    return float(log_sum(log_post + np.log(either).sum(axis=0)))


def log_sum(log_values: Array) -> float:
    """Return the logarithm of the sum of what ``log_values`` are the logarithms of."""

    import numpy as np

    top = float(log_values.max())
    return top + math.log(float(np.exp(log_values - top).sum(dtype=float)))
