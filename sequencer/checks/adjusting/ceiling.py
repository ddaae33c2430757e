"""The most power that a preset may be turned to: what path, load and meter are rated for, and what a sound unit gives."""

from __future__ import annotations

from collections.abc import Callable

from sequencer.checks.adjusting.presets import Adjusted
from sequencer.checks.finding import Conditions
from sequencer.inputs.bench import max_meter_dbm
from sequencer.units.convert import w_from_dbm

CLEARLY_ABOVE = (
    1.5  # times the rated power: what a hand that passes the target does not reach; workshop's own
)


def told_too_much(adjusted: Adjusted, conditions: Conditions) -> Callable[[float], str]:
    """Return what says of a figure that it is above a rating, and which; empty where it is not, or is no power."""
    if adjusted.preset.of != "carrier_power":
        return lambda figure: ""
    most = sorted(_ratings(conditions))

    def told(figure_w: float) -> str:
        named = next(((limit_w, name) for limit_w, name in most if figure_w > limit_w), None)
        return "" if named is None else f"{figure_w:.3g} W is above {named[1]} ({named[0]:.3g} W)"

    return told


def _ratings(conditions: Conditions) -> list[tuple[float, str]]:
    """Return each power that must not be passed, W at the unit's antenna connector, with its name."""
    found: list[tuple[float, str]] = []
    if (path := conditions.bench.paths.transmit) is not None:
        found.append((path.rating_w, "the rating of the transmit path and its load"))
        meter_w = w_from_dbm(max_meter_dbm(conditions.bench) + path.loss_db(conditions.carrier_hz))
        found.append((meter_w, "what the power meter may be given through the path"))
    model = conditions.model
    if model is not None and model.rated_power_w is not None:
        # what tells it apart from a target that was passed
        found.append(
            (CLEARLY_ABOVE * model.rated_power_w, f"{CLEARLY_ABOVE:g} times the model's rated power")
        )
    return found
