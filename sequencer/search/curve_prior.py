"""Hold what is believed of a smooth reading before the first one: slope, bend and scatter where it crosses the target."""

from __future__ import annotations

import itertools

from sequencer.frozen import dataclass
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


def prior_from_slope(slope: float) -> CurvePrior:
    """Make do with a slope learnt from two coarse readings, when nothing was known before."""
    size = max(abs(slope), 1e-12)
    return CurvePrior(
        slope=size, slope_sd=0.6 * size, bend_sd=0.15 * size, sd_db=0.42, sd_weight=4.0, ratio_db=False
    )
