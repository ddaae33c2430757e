"""Priors of one slope for SINAD and for a needle: what the searches believed before they weighed families of curves; for comparison."""

from __future__ import annotations

from sequencer.search.curve_prior import CurvePrior
from sequencer.search.fm_sinad import FmCurve
from sequencer.search.protocol import require_finite

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
