"""The checks: one file each, with its settings, its procedure and its results.

A user's own check arrives through the entry-point group ``sequencer.checks``: its name is the check's name, its object a
subclass of `sequencer.checks.base.Check`.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from importlib.metadata import entry_points
from typing import Any

from sequencer.checks.base import Check

SHIPPED = {
    "confirm": "sequencer.checks.confirm:Confirm",
    "channel_memory": "sequencer.checks.channel_memory:ChannelMemory",
    "carrier_power": "sequencer.checks.carrier_power:CarrierPower",
    "frequency_error": "sequencer.checks.frequency_error:FrequencyError",
    "peak_deviation": "sequencer.checks.peak_deviation:PeakDeviation",
    "sensitivity": "sequencer.checks.sensitivity:Sensitivity",
    "s9_point": "sequencer.checks.s9_point:S9Point",
}


@cache
def all_checks() -> dict[str, Check[Any]]:
    """Return every check by name: the shipped ones, then those of installed packages, which may not take a shipped name."""
    found: dict[str, Check[Any]] = {}
    for name, place in SHIPPED.items():
        module, _, attribute = place.partition(":")
        found[name] = getattr(import_module(module), attribute)()
    for point in entry_points(group="sequencer.checks"):
        if point.name not in found:
            found[point.name] = point.load()()
    return found
