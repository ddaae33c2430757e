"""What a response over tones shares, of modulation or of the loudspeaker's voltage: its ideal, and how steep it is where it was read."""

import math
import statistics
from collections.abc import Mapping
from typing import Literal

REFERENCE_HZ = 1000.0
PER_RELATIVE_DB = 20.0 / math.log(10.0)
Emphasis = Literal["6 dB per octave", "flat"]


def ideal_db(tone_hz: float, emphasis: Emphasis) -> float:
    """Return the ideal response of pre-emphasis at ``tone_hz`` against 1 kHz, dB; that of de-emphasis is its negative."""
    return 20.0 * math.log10(tone_hz / REFERENCE_HZ) if emphasis != "flat" else 0.0


def slope_at(tone_hz: float, readings: Mapping[float, list[float]]) -> float:
    """Return how the response follows the tone's frequency there, dB for a relative change of 1: as measured to its nearest neighbour."""
    others = [one for one in readings if one != tone_hz]
    if not others:
        return 0.0
    near_hz = min(others, key=lambda one: abs(math.log(one / tone_hz)))
    rise_db = PER_RELATIVE_DB * math.log(
        statistics.fmean(readings[near_hz]) / statistics.fmean(readings[tone_hz])
    )
    return rise_db / math.log(near_hz / tone_hz)
