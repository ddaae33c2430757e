"""The signal meter's voltage line, needle or segments, and the switch that a segment and a squelch share.

Source of the scale: IARU Region 1 Technical Recommendation R.1 (6 dB for each S-unit; S9 at -73 dBm below
30 MHz). Its detector (attack 10 ms, decay 500 ms or more) is far quicker upwards than a real meter line,
which is filtered: the default time constants are common practice, no source.

Not modelled: needle overshoot and friction, a law that bends between the S-units, and the correlation that
the lag gives to the scatter of readings shorter than the lag.
"""

from __future__ import annotations

from math import log, sqrt

import numpy as np

from sim.lag import Lag
from sim.radio.fm_receiver import NOTHING_DBM
from sim.radio.unit import SignalMeter

_WINDOW_POINTS = 10
_NOISE_SPAN_S = 0.1  # the reading length at which noise_v and jitter_db are stated
_DB_OF_ONE_NEPER_OF_POWER = 10.0 / log(10.0)


class LevelSwitch:
    """Something that goes on at one level and off a hysteresis below it, with a jitter drawn at each look."""

    def __init__(self, *, on_dbm: float, hysteresis_db: float) -> None:
        self.on_dbm = on_dbm
        self._hysteresis_db = hysteresis_db
        self.is_on = False

    def meet(self, level_dbm: float, jitter_db: float = 0.0) -> bool:
        """Let the switch see ``level_dbm`` and return whether it is on afterwards."""
        threshold_dbm = self.on_dbm - (self._hysteresis_db if self.is_on else 0.0)
        self.is_on = level_dbm > threshold_dbm + jitter_db
        return self.is_on


def needle_v(meter: SignalMeter, level_dbm: float) -> float:
    """Return the voltage at which the needle rests for ``level_dbm``, V."""
    above_s9_db = level_dbm - meter.s9_dbm
    if above_s9_db > 0:
        volts = meter.s9_line_v + meter.over_s9_v * above_s9_db / 10.0
    else:
        volts = meter.s9_line_v + meter.s_unit_v * above_s9_db / meter.s_unit_width_db
    return min(max(volts, meter.minimum_v), meter.maximum_v)


class NeedleLine:
    """The voltage line of a needle meter; the lag acts on the voltage."""

    def __init__(self, meter: SignalMeter, now_s: float) -> None:
        self._meter = meter
        self._lag = Lag(start=0.0, attack_s=meter.attack_s, decay_s=meter.decay_s, now_s=now_s)

    def fit(self, meter: SignalMeter) -> None:
        """Go by other marks from now on: somebody has turned its preset."""
        self._meter = meter

    def set_level(self, level_dbm: float | None, now_s: float) -> None:
        """Show ``level_dbm`` from ``now_s`` on; None is a meter without supply."""
        self._lag.set_target(0.0 if level_dbm is None else needle_v(self._meter, level_dbm), now_s)

    def read_v(
        self, now_s: float, reading_s: float, fluctuation_db: float, rng: np.random.Generator
    ) -> float:
        """Return one reading, V: the mean over ``reading_s`` and its scatter, within the line's own range."""
        meter = self._meter
        mean_v = self._lag.mean(now_s, reading_s)
        if self._lag.target == 0.0:
            return mean_v
        below_s9 = (mean_v < meter.s9_line_v) == (meter.s_unit_v > 0)
        slope_v_per_db = meter.s_unit_v / meter.s_unit_width_db if below_s9 else meter.over_s9_v / 10.0
        clipped = self._lag.target in (meter.minimum_v, meter.maximum_v)
        ripple_v = 0.0 if clipped else fluctuation_db * slope_v_per_db
        scatter_v = sqrt(meter.noise_v**2 * _NOISE_SPAN_S / reading_s + ripple_v**2)
        floor_v = min(meter.minimum_v, mean_v)
        return float(np.clip(mean_v + scatter_v * rng.standard_normal(), floor_v, meter.maximum_v))


class SegmentLine:
    """The voltage line of a bar: one step of voltage for each lit segment; the lag acts on the level."""

    def __init__(self, meter: SignalMeter, now_s: float) -> None:
        self._meter = meter
        self._lag = Lag(start=NOTHING_DBM, attack_s=meter.attack_s, decay_s=meter.decay_s, now_s=now_s)
        self._switches = [
            LevelSwitch(on_dbm=meter.thresholds_dbm[number], hysteresis_db=meter.hysteresis_db)
            for number in sorted(meter.thresholds_dbm)
        ]

    def fit(self, meter: SignalMeter) -> None:
        """Go by other thresholds from now on: somebody has turned its preset."""
        self._meter = meter
        for number, switch in enumerate(self._switches, start=1):
            switch.on_dbm = meter.thresholds_dbm[number]

    def set_level(self, level_dbm: float | None, now_s: float) -> None:
        """Show ``level_dbm`` from ``now_s`` on; None is a meter without supply."""
        self._meet(self._lag.at(now_s), [0.0] * len(self._switches))
        self._lag.set_target(NOTHING_DBM if level_dbm is None else level_dbm, now_s)

    def _meet(self, level_dbm: float, jitters_db: list[float]) -> int:
        pairs = zip(self._switches, jitters_db, strict=True)
        return sum(switch.meet(level_dbm, jitter_db) for switch, jitter_db in pairs)

    def lit(self) -> int:
        """Return how many segments were lit at the last look."""
        return sum(switch.is_on for switch in self._switches)

    def read_v(
        self, now_s: float, reading_s: float, fluctuation_db: float, rng: np.random.Generator
    ) -> float:
        """Return one reading, V: the mean over ``reading_s``, so that a step within it reads in between."""
        meter = self._meter
        spread_db = sqrt(meter.jitter_db**2 + fluctuation_db**2)
        jitters_db = [spread_db * float(draw) for draw in rng.standard_normal(len(self._switches))]
        times_s = [now_s + reading_s * (point + 0.5) / _WINDOW_POINTS for point in range(_WINDOW_POINTS)]
        lit = [self._meet(self._lag.at(time_s), jitters_db) for time_s in times_s]
        return meter.minimum_v + meter.segment_v * sum(lit) / len(lit)


def level_fluctuation_db(carrier_w: float, noise_w: float, bandwidth_hz: float, reading_s: float) -> float:
    """Return the rms scatter, dB, of the power of carrier and noise averaged over ``reading_s``.

    The squared envelope of carrier and Gaussian noise has the variance N² + 2·C·N (Rice 1944); the average of
    B·T independent samples of it scatters by the square root of that share.
    """
    variance = (noise_w**2 + 2.0 * carrier_w * noise_w) / max(1.0, bandwidth_hz * reading_s)
    return _DB_OF_ONE_NEPER_OF_POWER * sqrt(variance) / (carrier_w + noise_w)
