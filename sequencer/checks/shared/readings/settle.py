"""Waiting until an instrument that cannot say so has settled."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping, Sequence

from drivers.faults import NotSettled
from drivers.roles import Reading
from sequencer.bench.further import TakeFurther, taken
from sequencer.checks.shared.readings.reading_steps import last_digit
from sequencer.uncertainty.decision import Limits


def settle(
    read: Callable[[], Reading],
    wait_s: Callable[[float], None],
    *,
    within: float,
    pause_s: float = 0.1,
    most: int = 20,
) -> list[Reading]:
    """Read until two readings in a row agree to ``within``, and return those two (or one that is no number).

    For instruments that cannot say that they have settled. A person reads once: who reads a dial waits until it stands.
    Raises NotSettled after ``most`` readings.
    """
    last = read()
    for _ in range(most):
        if last.number is None or last.by_hand:
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


def several(read: Callable[[], Reading], count: int) -> list[Reading]:
    """Return ``count`` readings; one where a person reads, who would read the same off the dial again."""
    first = read()
    return [first] if first.by_hand else [first, *(read() for _ in range(count - 1))]


DISAGREE = (
    5.0  # times what settles: further from the middle one than that, a reading is not of the same thing
)
ODD_SHARE = 0.25  # of the readings may be odd, and are taken again; more are no slip
SUSPECT = {3: 0.886, 4: 0.679, 5: 0.557, 6: 0.482, 7: 0.434, 8: 0.399, 9: 0.370, 10: 0.349}
OUT = {3: 0.970, 4: 0.829, 5: 0.710, 6: 0.625, 7: 0.568, 8: 0.526, 9: 0.493, 10: 0.466}
"""What of the whole range lies between one reading and its neighbour, by how many there are, in 80 and in 95 of 100 normal series at most:
Dixon's ratio r10 (Rorabacher, Anal. Chem. 63, 1991, 139, from memory; drawn by lot in the tests). Of more than ten: as of ten."""
LITTLE = 0.4  # of what settles: readings that differ by less are never odd
NO_LIMITS = Limits()
NEAR = 2.0  # times what a pair is apart
BESIDE_A_LIMIT = {
    3: 2.0 / 3.0
}  # two of three that are twice as near to each other count: about the middle one
DIGITS = 2.0  # of the last shown: rounded one way and the other


def agreeing(readings: Sequence[Reading], read: Callable[[], Reading], *, within: float) -> list[Reading]:
    """Return ``readings`` with those taken again that stand out; a reading without a number comes alone.

    One odd reading of four, a digit lost or a contact touched, would carry the mean and the scatter away. By far (`DISAGREE`): it is
    left out and taken again. Raises NotSettled where more than a quarter stand out so, or what was taken again does too: then nobody
    knows which is right. Less, but out of readings that agree much better among themselves (`SUSPECT`): one more is taken, and the odd
    one is left out if it still stands alone (`OUT`).
    """
    if (missing := next((one for one in readings if one.number is None), None)) is not None:
        return [missing]
    within = max(
        within, *(2.0 * one.step for one in readings)
    )  # a needle between two marks is read as either
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
    return _without_odd(good, read, least=LITTLE * within)


def _without_odd(readings: list[Reading], read: Callable[[], Reading], *, least: float) -> list[Reading]:
    """Return ``readings``; where one stands out of the others, with one more, and without it if it stands out of all of them."""
    if odd_one(readings, SUSPECT, least=least) is None:
        return readings
    again = read()
    if again.number is None:
        return [again]
    more = [*readings, again]
    odd = odd_one(more, OUT, least=least)
    return [one for one in more if one is not odd]


def odd_one(readings: Sequence[Reading], shares: Mapping[int, float], *, least: float) -> Reading | None:
    """Return the reading whose distance to its neighbour is more than its share of the whole range; None where there is none.

    ``shares`` are by how many readings there are. A distance of ``least``, or of a last digit or two, is none.
    """
    ordered = sorted((one.number, at) for at, one in enumerate(readings) if one.number is not None)
    if len(ordered) < min(shares):
        return None
    whole = ordered[-1][0] - ordered[0][0]
    below, above = ordered[1][0] - ordered[0][0], ordered[-1][0] - ordered[-2][0]
    gap, at = (below, ordered[0][1]) if below > above else (above, ordered[-1][1])
    if gap <= max(least, DIGITS * last_digit(readings), shares[min(len(ordered), max(shares))] * whole):
        return None
    return readings[at]


def agreeing_share(
    readings: Sequence[Reading], read: Callable[[], Reading], *, share: float
) -> list[Reading]:
    """Return what `agreeing` does, where readings that settle agree to a ``share`` of themselves: volts, deviations, percentages."""
    found = [one.number for one in readings if one.number is not None]
    within = share * abs(statistics.median(found)) if found else 0.0
    return agreeing(readings, read, within=within)


def read_pair(
    read: Callable[[], Reading], *, within: float, limits: Limits = NO_LIMITS, further: TakeFurther = taken
) -> list[Reading]:
    """Return two readings that agree, of three at most, or three; a reading without a number comes alone.

    Where one of ``limits``, in the readings' unit, lies as near as two readings that agree are apart, a third is taken: of the two
    nobody knows which is right, and the wrong one would decide. ``further`` takes it.
    """
    pair = [read()]
    if pair[0].by_hand:
        return pair
    while len(pair) < 3 and pair[-1].number is not None:
        pair.append(read())
        numbers = [one.number for one in pair if one.number is not None]
        if len(numbers) == len(pair) and abs(numbers[-1] - numbers[-2]) <= DISAGREE * within:
            return _third(pair, read, within, limits, further) if len(pair) == 2 else pair[-2:]
    if pair[-1].number is None:
        return [pair[-1]]
    if abs((pair[0].number or 0.0) - (pair[2].number or 0.0)) <= DISAGREE * within:
        return [pair[0], pair[2]]
    raise _disagreeing(pair)


def _third(
    pair: list[Reading],
    read: Callable[[], Reading],
    within: float,
    limits: Limits,
    further: TakeFurther,
) -> list[Reading]:
    """Return a pair that agrees, with a third reading where a limit is near; without the one that stands out of the three."""
    one, other = (reading.number or 0.0 for reading in pair)
    room = min((abs(room) for room in limits.room((one + other) / 2.0)), default=math.inf)
    is_near = room <= NEAR * abs(one - other)
    third = None
    with further("which of two readings beside a limit is right", wanted=is_near, sets=False):
        third = read() if is_near else None
    if third is None:
        return pair
    if third.number is None:
        return [third]
    if min(abs(third.number - one), abs(third.number - other)) > DISAGREE * within:
        raise _disagreeing([*pair, third])
    three = [*pair, third]
    odd = odd_one(three, BESIDE_A_LIMIT, least=0.0)
    return [reading for reading in three if reading is not odd]


def _disagreeing(readings: Sequence[Reading]) -> NotSettled:
    told = ", ".join(f"{one.number:.6g}" for one in readings if one.number is not None)
    return NotSettled(
        f"readings disagree: {told}",
        instrument=readings[-1].by or "reading",
        address=readings[-1].address or "not told",
        next_move="Look for an intermittent contact, and at what the instrument shows; then measure again.",
    )
