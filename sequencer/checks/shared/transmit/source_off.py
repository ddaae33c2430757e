"""The proof that the audio source is off: it may say so and still drive the microphone input, which then counts as the unit's hum."""

from __future__ import annotations

from collections.abc import Callable

from drivers.roles import RangeState, Reading
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.readings.operator import is_read_by_hand
from sequencer.checks.shared.transmit.drive_response import FLOOR_V, falls
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.decision import Limits
from sequencer.units.format import short_quantity

TONE_HZ = 1000.0
DRIVES_V = (10e-3, 100e-3)  # a microphone's nominal drive, and 20 dB above it: common practice, no source
RISES_TO = 1.25  # times what it was
PROVED_BELOW_DB = 20.0
"""Less than this below normal test modulation is proved, whatever the limit. Workshop's own."""


def needs_proof(below_db: float, limits: Limits, conditions: Conditions) -> bool:
    """Say whether a residual decides against the unit, so that the source must be seen to be off. A person sees the needle move."""
    if is_read_by_hand(conditions, "audio_analyser") or is_read_by_hand(conditions, "modulation_analyser"):
        return False
    return below_db < max(PROVED_BELOW_DB, PROVED_BELOW_DB if limits.lower is None else limits.lower)


def why_not_off(side: TransmitSide, read: Callable[[], Reading], residual: float, unit: str) -> str:
    """Return why nothing shows that ``residual`` was read with the source off; empty where that shows. The source is off afterwards.

    Switched on at a drive that no microphone gives it must change nothing, and at one that modulates the unit what is read must rise.
    """
    try:
        side.apply_audio(tone_hz=TONE_HZ, level_v=FLOOR_V)
        lowest = read()
        if falls(lowest, residual):
            return (
                f"it reads {short_quantity(residual, unit)} rms with the audio source off and {_shown(lowest, unit)} with it on at "
                f"{FLOOR_V * 1e3:g} mV: the source was not off, whatever it says. Look at the audio source"
            )
        driven = lowest
        for level_v in DRIVES_V:
            side.apply_audio(tone_hz=TONE_HZ, level_v=level_v)
            driven = read()
            if driven.state is RangeState.OVER_RANGE or (driven.number or 0.0) >= RISES_TO * residual:
                return ""
    finally:
        side.remove_audio()
        read()  # what is read last is held against the released unit: not the drive
    return (
        f"it reads {short_quantity(residual, unit)} rms with the audio source off and {_shown(driven, unit)} with "
        f"{DRIVES_V[-1] * 1e3:g} mV of drive: nothing shows that the source was off. "
        "Take its lead off the microphone input and measure again; then look at the source"
    )


def _shown(reading: Reading, unit: str) -> str:
    return reading.state.value if reading.number is None else f"{short_quantity(reading.number, unit)} rms"
