"""What a transmitter radiates in a reference bandwidth beside its lines: noise, and whatever else falls with the filter.

A narrower filter bounds a line only. So the reference filter is swept slowly with the unit keyed and released, at the same settings: the
difference is the unit's, the instrument's own noise is in both. What no line accounts for counts with its power in that bandwidth.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from drivers.roles import Spectrum, SpectrumSettings
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.spectrum import traces as looks
from sequencer.frozen import dataclass
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_POWER

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LOOKED_FILTERS = 2.0  # a filter to either side: what the next narrower filter is swept over
AVERAGED = 200.0  # independent values in each point: noise then scatters by 7 % (derived)
STAYS_DB = 3.0  # with 10 dB more of attenuation; what moves by more may be the mixer's. Workshop's own
LINE_SHARE = 0.26  # of a line, 1 dB: what two filters may differ by
SURE = 4.0  # standard deviations
NOISE_OFFSET_HZ = 10e3  # where an analyser's noise beside a carrier is stated
READINGS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Broad:
    """The power in a reference bandwidth that no line accounts for, W at the antenna connector.

    ``in_filter_w`` is all of it in the filter, line included, one for each sweep; ``scatter_w`` the standard uncertainty of one by noise;
    ``is_clear``: it stands above the instrument's own noise, stays with more attenuation, and is more than its oscillator's.
    """

    rest_w: float
    in_filter_w: tuple[float, ...]
    scatter_w: float
    is_clear: bool

    @property
    def at_most_w(self) -> float:
        """What it is at most."""
        return self.rest_w + 2.0 * self.scatter_w

    @property
    def noise_db(self) -> float:
        """The standard uncertainty by noise, dB of what is in the filter."""
        return DB_PER_RELATIVE_POWER * self.scatter_w / max(self.in_filter_w)


def find_broad(
    side: TransmitSide,
    how: SpectrumSettings,
    conditions: Conditions,
    *,
    line_w: float,
    carrier_w: float,
    within_hz: tuple[float, float],
) -> Broad:
    """Return what stands in the reference filter about the middle of ``how`` beside a line of ``line_w``."""
    how = slow_sweep(how)
    keyed = looks.believed(side.read_spectrum(how, beside=True))
    released_w = _powers_w(side, conditions, looks.believed(side.read_spectrum_released(how)))
    scatter_w = math.sqrt(2.0) * float(released_w.std(ddof=1))
    of_it_w = _of_unit(side, conditions, released_w, within_hz)
    found_w = of_it_w(keyed)
    rest_w = max(0.0, found_w - line_w)
    own_w = _oscillator_w(how, side.frequency_hz, carrier_w, conditions)
    least_w = max(line_w, float(released_w.mean()), 2.0 * own_w, SURE * scatter_w)
    if rest_w <= least_w or not _stays(side, conditions, how, found_w, within_hz):
        return Broad(rest_w=rest_w, in_filter_w=(found_w,), scatter_w=scatter_w, is_clear=False)
    more = [of_it_w(looks.believed(side.read_spectrum(how, beside=True))) for _ in range(READINGS - 1)]
    return Broad(
        rest_w=rest_w, in_filter_w=(found_w, *more), scatter_w=scatter_w, is_clear=min(more) > least_w
    )


def slow_sweep(how: SpectrumSettings) -> SpectrumSettings:
    """Return the same filter over a filter to either side, so slowly that its noise is averaged."""
    filter_hz = how.resolution_bandwidth_hz
    points = looks.points_for(LOOKED_FILTERS * filter_hz, filter_hz)
    return replace(
        how,
        span_hz=LOOKED_FILTERS * filter_hz,
        points=points,
        detector="rms",
        sweep_time_s=AVERAGED * points / filter_hz,
    )


def _powers_w(side: TransmitSide, conditions: Conditions, seen: Spectrum) -> NDArray[np.float64]:
    loss_db = looks.loss_db(side, conditions, seen.settings.centre_hz)
    return 1e-3 * 10.0 ** ((seen.levels_dbm + loss_db) / 10.0)


def _of_unit(
    side: TransmitSide,
    conditions: Conditions,
    released_w: NDArray[np.float64],
    within_hz: tuple[float, float],
) -> Callable[[Spectrum], float]:
    """Return what tells the highest power of a trace within a range, less what stands there released; 0 where that is no more."""
    import numpy as np

    def found_w(seen: Spectrum) -> float:
        at_hz = seen.settings.start_hz + seen.settings.step_hz * np.arange(len(seen.levels_dbm))
        inside = (at_hz >= within_hz[0]) & (at_hz <= within_hz[1])
        return max(0.0, float(np.where(inside, _powers_w(side, conditions, seen) - released_w, 0.0).max()))

    return found_w


def _stays(
    side: TransmitSide,
    conditions: Conditions,
    how: SpectrumSettings,
    found_w: float,
    within_hz: tuple[float, float],
) -> bool:
    """Say whether a power stays with 10 dB more of attenuation: what does not was made in the mixer."""
    padded = replace(how, attenuation_db=how.attenuation_db + looks.PROOF_DB)
    if padded.attenuation_db > looks.MOST_ATTENUATION_DB:
        return False
    keyed = looks.believed(side.read_spectrum(padded, beside=True))
    released_w = _powers_w(side, conditions, looks.believed(side.read_spectrum_released(padded)))
    again_w = _of_unit(side, conditions, released_w, within_hz)(keyed)
    return again_w > 0.0 and abs(10.0 * math.log10(again_w / found_w)) <= STAYS_DB


def _oscillator_w(
    how: SpectrumSettings, carrier_hz: float, carrier_w: float, conditions: Conditions
) -> float:
    """Return what the analyser's own oscillator makes of the carrier in the filter, W; without end where nobody states it.

    From its noise 10 kHz away, falling with the square of the offset (textbook).
    """
    entry = looks.entry_of(conditions)
    if entry.phase_noise_db is None:
        return math.inf
    away_hz = max(abs(how.centre_hz - carrier_hz) - how.resolution_bandwidth_hz, NOISE_OFFSET_HZ)
    density = 10.0 ** (entry.phase_noise_db / 10.0) * (NOISE_OFFSET_HZ / away_hz) ** 2
    through_db = looks.notch_db(conditions, carrier_hz) - looks.notch_db(conditions, how.centre_hz)
    carrier_w *= 10.0 ** (
        -through_db / 10.0
    )  # as it stands beside what is looked at, behind a filter that takes it out
    return float(carrier_w * density * how.resolution_bandwidth_hz * entry.noise_bandwidth)
