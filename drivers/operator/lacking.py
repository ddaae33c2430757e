"""What a person cannot read for a role: by the names that a profile gives to commands."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

CANNOT_READ: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "audio_analyser": frozenset({"distortion", "recorded_audio", "second_level"}),
        "modulation_analyser": frozenset(
            {
                "begin_recording",
                "deviation_rms",
                "depth_negative",
                "depth_positive",
                "distortion",
                "recorded_audio",
                "recorded_baseband",
                "selective_level",
            }
        ),
        "power_meter": frozenset({"peak_power"}),
        "signal_generator": frozenset(
            {
                "second_bit_rate",
                "second_bits",
                "second_deviation",
                "second_shape",
                "second_state",
                "second_tone",
            }
        ),
        "spectrum_analyser": frozenset({"trace"}),
    }
)
"""Each is refused by the role's own class, which asks nobody: see `drivers.operator.instruments`."""
