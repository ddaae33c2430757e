"""Audio filters as an analyser made them, beside those that were asked for: what the difference may do to noise and distortion."""

from __future__ import annotations

import math

from drivers.roles import AudioFilters
from sequencer.uncertainty.budget import Contribution

SAME_SHARE = 0.01  # of the figure: the same filter, by another rounding


def filters_off_db(asked: AudioFilters, made: AudioFilters | None) -> float:
    """Return by how many decibels a reading of noise or distortion may differ because of other corners; 0 where they are the same.

    A spectrum that rises or falls by 6 dB an octave at the corner moves by 20 lg of the corners' ratio, a white one by half that; hum
    and harmonics stand well off the corners. Common practice, no source.
    """
    return sum(abs(20.0 * math.log10(there / wanted)) for _, wanted, there, _, _ in _others(asked, made))


def filters_note(asked: AudioFilters, made: AudioFilters | None) -> str:
    """Return in words which filters were others than those asked for, or nothing."""
    return "; ".join(
        f"{name} of {scale * there:.4g} {unit} in place of {scale * wanted:.4g} {unit}, the nearest that the analyser has"
        for name, wanted, there, scale, unit in _others(asked, made)
    )


def filters_part(
    asked: AudioFilters, made: AudioFilters | None, *, coefficient: float = 1.0
) -> list[Contribution]:
    """Return the contribution of other corners, dB, or none; ``coefficient`` is the result's change per dB."""
    off_db = filters_off_db(asked, made)
    if off_db == 0.0:
        return []
    return [Contribution.bounded("analyser, filters as made", off_db, unit="dB", coefficient=coefficient)]


def _others(asked: AudioFilters, made: AudioFilters | None) -> list[tuple[str, float, float, float, str]]:
    if made is None:
        return []
    pairs = (
        ("high-pass", asked.high_pass_hz, made.high_pass_hz, 1.0, "Hz"),
        ("low-pass", asked.low_pass_hz, made.low_pass_hz, 1.0, "Hz"),
        ("de-emphasis", asked.deemphasis_s, made.deemphasis_s, 1e6, "µs"),
    )
    return [
        (name, wanted, there, scale, unit)
        for name, wanted, there, scale, unit in pairs
        if wanted is not None and there is not None and abs(there / wanted - 1.0) > SAME_SHARE
    ]
