"""Hold the curves of a wanted signal that another one spoils, and those of a product of two signals, over the other's level.

What the other signal brings into the channel adds to the receiver's own noise, by 1 dB for each dB where it comes through a filter or
by an oscillator's noise, by more where it desensitises. So the curve is that of the receiver by itself, gone down from the ratio that
the wanted signal alone gives, its ceiling.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from sequencer.frozen import dataclass
from sequencer.search.curve_family import (
    BANDWIDTHS_HZ,
    FM_GAINS,
    LEAST_RELATIVE,
    OTHERWISE,
    REACH_DB,
    STEP_DB,
    STRAYS,
    STRAYS_MOST_DB,
    SURE_OF_RATIO,
    Family,
)
from sequencer.search.fm_sinad import FmCurve

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

ORDERS = ((1.0, 0.62), (1.5, 0.14), (2.0, 0.12), (3.0, 0.12))
"""By how many dB what spoils rises for each dB of the other signal, with weights: common practice, no source."""
ABOVE_ALONE_DB = ((60.0, 0.7), (4.0, 0.3))
"""How far above the wanted signal's ratio distortion or hum would end it, dB, with weights."""
ROOM_DOUBT_DB = 0.6
"""How far the wanted signal's distance from the sensitivity may be off, dB, beside what the search for that said: as the ratio is read."""
SLOPE_DOUBT, LEAST_WEIGHT = 0.15, 0.01
LEAST_LEFT_DB = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """How far the wanted signal stands above the level at which it would just meet the target, as that was found without the other.

    ``above_db`` has a standard deviation of ``sd_db``; ``slope`` is by how many dB the ratio rose there for each dB, and ``slope_sd`` its
    standard deviation.
    """

    above_db: float
    sd_db: float
    slope: float
    slope_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Receiver:
    """A receiver by itself: ratio of powers, its noise's relative scatter and clicks over the wanted signal's level, dB; and a weight."""

    level_db: Array
    ratio: Array
    relative: Array
    clicks: tuple[Array, Array, Array] | None
    weight: float


@lru_cache(maxsize=8)
def fm_spoilt_family(
    *,
    deviation_hz: float,
    deemphasis: bool,
    tone_hz: float,
    target_db: float,
    alone_db: float,
    room: Room | None,
) -> Family:
    """Return SINAD of FM receivers against the level of an interferer, falling: ``alone_db`` where there is none."""
    import numpy as np

    density_db = np.arange(20.0, 90.0, 0.5)
    receivers = []
    for (width_hz, weight), emphasis in itertools.product(BANDWIDTHS_HZ, (True, False)):
        curve = FmCurve(
            deviation_hz=deviation_hz,
            deemphasis=emphasis,
            bandwidth_hz=width_hz,
            tone_hz=tone_hz,
            audio_band_hz=(300.0, 3000.0),
        )
        ratio, relative = curve.ratios(density_db)
        told = 1 - OTHERWISE if emphasis == deemphasis else OTHERWISE
        receivers.append(
            _Receiver(
                level_db=density_db,
                ratio=ratio,
                relative=relative,
                clicks=curve.clicks(density_db),
                weight=weight * told,
            )
        )
    return replace(_spoilt(receivers, target_db, alone_db, room), sure_odds=SURE_OF_RATIO, gains=FM_GAINS)


@lru_cache(maxsize=8)
def ratio_spoilt_family(
    *, slope: float, slope_sd: float, relative: float, target_db: float, alone_db: float, room: Room | None
) -> Family:
    """Return the same of receivers whose ratio rises by about ``slope`` dB for each dB of the wanted signal."""
    import numpy as np

    level_db = np.arange(-60.0, 80.0, 0.25)
    receivers = []
    for deviate, weight in ((-1.2, 0.25), (0.0, 0.5), (1.2, 0.25)):
        ratio = 10 ** (max(0.3, slope + deviate * slope_sd) * level_db / 10 + target_db / 10)
        receivers.append(
            _Receiver(
                level_db=level_db,
                ratio=ratio,
                relative=np.full_like(ratio, relative),
                clicks=None,
                weight=weight,
            )
        )
    return replace(_spoilt(receivers, target_db, alone_db, room), sure_odds=SURE_OF_RATIO)


def _spoilt(receivers: list[_Receiver], target_db: float, alone_db: float, room: Room | None) -> Family:
    """Return the family: each receiver under each ceiling, spoilt by each order."""
    import numpy as np

    rows: list[tuple[list[Array], float]] = []
    for receiver, (more_db, ceiling_weight), (order, order_weight) in itertools.product(
        receivers, ABOVE_ALONE_DB, ORDERS
    ):
        made = _row(receiver, order, target_db, alone_db, alone_db + more_db)
        if made is None:
            continue
        above_db, slope, tables = made
        weight = receiver.weight * ceiling_weight * order_weight
        if room is not None:
            sd_db, slope_sd = math.hypot(room.sd_db, ROOM_DOUBT_DB), math.hypot(room.slope_sd, SLOPE_DOUBT)
            off = math.hypot((above_db - room.above_db) / sd_db, (slope - room.slope) / slope_sd)
            weight *= math.exp(-0.5 * off**2) + LEAST_WEIGHT
        rows.append((tables, weight))
    turned: list[Array] = [
        np.array(table, np.float32) for table in zip(*(tables for tables, _ in rows), strict=True)
    ]
    excess, scatter, share, *clicks = turned
    axis = _axis()
    slopes: Array = np.gradient(excess, STEP_DB, axis=1)
    doubt = np.minimum(STRAYS * np.abs(axis), STRAYS_MOST_DB) * np.maximum(slopes, 0.2)
    weights = np.array([weight for _, weight in rows])
    weights /= weights.sum()
    return Family(
        x_db=axis,
        excess=excess,
        slope=slopes.astype(np.float32),
        scatter=scatter,
        share=np.maximum(share, 0.05),
        doubt=doubt.astype(np.float32),
        log_weight=np.log(weights),
        ratio=True,
        falls=True,
        scale=float(weights @ slopes[:, len(axis) // 2]),
        clicks=(clicks[0], clicks[1], clicks[2]) if clicks else None,
    )


def _axis() -> Array:
    import numpy as np

    return np.arange(-REACH_DB, REACH_DB + STEP_DB / 2, STEP_DB)


def _row(
    receiver: _Receiver, order: float, target_db: float, alone_db: float, ceiling_db: float
) -> tuple[float, float, list[Array]] | None:
    """Return how far the wanted signal stands above its sensitivity, dB, the slope there, and over x what `Family` holds.

    None where it has no room.
    """
    import numpy as np

    level_db, ceiling = receiver.level_db, 10 ** (-ceiling_db / 10)
    reading = 10 * np.log10(1 + 1 / (1 / receiver.ratio + ceiling))
    wanted_db, least_db = (float(np.interp(at_db, reading, level_db)) for at_db in (alone_db, target_db))
    above_db = wanted_db - least_db
    if above_db < LEAST_LEFT_DB:
        return None
    beside = np.interp((least_db - 0.5, least_db + 0.5), level_db, reading)
    more = (10 ** (above_db / 10) - 1) * 10 ** (order * _axis() / 10)
    at = wanted_db - 10 * np.log10(1 + more)
    own = np.exp(np.interp(at, level_db, np.log(receiver.ratio)))
    signal = 1 / (1 / own + ceiling)
    of_noise = (1 / own) / (1 / own + ceiling)
    tables = [
        target_db - 10 * np.log10(1 + signal),
        np.interp(at, level_db, receiver.relative) * of_noise,
        signal / (1 + signal),
    ]
    if receiver.clicks is not None:
        clicks, rate, relative = receiver.clicks
        quiet = (1 - np.interp(at, level_db, clicks)) / own
        tables += [
            np.log((1 / own + ceiling) / (quiet + ceiling)),
            np.maximum(np.interp(at, level_db, relative) * quiet / (quiet + ceiling), LEAST_RELATIVE),
            np.exp(np.interp(at, level_db, np.log(np.maximum(rate, 1e-9)))),
        ]
    return above_db, float(beside[1] - beside[0]), tables


def product_family(family: Family, order: float) -> Family:
    """Return a family of a signal for that of a product of signals, which rises by ``order`` dB for each dB of their level."""
    import numpy as np

    at = np.clip(order * family.x_db, -REACH_DB, REACH_DB)

    def over(table: Array) -> Array:
        return np.array([np.interp(at, family.x_db, row) for row in table]).astype(np.float32)

    clicks = family.clicks
    return replace(
        family,
        excess=over(family.excess),
        slope=(over(family.slope) * order).astype(np.float32),
        scatter=over(family.scatter),
        share=over(family.share),
        doubt=over(family.doubt),
        scale=family.scale * order,
        clicks=None if clicks is None else (over(clicks[0]), over(clicks[1]), over(clicks[2])),
    )
