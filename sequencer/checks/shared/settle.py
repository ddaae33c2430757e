"""Waiting until an instrument that cannot say so has settled."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence

from drivers.faults import NotSettled
from drivers.roles import Reading


def settle(
    read: Callable[[], Reading],
    wait_s: Callable[[float], None],
    *,
    within: float,
    pause_s: float = 0.1,
    most: int = 20,
) -> list[Reading]:
    """Read until two readings in a row agree to ``within``, and return those two (or one that is no number).

    For instruments that cannot say that they have settled. Raises NotSettled after ``most`` readings.
    """
    last = read()
    for _ in range(most):
        if last.number is None:
            return [last]
        wait_s(pause_s)
        now = read()
        if now.number is not None and abs(now.number - last.number) <= within:
            return [last, now]
        last = now
    raise NotSettled(
        f"readings still differ by more than {within:g} after {most} readings",
        instrument=last.by or "reading",
        address=last.address or "not told",
        next_move="Look for a unit that does not come to rest, an instrument that averages for longer (state its 'settle' in the bench "
        "file), or an intermittent connection.",
    )


DISAGREE = (
    5.0  # times what settles: further from the middle one than that, a reading is not of the same thing
)
ODD_SHARE = 0.25  # of the readings may be odd, and are taken again; more are no slip


def agreeing(readings: Sequence[Reading], read: Callable[[], Reading], *, within: float) -> list[Reading]:
    """Return ``readings`` with those taken again that stand out by far; a reading without a number comes alone.

    One odd reading of four, a digit lost or a contact touched, would carry the mean and the scatter away. Raises NotSettled where more
    than a quarter stand out, or what was taken again does too: then nobody knows which is right.
    """
    if (missing := next((one for one in readings if one.number is None), None)) is not None:
        return [missing]
    middle = statistics.median(one.number for one in readings if one.number is not None)
    good = [
        one for one in readings if one.number is not None and abs(one.number - middle) <= DISAGREE * within
    ]
    odd = len(readings) - len(good)
    if odd > max(1, int(ODD_SHARE * len(readings))):
        raise _disagreeing(readings)
    for _ in range(odd):
        again = read()
        if again.number is None:
            return [again]
        if abs(again.number - middle) > DISAGREE * within:
            raise _disagreeing([*readings, again])
        good.append(again)
    return good


def agreeing_share(
    readings: Sequence[Reading], read: Callable[[], Reading], *, share: float
) -> list[Reading]:
    """Return what `agreeing` does, where readings that settle agree to a ``share`` of themselves: volts, deviations, percentages."""
    found = [one.number for one in readings if one.number is not None]
    within = share * abs(statistics.median(found)) if found else 0.0
    return agreeing(readings, read, within=within)


def read_pair(read: Callable[[], Reading], *, within: float) -> list[Reading]:
    """Return two readings that agree, of three at most; a reading without a number comes alone."""
    pair = [read()]
    while len(pair) < 3 and pair[-1].number is not None:
        pair.append(read())
        numbers = [one.number for one in pair if one.number is not None]
        if len(numbers) == len(pair) and abs(numbers[-1] - numbers[-2]) <= DISAGREE * within:
            return pair[-2:]
    if pair[-1].number is None:
        return [pair[-1]]
    if abs((pair[0].number or 0.0) - (pair[2].number or 0.0)) <= DISAGREE * within:
        return [pair[0], pair[2]]
    raise _disagreeing(pair)


def _disagreeing(readings: Sequence[Reading]) -> NotSettled:
    told = ", ".join(f"{one.number:.6g}" for one in readings if one.number is not None)
    return NotSettled(
        f"readings disagree: {told}",
        instrument=readings[-1].by or "reading",
        address=readings[-1].address or "not told",
        next_move="Look for an intermittent contact, and at what the instrument shows; then measure again.",
    )
