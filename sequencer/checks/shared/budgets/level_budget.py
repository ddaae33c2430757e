"""A level that a search found: its budget, and in words how it was found or why not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.inputs.stated import RECEIVE_PATH, receive_pairs
from sequencer.search.protocol import Crossing
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.contributions import SEARCH_INTERVAL, play, resolution, search_interval
from sequencer.units.format import short_quantity

LOST_SHARE = 0.1
PLAY = "meter, its hysteresis"
PLAY_TOLD = "approached from below the level lies that much higher than from above; the middle is stated"
LEVEL_NEEDS = ("signal_generator.level", RECEIVE_PATH)
"""What the bench file must state for a level at the unit's antenna connector to have an uncertainty."""
ReadError = tuple[str, HalfWidth | None, str]
"""What a reading may be off by: its name in the budget, how far, and in which unit."""


def level_budget(
    quantity: str,
    crossing: Crossing,
    read_errors: Sequence[ReadError],
    conditions: Conditions,
    further: tuple[Contribution, ...] = (),
) -> Budget:
    """Return the budget of a level found by a search.

    ``read_errors`` are what the reading may be off by, in its own unit; they reach the level through the slope that the search
    measured. ``further`` contributions are in dB of level.
    """
    parts = level_parts(conditions)
    parts.add(search_interval(SEARCH_INTERVAL, crossing.half_width_db, unit="dB"))
    for source, half_width, unit in read_errors:
        if crossing.slope:
            parts.accuracy(source, half_width, unit=unit, coefficient=level_per_reading(crossing))
    if crossing.play_db:
        parts.add(play(PLAY, crossing.play_db, unit="dB"))
    parts.add(*reading_step(crossing), *further)
    level_dbm = crossing.level_db if crossing.level_db is not None else math.nan
    return parts.budget(quantity, "dBm", level_dbm)


def level_per_reading(crossing: Crossing) -> float:
    """Return how many dB of level one unit of the reading stands for at a crossing found.

    Where the curve bends there, an error moves the level further one way than the other: the mean of both half-widths is taken, as the
    JCGM 100:2008 (GUM), 4.3.8 has it for bounds that are not symmetrical.
    """
    assert crossing.slope
    beside = [abs(slope) for slope in crossing.slopes_beside or ()]
    if not beside or min(beside) <= 0.0:
        return 1.0 / abs(crossing.slope)
    return sum(1.0 / slope for slope in beside) / len(beside)


def reading_step(crossing: Crossing) -> tuple[Contribution, ...]:
    """Return what the steps of the reading may put a level off by, dB: half a step to either side, by the slope measured.

    Rounding is the same error at each reading of the same thing, which the search's own interval takes for scatter. Steps finer than a
    tenth of that interval are lost in it.
    """
    if not crossing.slope or crossing.step <= LOST_SHARE * crossing.half_width_db * abs(crossing.slope):
        return ()
    return (resolution("reading, its steps", crossing.step, coefficient=level_per_reading(crossing)),)


def level_parts(conditions: Conditions, *, coefficient: float = 1.0) -> Parts:
    """Return what a level at the unit's antenna connector may be off by: generator, matches and loss; ``coefficient`` per dB."""
    bench, parts = conditions.bench, Parts(conditions.bench)
    generator = bench.with_role("signal_generator")
    parts.accuracy(
        "generator, level accuracy",
        HalfWidth.of(bench, "signal_generator", "level"),
        unit="dB",
        coefficient=coefficient,
    )
    if generator is not None:
        pairs = receive_pairs(bench, generator, conditions.carrier_hz)
        parts.mismatches(pairs, coefficient=coefficient)
    parts.loss("receive path, loss", "receive", conditions.frequency_hz, coefficient=coefficient)
    parts.connection(RECEIVE_PATH, coefficient=coefficient)
    return parts


def with_level_step(finding: Finding, off_db: float) -> Finding:
    """Return a level, or a ratio of levels, with what a generator that goes in steps may be off by, dB, in its budget.

    Not where the levels entered as they read back.
    """
    if off_db <= 0.0 or finding.levels_as_made or finding.budget is None or finding.unit not in ("dBm", "dB"):
        return finding
    step = resolution("generator, step of its level", 2.0 * off_db, unit="dB")
    return replace(
        finding, budget=replace(finding.budget, contributions=(*finding.budget.contributions, step))
    )


def why_not(crossing: Crossing) -> str:
    """Return in words why a search found nothing, with its best guess."""
    guess = f"; best guess {crossing.level_db:.1f} dBm" if crossing.level_db is not None else ""
    return "; ".join(
        (f"{crossing.status.value} after {crossing.readings} readings{guess}", *crossing.warnings)
    )


def how_found(crossing: Crossing) -> str:
    """Return in words how a level was found."""
    slope = f", slope {short_quantity(crossing.slope, '', 2)} per dB" if crossing.slope is not None else ""
    told = (f"{crossing.play_db:.1f} dB of hysteresis: {PLAY_TOLD}",) if crossing.play_db else ()
    return "; ".join(
        (
            f"{crossing.readings} readings, ±{crossing.half_width_db:.2f} dB by the search{slope}",
            *told,
            *crossing.warnings,
        )
    )
