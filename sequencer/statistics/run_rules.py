"""Run rules: patterns within the limits of a control chart that an undisturbed process seldom makes.

Each rule added finds changes sooner and cries wolf oftener: of an undisturbed normal process the first alarm comes after 370 points
on average by the limits alone, after 92 with the four Western Electric rules (Champ and Woodall, Technometrics 29, 1987).
Sources: Western Electric, Statistical Quality Control Handbook, 1956; L. S. Nelson, Journal of Quality Technology 16, 1984.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

from sequencer.frozen import dataclass

_Fits = Callable[[Sequence[float]], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRule:
    """One rule: ``fits`` looks at the last ``length`` points, in standard deviations from the centre; ``fewest`` can break it.

    Where the last of them is not beyond ``beyond`` standard deviations it is not broken, so that most points are soon done with.
    """

    name: str
    length: int
    fewest: int
    fits: _Fits
    beyond: float = 0.0

    def is_broken(self, scaled: Sequence[float]) -> bool:
        """Say whether the last of ``scaled`` breaks it."""
        return len(scaled) >= self.fewest and self.fits(scaled[-self.length :])


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """A rule that is broken at the point ``at``, counted from 0."""

    at: int
    rule: str


def find_alarms(scaled: Sequence[float], rules: Sequence[RunRule]) -> tuple[Alarm, ...]:
    """Return each point at which a rule is broken; ``scaled`` are points in standard deviations from the centre (`Chart.scaled`)."""
    sizes = [abs(point) for point in scaled]
    found = [
        (at, number)
        for number, rule in enumerate(rules)
        for at, size in enumerate(sizes[rule.fewest - 1 :], start=rule.fewest - 1)
        # of each the last points only: with all before them, time would grow with their square
        if size >= rule.beyond and rule.fits(scaled[max(0, at + 1 - rule.length) : at + 1])
    ]
    return tuple(Alarm(at=at, rule=rules[number].name) for at, number in sorted(found))


def _beyond(least: int, sigmas: float) -> _Fits:
    """At least so many of them beyond so many standard deviations, on one side; the last one among them."""

    def fits(points: Sequence[float]) -> bool:
        last = points[-1]
        if -sigmas <= last <= sigmas:  # most are, and are sooner done with
            return False
        side = 1.0 if last > 0 else -1.0
        return sum(side * point > sigmas for point in points) >= least

    return fits


def _one_side(points: Sequence[float]) -> bool:
    return min(points) > 0 or max(points) < 0


def _steady(points: Sequence[float]) -> bool:
    steps = [later - earlier for earlier, later in pairwise(points)]
    return all(step > 0 for step in steps) or all(step < 0 for step in steps)


def _alternating(points: Sequence[float]) -> bool:
    steps = [later - earlier for earlier, later in pairwise(points)]
    return all(one * other < 0 for one, other in pairwise(steps))


BEYOND_LIMITS = RunRule(name="one point beyond 3 sigma", length=1, fewest=1, fits=_beyond(1, 3.0), beyond=3.0)
_TWO_OF_THREE = RunRule(
    name="two of three beyond 2 sigma on one side", length=3, fewest=2, fits=_beyond(2, 2.0), beyond=2.0
)
_FOUR_OF_FIVE = RunRule(
    name="four of five beyond 1 sigma on one side", length=5, fewest=4, fits=_beyond(4, 1.0), beyond=1.0
)

WESTERN_ELECTRIC = (
    BEYOND_LIMITS,
    _TWO_OF_THREE,
    _FOUR_OF_FIVE,
    RunRule(name="eight in a row on one side", length=8, fewest=8, fits=_one_side),
)

NELSON = (
    BEYOND_LIMITS,
    RunRule(name="nine in a row on one side", length=9, fewest=9, fits=_one_side),
    RunRule(name="six in a row rising or falling", length=6, fewest=6, fits=_steady),
    RunRule(name="fourteen in a row alternating up and down", length=14, fewest=14, fits=_alternating),
    _TWO_OF_THREE,
    _FOUR_OF_FIVE,
    RunRule(
        name="fifteen in a row within 1 sigma",
        length=15,
        fewest=15,
        fits=lambda points: all(abs(point) < 1.0 for point in points),
    ),
    RunRule(
        name="eight in a row beyond 1 sigma on either side",
        length=8,
        fewest=8,
        fits=lambda points: all(abs(point) > 1.0 for point in points),
    ),
)
