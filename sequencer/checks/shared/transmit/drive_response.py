"""The proof that modulation follows its drive: the audio source may say a level and give another, or its lead may be off."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from drivers.roles import RangeState, Reading
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.readings.operator import is_read_by_hand
from sequencer.safety.transmit import TransmitSide

LOWER_DB = (30.0, 60.0)
"""30 dB are out of the limiter also from a drive 20 dB above the nominal one; 60 dB out of a speech compressor, and an instrument that
still answered for the drive before has come to 30 dB by then. Workshop's own."""
FLOOR_V = 100e-6  # what an audio source can be asked for; below ten times that a tenth is taken
FALLS_TO = 0.8  # times what it was; a unit at its limiter still falls further than that in 30 dB
FALLS_BY_DB = 3.0
CHANGES_BY, LEAST_CHANGE_PERCENT = 0.2, 1.0  # a share of what it was, and what distortion scatters by
RESPONSE_FORECAST_S = 0.1
AGAIN_KEYED_FORECAST_S = 0.1  # where the key is released to change the drive


def falls(lower: Reading, before: float) -> bool:
    """Say whether modulation is less with less drive."""
    if lower.number is None:
        return lower.state is RangeState.UNDER_RANGE
    return lower.number <= FALLS_TO * before


def falls_by_db(lower: Reading, before: float) -> bool:
    """Say whether a level, dBm, is less with less drive."""
    if lower.number is None:
        return lower.state is RangeState.UNDER_RANGE
    return lower.number <= before - FALLS_BY_DB


def distortion_changes(lower: Reading, before: float) -> bool:
    """Say whether distortion and noise, percent, are others with less drive: more of noise, or less of the limiter; or nothing to read."""
    if lower.number is None:
        return lower.state is not RangeState.OVER_RANGE
    return abs(lower.number - before) > max(CHANGES_BY * before, LEAST_CHANGE_PERCENT)


def hold_to_drive(
    side: TransmitSide,
    findings: Sequence[Finding],
    read: Callable[[], Reading],
    *,
    before: float | None,
    tone_hz: float,
    level_v: float,
    conditions: Conditions,
    follows: Callable[[Reading, float], bool] = falls,
    apply: Callable[[float], None] | None = None,
) -> list[Finding]:
    """Return the findings, without their values where what ``read`` gives does not follow the drive.

    ``before`` is what it gave at ``level_v`` V rms and ``tone_hz``, None where it gave nothing; it is read once more with the drive 30 dB
    lower, and where ``follows`` says no, with it 60 dB lower; a last time with the source off, which tells why. ``apply`` sets a drive,
    V rms, where it is not one tone. A person's readings are not held to it: they see the needle move. Common practice, no source.
    """
    by_hand = is_read_by_hand(conditions, "audio_analyser") or is_read_by_hand(
        conditions, "modulation_analyser"
    )
    if by_hand or before is None:
        return list(findings)
    drive = apply or (lambda volts: side.apply_audio(tone_hz=tone_hz, level_v=volts))
    lower, lower_v = Reading(number=before), level_v
    for lower_db in LOWER_DB:
        lower_v = max(level_v * 10.0 ** (-lower_db / 20.0), min(FLOOR_V, level_v / 10.0))
        drive(lower_v)
        lower = read()
        if follows(lower, before):
            return list(findings)
    side.remove_audio()
    silent = read()
    drive(level_v)
    read()  # what is read last is held against the released unit: not the silence
    note = _why_it_stands(lower, before, lower_v, level_v, reaches=follows(silent, before))
    return [
        finding
        if finding.value is None
        else replace(
            finding,
            value=None,
            budget=None,
            note="; ".join(filter(None, (finding.note, note))),
        )
        for finding in findings
    ]


def _why_it_stands(lower: Reading, before: float, lower_v: float, level_v: float, *, reaches: bool) -> str:
    """Return in words that a reading does not follow the drive, and where to look; ``reaches``: it goes with the source off."""
    shown = lower.state.value if lower.number is None else f"{lower.number:.4g}"
    told = (
        f"it reads {shown} with {lower_v * 1e3:.3g} mV of drive and {before:.4g} with {level_v * 1e3:.3g} mV: it does not follow "
        "the drive"
    )
    if reaches:
        return (
            f"{told}, and goes with the audio source off. Either a speech compressor in the unit holds it (switch it off), or the "
            "audio source gives another level than it says: measure that at the microphone input"
        )
    return (
        f"{told}, nor the audio source being off. Look at the lead to the microphone input and at the audio source, then at the unit's "
        "microphone amplifier"
    )
