"""A carrier that comes or goes, against time: its power and its frequency, from complex baseband samples.

Power is the mean of |x|² over a short look, frequency the turn from sample to sample, weighted by the power of both: the angle of the sum
of x[n+1]·conj(x[n]) over the look (the estimator at lag 1 of a complex autocorrelation, textbook). Both belong to the middle of the look,
so that they are late by nothing; what changes within a look is smeared over it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from sequencer.dsp.samples import SamplesError, baseband_samples
from sequencer.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_FALL_DB = 20.0  # between a carrier and what is recorded without it: less is none that came or went
SHOWN_SHARE = 0.4  # of the sample rate to either side: beyond it a frequency may be another one, folded
UNSTEADY_DB = 0.2  # what the two halves of a steady stretch may differ by; common practice, no source
NOTHING_DB = -300.0
LEAST_COHERENT = 0.5  # of a look's power must turn together: less is noise, or the carrier's very edge
COMING_S = (
    0.002  # power is averaged over this while it is asked whether a carrier was there from the beginning
)
COMING_DB = 0.5  # what a carrier that was may lack then, beside what its modulation moves it by: common practice, no source
COMING_SHARE = 0.1  # of a recording: its end says what the carrier is like


def still_coming_s(samples: NDArray[Any], rate_hz: float) -> float:
    """Return how long from its beginning on a recording lacked the power that it has at its end, s; 0 where it never did.

    What modulation moves the power by is seen at the end, and allowed at the beginning. A carrier that goes lacks nothing here.
    """
    import numpy as np

    count, look = len(samples), max(1, round(COMING_S * rate_hz))
    ends = int(COMING_SHARE * count)
    if ends <= 2 * look:
        return 0.0
    summed = np.concatenate([[0.0], np.cumsum(np.abs(samples) ** 2)])
    levels_db = 10.0 * np.log10((summed[look:] - summed[:-look]) / look + 10.0 ** (NOTHING_DB / 10.0))
    late = levels_db[-ends:]
    least_db = float(late.min()) - COMING_DB - float(late.max() - late.min())
    lacking = np.flatnonzero(levels_db[:-ends] < least_db)
    if not len(lacking) or lacking[0] > ends:
        return 0.0  # what fails in its midst broke off: that is for whoever measures on it
    there = np.flatnonzero(levels_db[lacking[0] :] >= least_db)
    return (int(lacking[0]) + int(there[0]) + look) / rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierInTime:
    """Power (dB of the steady carrier's) and frequency (Hz from the one tuned to) at ``time_s`` from the first sample.

    ``steady`` is the steady carrier's mean |x|², ``floor_db`` what was recorded without a carrier; each point is of ``look_s``.
    A frequency is no number where there is none.
    """

    time_s: NDArray[Any]
    level_db: NDArray[Any]
    frequency_hz: NDArray[Any]
    steady: float
    floor_db: float
    look_s: float

    def stays_from_s(self, low_db: float, high_db: float) -> float | None:
        """Return from when on the power lies between two levels to the recording's end; None where it does not at its end."""
        import numpy as np

        outside = np.flatnonzero((self.level_db < low_db) | (self.level_db > high_db))
        if not len(outside):
            return float(self.time_s[0])
        last = int(outside[-1])
        if last + 1 >= len(self.level_db):
            return None
        return self._between(last, low_db if self.level_db[last] < low_db else high_db)

    def first_above_s(self, at_db: float) -> float | None:
        """Return when the power first passes a level upwards; None where it never does, or stands above it from the beginning."""
        import numpy as np

        above = np.flatnonzero(self.level_db >= at_db)
        return None if not len(above) or above[0] == 0 else self._between(int(above[0]) - 1, at_db)

    def last_above_s(self, at_db: float) -> float | None:
        """Return when the power last passes a level downwards; None where it never does, or stands above it at the end."""
        import numpy as np

        above = np.flatnonzero(self.level_db >= at_db)
        if not len(above) or above[-1] + 1 >= len(self.level_db):
            return None
        return self._between(int(above[-1]), at_db)

    def farthest_hz(self, from_s: float, to_s: float, *, above_db: float) -> float:
        """Return how far the frequency is off at most in a stretch, either way, while the power is above a level.

        SamplesError where the recording does not hold the stretch, the carrier is not there in it, or the frequency leaves what the
        samples can show.
        """
        import numpy as np

        if from_s < self.time_s[0] or to_s > self.time_s[-1]:
            raise SamplesError(
                f"the recording of {self.time_s[-1] * 1e3:.4g} ms does not hold what happens up to {to_s * 1e3:.4g} ms"
            )
        inside = (self.time_s >= from_s) & (self.time_s <= to_s) & (self.level_db >= above_db)
        inside &= np.isfinite(self.frequency_hz)
        if not np.any(inside):
            raise SamplesError("there is no carrier in it")
        return float(np.max(np.abs(self.frequency_hz[inside])))

    def scatter_hz(self, from_s: float, to_s: float) -> float:
        """Return the standard deviation of the frequency in a stretch: residual modulation and noise."""
        import numpy as np

        inside = (self.time_s >= from_s) & (self.time_s <= to_s)
        return float(np.nanstd(self.frequency_hz[inside]))

    def _between(self, at: int, level_db: float) -> float:
        """Return when a level is passed between one point and the next, along a straight line."""
        before, after = float(self.level_db[at]), float(self.level_db[at + 1])
        share = 0.5 if after == before else min(1.0, max(0.0, (level_db - before) / (after - before)))
        return float(self.time_s[at] + share * (self.time_s[at + 1] - self.time_s[at]))


def carrier_in_time(
    samples: NDArray[Any],
    rate_hz: float,
    *,
    look_s: float,
    steady_s: tuple[float, float],
    silent_s: tuple[float, float],
    steady_above_db: float = -60.0,
) -> CarrierInTime:
    """Return power and frequency against time; the carrier stands in ``steady_s`` and is not there in ``silent_s`` (s).

    Frequencies count, and are held to what the samples can show, where the power is above ``steady_above_db`` of the steady one.
    SamplesError where no carrier comes or goes, or it does not stand in ``steady_s``.
    """
    import numpy as np

    wave = baseband_samples(samples, rate_hz, 0.0)
    looks = max(1, round(look_s * rate_hz))
    if len(wave) < looks + 16:
        raise SamplesError(f"{len(wave)} samples are too few for looks of {look_s * 1e3:.3g} ms")
    window = np.ones(looks) / looks
    power = np.convolve((np.abs(wave[1:]) ** 2 + np.abs(wave[:-1]) ** 2) / 2.0, window, "valid")
    turned = np.convolve(wave[1:] * np.conj(wave[:-1]), window, "valid")
    time_s = (np.arange(len(power)) + looks / 2.0) / rate_hz
    steady, unsteady_db = _steady(time_s, power, steady_s)
    silent = _mean(time_s, power, silent_s)
    floor_db = 10.0 * math.log10(silent / steady) if silent > 0.0 else NOTHING_DB
    if floor_db > -LEAST_FALL_DB:
        raise SamplesError(
            f"what is recorded with PTT released is as strong as with it pressed ({floor_db:+.1f} dB): no carrier came or went"
        )
    if unsteady_db > UNSTEADY_DB:
        raise SamplesError(
            f"the power still moves by {unsteady_db:.2f} dB in the {(steady_s[1] - steady_s[0]) * 1e3:.3g} ms that should be steady"
        )
    level_db = 10.0 * np.log10(np.maximum(power / steady, 10.0 ** (NOTHING_DB / 10.0)))
    frequency_hz = np.where(
        np.abs(turned) >= LEAST_COHERENT * power, np.angle(turned) * rate_hz / (2.0 * math.pi), np.nan
    )
    beyond = (np.abs(frequency_hz) > SHOWN_SHARE * rate_hz) & (level_db > steady_above_db)
    if np.any(beyond):
        raise SamplesError(
            f"its frequency leaves the {SHOWN_SHARE * rate_hz / 1e3:.3g} kHz to either side that samples at {rate_hz / 1e3:.3g} kHz show"
        )
    return CarrierInTime(
        time_s=time_s,
        level_db=level_db,
        frequency_hz=frequency_hz,
        steady=steady,
        floor_db=floor_db,
        look_s=looks / rate_hz,
    )


def _steady(time_s: NDArray[Any], power: NDArray[Any], span_s: tuple[float, float]) -> tuple[float, float]:
    """Return the mean power of a stretch, and by how many decibels its halves differ."""
    middle_s = (span_s[0] + span_s[1]) / 2.0
    first, last = _mean(time_s, power, (span_s[0], middle_s)), _mean(time_s, power, (middle_s, span_s[1]))
    if not (first > 0.0 and last > 0.0):
        raise SamplesError("there is no carrier where it should be steady")
    return (first + last) / 2.0, abs(10.0 * math.log10(last / first))


def _mean(time_s: NDArray[Any], power: NDArray[Any], span_s: tuple[float, float]) -> float:
    import numpy as np

    inside = (time_s >= span_s[0]) & (time_s <= span_s[1])
    if not np.any(inside):
        raise SamplesError(
            f"the recording holds nothing from {span_s[0] * 1e3:.3g} to {span_s[1] * 1e3:.3g} ms"
        )
    return float(np.mean(power[inside]))
