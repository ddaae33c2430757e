"""Holds where a model's presets are to be brought against what the model itself allows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sequencer.files.yaml_tree import Source
from sequencer.problems import Complaint
from sequencer.units.format import format_quantity

_HELD_BELOW = frozenset({"carrier_power", "peak_deviation", "modulation_depth"})
"""Checks whose limit has an upper end in the unit that their presets aim at."""


def target_complaints(model: Any, source: Source) -> Iterator[Complaint]:
    """Yield what is said of presets that are to be brought above what the model's own limit, or its rated power, allows.

    Lower limits are left alone: a low-power position, or deviation at normal drive, belongs below what is asked at full drive.
    """
    for name, preset in model.presets.items():
        mode = preset.mode or model.modes[0]
        most: dict[tuple[str, ...], float | None] = {}
        for limits, at in (
            (model.limits_in_mode.get(mode), ("limits_in_mode", mode)),
            (model.limits, ("limits",)),
        ):
            stated = getattr(limits, preset.of, None)
            if stated is not None and preset.of in _HELD_BELOW:
                most[(*at, preset.of, "max")] = stated.limits.upper
                break
        if preset.of == "carrier_power":
            most[("rated_power",)] = model.rated_power_w
        for place, upper in most.items():
            if upper is not None and preset.target is not None and preset.target > upper * (1.0 + 1e-9):
                shown = format_quantity(upper, preset.unit)
                yield source.complain(
                    ("presets", name, "to"),
                    f"the preset is to be brought to {preset.to}, and {place[-1]} of the model is {shown} ({source.where(*place)})",
                    found=preset.to,
                    allowed=f"at most {shown}",
                )
