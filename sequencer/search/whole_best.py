"""Find the whole number at which a figure is highest, or lowest: for tuned circuits and balances that a radio stores the setting of.

It climbs from the number that stands until the figure has clearly fallen on both sides, an eighth of the range first and a quarter
after that, and lays a parabola through what was read there; it ends once a new reading leaves the top of the parabola where that was
taken. What scatters is held against the scatter: a reading counts as lower only where it is so clearly. A top narrower than a quarter
of the range that lies far from the number that stands may be missed, and of two tops it takes the one that it climbs to. It names why
it cannot find one.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Literal

from sequencer.search.whole import Outcome, Trial

MOST_READINGS = 24
FIRST_PART, NEXT_PARTS = 0.125, 0.25  # of the range: how far the first step goes, and each after it
CLEARLY = 3.0  # times the scatter of one: two readings further apart than this differ
FAR = 12.0  # times what is as good: a side that fell by more is too far from the top to place it; workshop's own
BURIED = 2.0  # times the least scatter: what scatters by more hides whether anything follows


class BestSearch:
    """One search for the best figure from ``start``, between ``lowest`` and ``highest``.

    Ask `ask` until it is None; `outcome` and `best` then say what came of it. ``quiet`` is what a figure scatters by at least, and
    ``tolerance`` how far below the best is as good (None: what it scatters by).
    """

    def __init__(
        self,
        *,
        aim: Literal["maximum", "minimum"],
        lowest: int,
        highest: int,
        start: int,
        quiet: float = 0.0,
        tolerance: float | None = None,
    ) -> None:
        if not lowest < highest or not lowest <= start <= highest:
            raise ValueError(f"{lowest} to {highest} from {start}: nothing to search")
        self._sign = -1.0 if aim == "minimum" else 1.0
        self._lowest, self._highest, self._start = lowest, highest, start
        self._quiet, self._tolerance = quiet, tolerance
        self._told: dict[int, Trial] = {}
        self._best: Trial | None = None
        self.outcome: Outcome | None = None
        self.ask: int | None = start

    @property
    def readings(self) -> int:
        """How many numbers were read."""
        return len(self._told)

    @property
    def best(self) -> Trial | None:
        """The number that was found; before that, and without one, the best that was read; None where nothing was."""
        return self._best or max(self._told.values(), key=self._height, default=None)

    def tell(self, figure: float | None, *, scatter: float = 0.0) -> None:
        """Take what was read at `ask`, with about the standard deviation of it; None for no reading."""
        if self.ask is None:
            raise ValueError("the search has ended")
        if figure is None:
            self._end(Outcome.NO_READING)
            return
        self._told[self.ask] = Trial(number=self.ask, figure=figure, scatter=scatter)
        if self._tolerance is not None and scatter > 2.0 * self._tolerance:
            self._end(Outcome.NOISY)
        elif self._has_two_tops():
            self._end(Outcome.TWO_TOPS)
        elif (open_way := self._open_way()) != 0:
            self._reach_out(open_way)
        else:
            self._narrow()

    # -- until it has fallen on both sides ------------------------------------------------------------------------------

    def _open_way(self) -> int:
        """Return to which side it has not clearly fallen yet: the side that it rises to first; 0 where it has on both."""
        left, right = self._fallen()
        if (left is None) != (right is None):
            return -1 if left is None else 1
        if left is not None:
            return 0
        ordered = sorted(self._told)
        at = ordered.index(self._highest_told().number)
        if len(ordered) == 1 or at * 2 >= len(ordered) - 1:
            return 1 if ordered[-1] < self._highest else -1
        return -1 if ordered[0] > self._lowest else 1

    def _fallen(self) -> tuple[int | None, int | None]:
        """Return the nearest numbers on either side of the best whose figures are clearly lower; None for none."""
        top = self._highest_told()
        least = self._height(top) - CLEARLY * self._noise()
        lower = [one.number for one in self._told.values() if self._height(one) < least]
        return (
            max((one for one in lower if one < top.number), default=None),
            min((one for one in lower if one > top.number), default=None),
        )

    def _reach_out(self, way: int) -> None:
        """Ask further on this side; at the end of the range there is nothing further on."""
        edge = max(self._told) if way > 0 else min(self._told)
        end = self._highest if way > 0 else self._lowest
        if edge == end:
            self._end(self._why_none())
            return
        part = FIRST_PART if len(self._told) == 1 else NEXT_PARTS
        step = max(1, round(part * (self._highest - self._lowest)))
        self.ask = min(end, edge + step) if way > 0 else max(end, edge - step)

    def _why_none(self) -> Outcome:
        """Name why the figure does not fall on both sides."""
        left, right = self._fallen()
        if left is None and right is None:
            return Outcome.BURIED if self._noise() > BURIED * self._quiet else Outcome.DEAD
        top = self._highest_told()
        least = self._height(top) - CLEARLY * self._noise()
        as_high = [one.number for one in self._told.values() if self._height(one) >= least]
        is_wide = max(as_high) - min(as_high) >= FIRST_PART * (self._highest - self._lowest)
        return Outcome.LEVEL if is_wide else Outcome.AT_END

    def _has_two_tops(self) -> bool:
        """Say whether the figure clearly falls and rises again, from the lower to the higher numbers."""
        least = CLEARLY * self._noise()
        heights = [self._height(self._told[number]) for number in sorted(self._told)]
        return any(
            min(max(heights[:at]), max(heights[at + 1 :])) > heights[at] + least
            for at in range(1, len(heights) - 1)
        )

    # -- between the two --------------------------------------------------------------------------------------------------

    def _narrow(self) -> None:
        """Ask where the parabola has its top, until a number was read there and the sides are near enough to place it."""
        left, right = self._fallen()
        assert left is not None
        assert right is not None
        inside = [self._told[number] for number in sorted(self._told) if left <= number <= right]
        unread = [number for number in range(left + 1, right) if number not in self._told]
        if not unread or len(self._told) >= MOST_READINGS:
            self._found(self._highest_told())
            return
        top, bend = parabola([(float(one.number), self._height(one)) for one in inside])
        top = min(right - 1.0, max(left + 1.0, top)) if bend < 0.0 else (left + right) / 2.0
        nearest = min(inside[1:-1], key=lambda one: abs(one.number - top))
        if bend >= 0.0 or abs(bend) * (top - nearest.number) ** 2 > self._as_good() / 2.0:
            self.ask = min(unread, key=lambda one: (abs(one - round(top)), one))
        elif (beside := self._too_far(left, nearest.number, right)) is not None:
            self.ask = beside
        else:
            self._found(nearest)

    def _too_far(self, left: int, top: int, right: int) -> int | None:
        """Return a number between the top and a side that fell so far that it says little of where the top is; None where neither did."""
        least = self._height(self._highest_told()) - FAR * self._as_good()
        for side in (left, right):
            half_way = round((side + top) / 2.0)
            if self._height(self._told[side]) < least and half_way not in self._told:
                return half_way
        return None

    def _found(self, told: Trial) -> None:
        """End with this number, or with the one that stood at first, where that is as good; or say that a rise was a matter of luck."""
        heights = [self._height(one) for one in self._told.values()]
        if self._noise() > self._quiet and max(heights) - min(heights) < 2.0 * CLEARLY * self._noise():
            self._end(Outcome.BURIED)
            return
        stood = self._told[self._start]
        is_as_good = self._height(stood) >= self._height(told) - self._as_good()
        self._best = stood if is_as_good else told
        self._end(Outcome.FOUND)

    def _as_good(self) -> float:
        """Return how far below the best a figure may lie and be as good."""
        return max(self._noise(), (self._tolerance or 0.0) / 2.0)

    def _highest_told(self) -> Trial:
        return max(self._told.values(), key=self._height)

    def _height(self, told: Trial) -> float:
        return self._sign * told.figure

    def _noise(self) -> float:
        return max([self._quiet, *(one.scatter for one in self._told.values())])

    def _end(self, outcome: Outcome) -> None:
        self.outcome = outcome
        self.ask = None


def parabola(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return where the parabola of least squares through three points or more has its top, and its bend (below 0 for a top).

    Where there is no bend, the middle of the points and 0.
    """
    middle = sum(x for x, _ in points) / len(points)
    width = max(x for x, _ in points) - min(x for x, _ in points) or 1.0
    xs = [(x - middle) / width for x, _ in points]
    ys = [y for _, y in points]
    s1, s2, s3, s4 = (sum(x**power for x in xs) for power in (1, 2, 3, 4))
    t0, t1, t2 = (sum(y * x**power for x, y in zip(xs, ys, strict=True)) for power in (0, 1, 2))
    rows = [[float(len(xs)), s1, s2, t0], [s1, s2, s3, t1], [s2, s3, s4, t2]]
    for at, below in itertools.pairwise([0, 1, 2]):
        pivot = max(range(at, 3), key=lambda row: abs(rows[row][at]))
        rows[at], rows[pivot] = rows[pivot], rows[at]
        for row in range(below, 3):
            share = rows[row][at] / rows[at][at]
            rows[row] = [one - share * other for one, other in zip(rows[row], rows[at], strict=True)]
    bend = rows[2][3] / rows[2][2]
    slope = (rows[1][3] - rows[1][2] * bend) / rows[1][1]
    return (middle, 0.0) if bend == 0.0 else (middle - width * slope / (2.0 * bend), bend / width**2)
