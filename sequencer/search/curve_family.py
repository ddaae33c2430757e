"""Hold the curves that a smooth reading may follow past its target, each with its scatter and its weight before the first reading.

A family is tabulated over x, the level minus the crossing, dB: several receivers or meters between which the readings decide.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

from sequencer.frozen import dataclass
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.fm_sinad import FmCurve

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

    Array = NDArray[float64]

DB_PER_NEPER = 4.342944819  # 10/ln 10
STEP_DB = 0.1
REACH_DB = 40.0
Gains = tuple[tuple[float, float], ...]
GAINS: Gains = ((0.75, 0.25), (1.1, 0.5), (1.7, 0.25))
"""How many times the scatter may be what a family says, with weights."""
FM_GAINS: Gains = ((0.85, 0.2), (1.1, 0.6), (1.45, 0.2))
"""The same of FM receivers, whose noise and clicks the closed form foretells [measured against waveforms: 0.8 to 1.4]."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Family:
    """Curves over ``x_db`` (X), K of them: each an array (K, X).

    ``excess`` is the reading minus target where no noise is, in the reading's unit; ``slope`` its change per dB; ``scatter`` the standard
    deviation of a 0.1 s reading, in its unit, or of the noise power as a share of it where ``ratio`` says that the reading is a
    power ratio in dB; ``share`` is then how much of a relative change of the noise power such a reading shows (1 well above the noise).
    ``doubt`` is how far a real curve may stray from the tabulated one, in the reading's unit. ``log_weight`` (K) is the natural logarithm
    of each curve's weight before any reading. ``falls`` says that a ratio goes past its target falling. ``scale`` is a typical
    slope at the crossing, in the reading's unit per dB; ``gains`` how many times the scatter may be what is foretold, with weights.
    ``sure_odds`` is the natural logarithm of how much likelier than without one the readings must be with a response: one that follows
    nothing is taken for a response at most once in so many times (Ville's inequality), whatever its scatter.
    """

    x_db: Array
    excess: Array
    slope: Array
    scatter: Array
    share: Array
    doubt: Array
    log_weight: Array
    ratio: bool
    scale: float
    falls: bool = False
    gains: Gains = GAINS
    sure_odds: float = math.log(300.0)
    clicks: tuple[Array, Array, Array] | None = None
    """Of an FM receiver, each (K, X): by how much the noise power is lower in a reading without a click (natural logarithm), its scatter
    then, as ``scatter`` is, and how many clicks come a second."""
    stated_weight: Array | None = None
    """How many times its weight each curve (K) has where a hypothesis is believed as much as may be: the interval stated holds with
    either."""

    def __len__(self) -> int:
        return len(self.log_weight)

    def summary(self) -> CurvePrior:
        """Return slope and scatter at the crossing, averaged over the curves."""

        import numpy as np

        middle, weight = self.excess.shape[1] // 2, np.exp(self.log_weight)
        slopes = self.slope[:, middle]
        slope = max(float(weight @ slopes), 1e-9)
        sd = math.sqrt(float(weight @ (slopes - slope) ** 2))
        scatter = float(weight @ self.scatter[:, middle])
        return CurvePrior(
            slope=slope,
            slope_sd=max(sd, 0.05 * slope),
            sd_db=max(scatter * (DB_PER_NEPER if self.ratio else 1.0) / slope, 1e-6),
            ratio_db=self.ratio,
        )


def _axis() -> Array:
    import numpy as np

    return np.arange(-REACH_DB, REACH_DB + STEP_DB / 2, STEP_DB)


def _made(
    excess: Array, scatter: Array, share: Array, doubt: Array, weights: list[float], *, ratio: bool
) -> Family:
    import numpy as np

    slope = np.gradient(excess, STEP_DB, axis=1)
    middle = excess.shape[1] // 2
    weight = np.array(weights) / sum(weights)
    return Family(
        x_db=_axis(),
        excess=excess.astype(np.float32),
        slope=slope.astype(np.float32),
        scatter=scatter.astype(np.float32),
        share=share.astype(np.float32),
        doubt=doubt.astype(np.float32),
        log_weight=np.log(weight),
        ratio=ratio,
        scale=float(weight @ np.abs(slope[:, middle])),
    )


# --- signal over noise --------------------------------------------------------------------------------------------------

CEILINGS_DB = (
    (45.0, 0.494),
    (30.0, 0.2),
    (24.0, 0.1),
    (19.0, 0.08),
    (16.5, 0.05),
    (14.8, 0.04),
    (13.6, 0.02),
    (12.9, 0.01),
    (12.35, 0.006),
)
"""Where distortion or hum ends a receiver's SINAD, dB, each with its weight; those not above the target are left out."""
BANDWIDTHS_HZ = (
    (6000.0, 0.1),
    (7500.0, 0.22),
    (9000.0, 0.26),
    (11000.0, 0.22),
    (13500.0, 0.15),
    (16000.0, 0.05),
)
"""IF bandwidths of two-way FM receivers for channels of 6.25 to 25 kHz, Hz, each with its weight."""
OTHERWISE, AT_MOST_OTHERWISE = 0.25, 0.5
"""The weight of a de-emphasis other than told: by the first it is chosen what to read, the interval stated holds with either."""
LEAST_ROOM_DB = 0.3
"""A ceiling this much above the target is reached within the noise: further up readings tell one from the other no more."""
STRAYS = 0.1  # of x: how far a real curve strays from the tabulated one
STRAYS_MOST_DB = 1.0
SURE_OF_SINAD = math.log(600.0)  # at 300 a meter of 12 +- 4 dB was believed too often [measured]
SURE_OF_RATIO = math.log(
    2000.0
)  # such gentle curves are imitated by a dead meter's scatter more easily [measured]
LEAST_RELATIVE = 1e-3  # of the noise power
PLATEAU_STRAYS, PLATEAU_DB = 0.15, 6.0
"""Further above the target a reading tells little: AGC and distortion move it by several dB."""


@lru_cache(maxsize=8)
def fm_family(
    *,
    deviation_hz: float,
    deemphasis: bool,
    bandwidth_hz: float | None,
    tone_hz: float,
    target_db: float,
    audio_band_hz: tuple[float, float] = (300.0, 3000.0),
) -> Family:
    """Return the SINAD curves of FM receivers: of several bandwidths where none is stated, with and without de-emphasis, with ceilings."""

    import numpy as np

    bandwidths = (
        BANDWIDTHS_HZ
        if bandwidth_hz is None
        else tuple((bandwidth_hz * share, weight) for share, weight in ((0.88, 0.2), (1.0, 0.6), (1.14, 0.2)))
    )
    rows: list[tuple[Array, Array, Array, float]] = []
    clicks: list[tuple[Array, Array, Array]] = []
    stated: list[float] = []
    for (width_hz, width_weight), emphasis in itertools.product(bandwidths, (True, False)):
        curve = FmCurve(
            deviation_hz=deviation_hz,
            deemphasis=emphasis,
            bandwidth_hz=width_hz,
            tone_hz=tone_hz,
            audio_band_hz=audio_band_hz,
        )
        share, at_most = OTHERWISE, AT_MOST_OTHERWISE
        if emphasis == deemphasis:
            share, at_most = 1 - share, 1 - at_most
        weight = width_weight * share
        density_db = np.arange(10.0, 100.0, 0.5)
        ratio, relative = curve.ratios(density_db)
        rows += _under_ceilings(density_db, ratio, relative, weight, target_db)
        under = _clicks_under_ceilings(curve, density_db, ratio, target_db)
        clicks += under
        stated += [at_most / share] * len(under)
    rate, lower, scatter = (np.array(one).astype(np.float32) for one in zip(*clicks, strict=True))
    made = _ratio_family(rows, target_db)
    return replace(
        made,
        sure_odds=SURE_OF_SINAD,
        gains=FM_GAINS,
        clicks=(lower, scatter, rate),  # type: ignore[arg-type]
        stated_weight=np.array(stated, np.float32),
    )


@lru_cache(maxsize=8)
def ratio_family(*, target_db: float, slope: float, slope_sd: float, relative: float) -> Family:
    """Return the curves of a receiver whose signal-to-noise ratio rises by about ``slope`` dB per dB, with ceilings."""

    import numpy as np

    rows: list[tuple[Array, Array, Array, float]] = []
    level_db = np.arange(-60.0, 60.0, 0.25)
    for deviate, weight in ((-1.4, 0.2), (-0.6, 0.2), (0.0, 0.25), (0.6, 0.2), (1.6, 0.15)):
        ratio = 10 ** (np.maximum(0.3, slope + deviate * slope_sd) * level_db / 10 + target_db / 10)
        rows += _under_ceilings(level_db, ratio, np.full_like(ratio, relative), weight, target_db)
    return replace(_ratio_family(rows, target_db), sure_odds=SURE_OF_RATIO)


def _under_ceilings(
    level_db: Array, ratio: Array, relative: Array, weight: float, target_db: float
) -> list[tuple[Array, Array, Array, float]]:
    """Return reading, scatter and share over x for each ceiling above the target."""

    import numpy as np

    axis, made = _axis(), []
    for ceiling_db, ceiling_weight in CEILINGS_DB:
        if ceiling_db < target_db + LEAST_ROOM_DB:
            continue
        noise = 1 / ratio + 10 ** (-ceiling_db / 10)
        reading = 10 * np.log10(1 + 1 / noise)
        crossing = float(np.interp(target_db, reading, level_db))
        at = crossing + axis
        kept = np.interp(at, level_db, np.log(1 / noise))
        own = np.interp(at, level_db, np.log(ratio))
        signal = np.exp(kept)
        of_noise = np.exp(-own) / (np.exp(-own) + 10 ** (-ceiling_db / 10))
        made.append(
            (
                10 * np.log10(1 + signal),
                np.interp(at, level_db, relative) * of_noise,
                signal / (1 + signal),
                weight * ceiling_weight,
            )
        )
    return made


def _clicks_under_ceilings(
    curve: FmCurve, level_db: Array, ratio: Array, target_db: float
) -> list[tuple[Array, Array, Array]]:
    """Return, for the ceilings of `_under_ceilings`, over x: the clicks a second, and what the noise is without any."""

    import numpy as np

    axis, made = _axis(), []
    share, rate, relative = curve.clicks(level_db)
    for ceiling_db, _ in CEILINGS_DB:
        if ceiling_db < target_db + LEAST_ROOM_DB:
            continue
        ceiling = 10 ** (-ceiling_db / 10)
        reading = 10 * np.log10(1 + 1 / (1 / ratio + ceiling))
        at = float(np.interp(target_db, reading, level_db)) + axis
        quiet = (1 - share) / ratio
        lower = np.log((1 / ratio + ceiling) / (quiet + ceiling))
        made.append(
            (
                np.exp(np.interp(at, level_db, np.log(np.maximum(rate, 1e-9)))),
                np.interp(at, level_db, lower),
                np.maximum(np.interp(at, level_db, relative * quiet / (quiet + ceiling)), LEAST_RELATIVE),
            )
        )
    return made


def _ratio_family(rows: list[tuple[Array, Array, Array, float]], target_db: float) -> Family:
    import numpy as np

    excess = np.array([row[0] for row in rows]) - target_db
    slope = np.abs(np.gradient(excess, STEP_DB, axis=1))
    doubt = np.hypot(
        np.minimum(STRAYS * np.abs(_axis()), STRAYS_MOST_DB) * np.maximum(slope, 0.2),
        PLATEAU_STRAYS * np.maximum(excess - PLATEAU_DB, 0.0),
    )
    return _made(
        excess,
        np.array([row[1] for row in rows]),
        np.maximum(np.array([row[2] for row in rows]), 0.05),
        doubt,
        [row[3] for row in rows],
        ratio=True,
    )


# --- meters and what else is only known by its slope -----------------------------------------------------------------------


BENDS: tuple[tuple[float | None, float, float], ...] = (
    (None, 1.0, 0.2),
    *(
        (at_db, ratio, weight * share)
        for at_db, weight in (
            (-3.0, 0.13),
            (-1.5, 0.11),
            (-0.8, 0.11),
            (-0.3, 0.11),
            (0.2, 0.11),
            (1.0, 0.12),
            (2.8, 0.11),
        )
        for ratio, share in ((0.62, 0.38), (0.36, 0.34), (0.19, 0.28))
    ),
)
"""Where a meter's law bends, dB from the crossing, how many times its slope is above, and the weight; None for a straight law."""
STEEPNESS = ((-4.0, 0.03), (-1.8, 0.1), (-0.9, 0.22), (0.0, 0.3), (0.9, 0.22), (1.8, 0.1), (3.6, 0.03))
"""How many doubts the logarithm of a meter's slope may be off, with weights; the outermost for one that begins high or at an offset."""
METER_SD_DB = 0.35  # a 0.1 s reading, in dB of level


@lru_cache(maxsize=16)
def meter_family(*, target: float, unit_per_db: float, doubt: float, sd_db: float = METER_SD_DB) -> Family:
    """Return meters' laws: about ``unit_per_db`` below S9, straight or bent near the crossing, flat at nought."""

    import numpy as np

    axis, bent = _axis(), []
    for at_db, ratio, _ in BENDS:
        line = axis
        if at_db is not None:
            # rounded over about 1 dB, as meters bend
            soft = np.logaddexp(0.0, (axis - at_db) / 0.3) * 0.3
            line = axis - (1 - ratio) * (soft - np.logaddexp(0.0, -at_db / 0.3) * 0.3)
        bent.append(line)
    slopes = unit_per_db * np.repeat([math.exp(deviate * doubt) for deviate, _ in STEEPNESS], len(BENDS))
    excess = np.maximum(slopes[:, None] * np.tile(bent, (len(STEEPNESS), 1)), -abs(target))
    weights = [steep_weight * weight for _, steep_weight in STEEPNESS for _, _, weight in BENDS]
    scatter = np.broadcast_to(sd_db * slopes[:, None], excess.shape)
    doubts = slopes[:, None] * np.minimum(0.06 * np.abs(axis), 1.5)
    return _made(excess, scatter, np.ones_like(excess), doubts, weights, ratio=False)
