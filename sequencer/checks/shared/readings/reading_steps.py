"""The step of a reading: the last digit that an instrument writes, or the coarser one that all its answers are multiples of.

An instrument may write more digits than it reads: a SINAD meter in whole decibels that answers 12.00, a deviation in steps of 100 Hz.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from decimal import Decimal, InvalidOperation

from drivers.roles import Reading
from sequencer.safety.proofs.plausible import shown_step

_NUMBER = re.compile(r"[-+]?\d+\.?\d*(?:[Ee][-+]?\d+)?")
LARGEST = 10**16  # digits of an answer: beyond that a number is none that an instrument wrote


def step_seen(readings: Sequence[Reading]) -> float:
    """Return the step of ``readings`` in their unit, 0 where nothing tells: worked out from samples.

    A person's: the last digit that was typed, the coarsest of several.

    Never finer than the last digit written. Different answers: what all are multiples of. The same answer each time: the place of its
    last digit that is no nought, five times that where it is a five: noughts may fill an answer, or be left out.
    """
    if any(one.by_hand for one in readings):
        return max(one.step for one in readings)
    shown = shown_step(one.raw for one in readings)
    answers = [_decimal(one.raw) for one in readings if one.number is not None]
    known = [answer for answer in answers if answer is not None]
    if shown <= 0.0 or not known or len(known) < len(answers):
        return 0.0
    counts = [abs(round(answer / Decimal(repr(shown)))) for answer in known]
    if max(counts) > LARGEST:
        return shown * _in_unit(readings)
    if len(set(counts)) > 1:
        return math.gcd(*counts) * shown * _in_unit(readings)
    return _round(counts[0]) * shown * _in_unit(readings)


def last_digit(readings: Sequence[Reading]) -> float:
    """Return what the last digit written stands for, in the readings' unit; 0 where none was. A person may write the unit too."""
    written = [found.group() for one in readings if (found := _NUMBER.search(one.raw)) is not None]
    return shown_step(written) * _in_unit(readings)


def _round(count: int) -> int:
    """Return the largest of 1, 5, 10, 50, 100 ... of which ``count`` is a multiple; 1 for none at all."""
    noughts = len(str(count)) - len(str(count).rstrip("0")) if count else 0
    return int(10**noughts) * (5 if count // 10**noughts % 10 == 5 else 1)


def _decimal(raw: str) -> Decimal | None:
    try:
        answer = Decimal(raw.strip())
    except InvalidOperation:
        return None
    return answer if answer.is_finite() else None


def _in_unit(readings: Sequence[Reading]) -> float:
    """Return the readings' unit for one of what was written: from how two differ; 1 where all are the same, or differ by an offset."""
    pairs = {
        float(answer): one.number
        for one in readings
        if one.number is not None and (answer := _decimal(one.raw)) is not None
    }
    if len(pairs) < 2:
        return 1.0
    low, high = min(pairs), max(pairs)
    return abs((pairs[high] - pairs[low]) / (high - low)) or 1.0
