"""Hold what is believed of a smooth reading before the first one: slope, bend and scatter where it crosses the target."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from sequencer.search.protocol import require_finite


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePrior:
    """Slope, bend and scatter at the crossing, each with its doubt.

    ``slope`` (greater than 0) is the size of the reading's change per dB of level, in the reading's unit;
    ``slope_sd`` its standard uncertainty. ``bend`` is the second derivative per dB squared, counted along
    the direction in which the reading goes past its target, with ``bend_sd``. ``sd_db`` is the standard
    deviation of one 0.1 s reading in dB of level, worth ``sd_weight`` readings already taken. ``ratio_db``
    says that the reading is a power ratio in dB whose lower part is noise (SINAD, (S+N)/N): such readings
    are averaged as powers, because their mean in dB is too high. ``floor_db`` is the part of the scatter
    that longer reading does not reduce. ``sd_by_slope`` lists (slope, sd_db) pairs, slopes ascending, where
    a steep curve is known to scatter more; it replaces ``sd_db``.
    """

    slope: float
    slope_sd: float
    bend: float = 0.0
    bend_sd: float = 0.0
    sd_db: float = 0.4
    sd_weight: float = 6.0
    ratio_db: bool = False
    floor_db: float = 0.0
    sd_by_slope: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        require_finite("slope", self.slope, above=0.0)
        require_finite("slope_sd", self.slope_sd, above=0.0)
        require_finite("bend", self.bend)
        require_finite("bend_sd", self.bend_sd, least=0.0)
        require_finite("sd_db", self.sd_db, above=0.0)
        require_finite("sd_weight", self.sd_weight, above=0.0)
        require_finite("floor_db", self.floor_db, least=0.0)

    def sd_at(self, slope: float) -> float:
        """Return the standard deviation expected of a 0.1 s reading.

        DB of level, where the slope is ``slope``.
        """
        pairs = self.sd_by_slope
        if not pairs:
            return self.sd_db
        if slope <= pairs[0][0]:
            return pairs[0][1]
        for (low, low_sd), (high, high_sd) in itertools.pairwise(pairs):
            if slope <= high:
                return low_sd + (high_sd - low_sd) * (slope - low) / (high - low)
        return pairs[-1][1]


# 12 dB SINAD of 24 simulated FM receivers: slope 0.94 to 3.14 dB/dB (median 1.56), bend -0.54 to +0.16, and
# 0.27 to 0.69 dB of level in a 0.1 s reading; an AM or SSB receiver (slope 1) lies inside.
SINAD_PRIOR = CurvePrior(
    slope=1.6,
    slope_sd=0.6,
    bend=-0.2,
    bend_sd=0.3,
    sd_db=0.48,
    sd_weight=6.0,
    ratio_db=True,
    sd_by_slope=((0.95, 0.31), (1.4, 0.51), (2.2, 0.63)),
)


def fm_sinad_prior(
    *,
    deviation_hz: float,
    deemphasis: bool,
    bandwidth_hz: float = 9000.0,
    tone_hz: float = 1000.0,
    audio_band_hz: tuple[float, float] = (300.0, 3000.0),
    target_db: float = 12.0,
) -> CurvePrior:
    """Predict an FM receiver's SINAD curve near ``target_db`` from the deviation set and the audio filter.

    ``deviation_hz`` is the peak deviation of the tone; ``bandwidth_hz`` the receiver's IF bandwidth, a
    guess is enough (9 kHz was right to 0.3 dB of level for receivers of 6 to 12 kHz). The noise is the
    discriminator's parabolic noise plus clicks (Rice 1963, from memory), checked against a waveform
    simulation: slope within about 0.3 dB/dB, scatter within 20 %.
    """
    from sequencer.search.fm_sinad import FmCurve

    curve = FmCurve(
        deviation_hz=require_finite("deviation_hz", deviation_hz, above=0.0),
        deemphasis=deemphasis,
        bandwidth_hz=require_finite("bandwidth_hz", bandwidth_hz, above=0.0),
        tone_hz=require_finite("tone_hz", tone_hz, above=0.0),
        audio_band_hz=audio_band_hz,
    )
    level_db = curve.level_at(require_finite("target_db", target_db))
    below, here, beyond = (curve.sinad_db(level_db + step) for step in (-0.5, 0.0, 0.5))
    slope = max(0.5, beyond - below)
    bend = max(-0.6, min(0.3, 4 * (beyond - 2 * here + below)))
    return CurvePrior(
        slope=slope,
        slope_sd=0.3 * slope,
        bend=bend,
        bend_sd=0.2,
        sd_db=curve.sd_db(level_db, 0.1) / slope,
        sd_weight=12.0,
        ratio_db=True,
    )


def needle_prior(*, unit_per_db: float, doubt: float = 0.3, sd_db: float = 0.35) -> CurvePrior:
    """Describe a needle or meter voltage of known sensitivity at the target, in its unit per dB.

    Common practice, no source.
    """
    slope = require_finite("unit_per_db", unit_per_db, above=0.0)
    return CurvePrior(slope=slope, slope_sd=doubt * slope, bend_sd=0.08 * slope, sd_db=sd_db, sd_weight=5.0)


def prior_from_slope(slope: float) -> CurvePrior:
    """Make do with a slope learnt from two coarse readings, when nothing was known before."""
    size = max(abs(slope), 1e-12)
    return CurvePrior(
        slope=size, slope_sd=0.6 * size, bend_sd=0.15 * size, sd_db=0.42, sd_weight=4.0, ratio_db=False
    )
