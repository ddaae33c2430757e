"""A level that a search found: its budget, and in words how it was found or why not."""

from __future__ import annotations

import math

from sequencer.checks.finding import Conditions
from sequencer.search.protocol import Crossing
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.contributions import (
    SEARCH_INTERVAL,
    instrument_accuracy,
    mismatch,
    path_loss,
    search_interval,
)
from sequencer.units.convert import reflection_from_vswr


def level_budget(
    quantity: str,
    crossing: Crossing,
    reading_half_width: float,
    reading_name: str,
    conditions: Conditions,
    further: tuple[Contribution, ...] = (),
) -> Budget:
    """Return the budget of a level found by a search.

    ``reading_half_width`` is the accuracy of what was read, in its own unit; it reaches the level through the slope
    that the search measured. ``further`` contributions are in dB of level.
    """
    parts: list[Contribution] = [search_interval(SEARCH_INTERVAL, crossing.half_width_db, unit="dB")]
    entry = conditions.bench.with_role("signal_generator")
    path = conditions.bench.paths.receive
    if entry is not None:
        generator = entry[1]
        parts.append(instrument_accuracy("generator, level accuracy", generator.accuracy.level_db, unit="dB"))
        if path is not None:
            parts.append(
                mismatch(
                    "mismatch, generator to unit",
                    reflection_from_vswr(generator.vswr),
                    reflection_from_vswr(path.unit_vswr),
                )
            )
    if path is not None:
        parts.append(path_loss("receive path, loss", path.uncertainty_db))
    if crossing.slope and reading_half_width > 0:
        unit = {"meter voltage": "V", "": ""}.get(reading_name, "dB")
        parts.append(
            instrument_accuracy(
                f"{reading_name}, accuracy",
                reading_half_width,
                unit=unit,
                coefficient=1.0 / abs(crossing.slope),
            )
        )
    level_dbm = crossing.level_db if crossing.level_db is not None else math.nan
    return Budget(quantity=quantity, unit="dBm", value=level_dbm, contributions=(*parts, *further))


def why_not(crossing: Crossing) -> str:
    """Return in words why a search found nothing, with its best guess."""
    guess = f"; best guess {crossing.level_db:.1f} dBm" if crossing.level_db is not None else ""
    return "; ".join(
        (f"{crossing.status.value} after {crossing.readings} readings{guess}", *crossing.warnings)
    )


def how_found(crossing: Crossing) -> str:
    """Return in words how a level was found."""
    slope = f", slope {crossing.slope:.2g} per dB" if crossing.slope is not None else ""
    return "; ".join(
        (
            f"{crossing.readings} readings, ±{crossing.half_width_db:.2f} dB by the search{slope}",
            *crossing.warnings,
        )
    )
