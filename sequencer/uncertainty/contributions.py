"""Make the contributions met on this bench; turn decibels into ratios and back, exactly.

Each takes what a data sheet, a bench file or the readings say, and returns a `Contribution`. ValueError names
the source and the number where it cannot be.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from typing import Any

from sequencer.uncertainty.budget import Contribution
from sequencer.uncertainty.coverage import student_factor
from sequencer.uncertainty.distributions import Shape

SEARCH_INTERVAL = "search, 95 % interval"
"""What the contribution of a search for the result itself is called, for whoever looks it up in a budget."""
ONE_READING = "one reading of a dial, last digit"
"""What the contribution of a single reading by a person is called."""
FINEST, FINEST_DB = 1e-4, 0.001
"""The finest step that a reading is believed to have: four digits, or a thousandth of a decibel. Common practice, no source."""
DB_PER_RELATIVE_VOLTAGE = 20 / math.log(10)
"""8.686: first-order decibels for a relative change of a voltage of 1."""
DB_PER_RELATIVE_POWER = 10 / math.log(10)
"""4.343: first-order decibels for a relative change of a power of 1."""
TR_100_028_DB_PER_RELATIVE_VOLTAGE = 100 / 11.5
"""The rounded 11.5 % a decibel of ETSI TR 100 028, to repeat its figures."""


def instrument_accuracy(source: str, half_width: float, **rest: Any) -> Contribution:
    """Take an instrument's stated accuracy: limits of plus and minus ``half_width``, rectangular.

    The instrument is off by the same whenever it reads the same again, so the error is common to the bench's results.
    """
    return Contribution.bounded(source, half_width, **{"common": "bench", **rest})


def path_loss(source: str, expanded_db: float, **rest: Any) -> Contribution:
    """Take the **expanded** (k = 2) uncertainty of an RF path's loss, as a certificate states it.

    One path serves every unit, so the error is common to the bench's results.
    """
    return Contribution.expanded(source, expanded_db, 2.0, **{"unit": "dB", "common": "bench", **rest})


def connection(source: str, standard: float, *, dof: float = math.inf, **rest: Any) -> Contribution:
    """Take how much making the connections of a unit anew scatters: a standard uncertainty, known with ``dof`` degrees of freedom.

    The connections are made once for a run: one error in all its results, and another in those of any other run.
    """
    shape = Shape.NORMAL if math.isinf(dof) else Shape.STUDENT
    return Contribution(
        source=source, stated=standard, shape=shape, dof=dof, **{"unit": "dB", "common": "run", **rest}
    )


def resolution(source: str, step: float, **rest: Any) -> Contribution:
    """Take the step of a display or a setting: half a step to either side, rectangular."""
    return Contribution.bounded(source, step / 2, **rest)


def play(source: str, width: float, **rest: Any) -> Contribution:
    """Take what a meter with play may be off by: half of its ``width`` to either side of the middle, by whence it was approached."""
    return Contribution.bounded(source, width / 2, **rest)


def repeatability(source: str, readings: Sequence[float], *, step: float = 0.0, **rest: Any) -> Contribution:
    """Take two or more independent readings of one thing: their mean, and its standard deviation s / sqrt(n).

    Student's t with n - 1 degrees of freedom (GUM 4.2, H.1). Readings are no surer than their last digit: never less than ``step`` /
    sqrt(12), the last digit shown, in their unit (GUM F.2.2.1). Zeros may fill an answer up to any length, so that readings which are all
    the same are not believed to show less than `FINEST` of the reading, or `FINEST_DB`.
    """
    if len(readings) < 2:
        raise ValueError(f"{source}: {len(readings)} reading(s); repeatability needs two or more")
    if not all(math.isfinite(reading) for reading in readings):
        raise ValueError(f"{source}: a reading is not a finite number")
    # statistics works in exact fractions: no digits are lost on 1000000.1, 1000000.3, ...
    deviation = statistics.stdev(readings) / math.sqrt(len(readings))
    finest = FINEST_DB if rest.get("unit") == "dB" else FINEST * max(abs(one) for one in readings)
    least = max(step, finest if min(readings) == max(readings) else 0.0) / math.sqrt(12.0)
    return Contribution.student(
        source, max(deviation, least), len(readings) - 1, value=statistics.mean(readings), **rest
    )


def scatter(source: str, readings: Sequence[float], *, step: float = 0.0, **rest: Any) -> Contribution:
    """Take readings of one thing as `repeatability` does; of one alone, read by a person off a dial, its last digit, ``step``.

    Who reads a needle may be off by one of the digits typed: limits of plus and minus ``step``, rectangular. Common practice, no source.
    """
    if len(readings) != 1:
        return repeatability(source, readings, step=step, **rest)
    finest = FINEST_DB if rest.get("unit") == "dB" else FINEST * abs(readings[0])
    return Contribution.bounded(ONE_READING, max(step, finest), value=readings[0], **rest)


def search_interval(source: str, half_width: float, *, dof: float = math.inf, **rest: Any) -> Contribution:
    """Take the half-width of the search's own 95 % interval; ``dof`` are those the search used for it."""
    return Contribution.expanded(source, half_width, student_factor(0.95, dof), dof=dof, **rest)


def mismatch(
    source: str,
    reflection_one: float,
    reflection_two: float,
    *,
    transmission: float = 1.0,
    db_per_relative_voltage: float = DB_PER_RELATIVE_VOLTAGE,
    **rest: Any,
) -> Contribution:
    """Take two reflection coefficients (0 to below 1) facing each other: dB, U-shaped.

    ``transmission``: linear mag(S21) mag(S12) of what lies between them, 0...1. The half-width is the
    first-order G1 G2 in dB, between the two exact limits 20 lg(1 + G1 G2) and -20 lg(1 - G1 G2). Form of ETSI TR 100 028.
    One of the two is taken to be the unit under test: another unit reflects in another phase, so the error is common to results of
    the same unit only. Say ``common="bench"`` where both belong to the bench.
    """
    product = _reflected(source, reflection_one, reflection_two) * _share(source, transmission)
    half_width = db_per_relative_voltage * product
    return Contribution.bounded(
        source, half_width, Shape.U_SHAPED, **{"unit": "dB", "common": "unit", **rest}
    )


def db_from_relative_voltage(relative: float) -> float:
    """Return the exact decibels of a relative change of a voltage, above -1: +0.122018 is +1 dB."""
    return 2 * db_from_relative_power(relative)


def db_from_relative_power(relative: float) -> float:
    """Return the exact decibels of a relative change of a power, above -1: +0.258925 is +1 dB."""
    if not -1 < relative < math.inf:
        raise ValueError(f"relative change is {relative}; it must be above -1 (nothing left), and finite")
    return DB_PER_RELATIVE_POWER * math.log1p(relative)


def relative_voltage_from_db(db: float) -> float:
    """Return the exact relative change of a voltage for finite ``db``: +1 dB is +0.122018."""
    return math.expm1(db / DB_PER_RELATIVE_VOLTAGE)


def relative_power_from_db(db: float) -> float:
    """Return the exact relative change of a power for finite ``db``: +1 dB is +0.258925."""
    return math.expm1(db / DB_PER_RELATIVE_POWER)


def half_width_db(relative_half_width: float, *, of_power: bool) -> float:
    """Return the half-width in dB of a relative half-width: exact, the wider (lower) side of the two."""
    if not 0 <= relative_half_width < 1:
        raise ValueError(f"relative half-width is {relative_half_width}; it must be 0 or more and below 1")
    return -(db_from_relative_power if of_power else db_from_relative_voltage)(-relative_half_width)


def relative_half_width(half_width_in_db: float, *, of_power: bool) -> float:
    """Return the relative half-width of a half-width in dB: exact, the wider (upper) side of the two."""
    if not 0 <= half_width_in_db < math.inf:
        raise ValueError(f"half-width is {half_width_in_db} dB; it must be 0 or more, and finite")
    return (relative_power_from_db if of_power else relative_voltage_from_db)(half_width_in_db)


def _reflected(source: str, one: float, two: float) -> float:
    for reflection in (one, two):
        if not 0 <= reflection < 1:
            raise ValueError(
                f"{source}: reflection coefficient is {reflection}; it must be 0 or more and below 1"
            )
    return one * two


def _share(source: str, transmission: float) -> float:
    if not 0 <= transmission <= 1:
        raise ValueError(f"{source}: transmission is {transmission}; a linear ratio between 0 and 1 is due")
    return transmission
