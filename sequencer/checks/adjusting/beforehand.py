"""What is known of a preset's uncertainty before anything is read: what the bench file states, at the target."""

from __future__ import annotations

from sequencer.checks.adjusting.presets import Adjusted
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.budgets.level_budget import level_parts
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.transmit.keyed_readings import power_budget
from sequencer.checks.transmit.frequency_error import error_budget
from sequencer.uncertainty.budget import Budget
from sequencer.units.convert import dbm_from_w

_ANALYSER = {"peak_deviation": "deviation", "modulation_depth": "depth"}


def least_budget(adjusted: Adjusted, conditions: Conditions) -> Budget | None:
    """Return the budget that a figure has at its target, without scatter and steps; None where it depends on what is read.

    It is the least that the ordinary check will come to: what readings add makes it wider only.
    """
    preset, target = adjusted.preset, adjusted.preset.target
    if target is None or preset.tolerance is None:
        return None
    match preset.of:
        case "carrier_power" if target > 0.0:
            return power_budget(preset.of, target, [dbm_from_w(target)] * 2, conditions)
        case "frequency_error":
            return error_budget(preset.of, [target] * 2, conditions.carrier_hz, conditions, counted=False)
        case "peak_deviation" | "modulation_depth":
            parts = Parts(conditions.bench)
            accuracy = HalfWidth.of(conditions.bench, "modulation_analyser", _ANALYSER[preset.of])
            in_unit = None if accuracy is None else accuracy.of_reading(target)
            parts.accuracy("analyser, accuracy", in_unit, unit=preset.unit)
            return parts.budget(preset.of, preset.unit, target)
        case "s9_point":
            return level_parts(conditions).budget(preset.of, preset.unit, target)
    return None


def told_too_fine(adjusted: Adjusted, conditions: Conditions) -> str:
    """Return in words that the bench file alone makes the band narrower than U; nothing where it does not, or where it is not known."""
    budget = least_budget(adjusted, conditions)
    return "" if budget is None else adjusted.narrower_than(budget)
