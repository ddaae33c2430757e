"""Find the whole number at which a figure meets its target: for settings that a radio stores.

It asks for a number and is told what was read there; it knows no instrument. The figure may rise or fall with the number, and bend.
A straight line through the two nearest readings gives the next number, held between the nearest on either side of the target (regula
falsi, with the bracket halved where one end stays: Dowell and Jarratt 1971, from memory). It names why it cannot find one: the figure
does not follow the number, stops following before the target, turns round, scatters beyond the band, or ends short of it.
"""

from __future__ import annotations

from enum import Enum

from sequencer.frozen import dataclass

MOST_READINGS = 16
FIRST_STEP = (
    0.25  # of the range: far enough for a slope, near enough to stay where it is straight; workshop's own
)
LAST_PART = 0.125  # of the range: what is looked at to tell saturated from out of reach; workshop's own
FLAT = 0.25  # of the mean slope: a last part that moves less than this has stopped following; workshop's own
FOLLOWS = 3.0  # times the scatter: what moves by less over a quarter of the range does not follow


class Outcome(Enum):
    """How a search on whole numbers ended."""

    FOUND = "found"
    NEAREST = "no number lies in the band; the nearest was taken"
    DEAD = "the figure does not follow the setting"
    SATURATED = "the figure stops following the setting before its target"
    OUT_OF_REACH = "the figure does not come to its target at the end of the setting's range"
    NOT_MONOTONIC = "the figure turns round: it rises and falls with the setting"
    NOISY = "the figure scatters beyond its band while the setting stands"
    NO_READING = "nothing could be read"
    AT_END = "the figure is best at an end of the setting's range, and may be better beyond"
    LEVEL = (
        "the figure stays at its best as far as an end of the setting's range, so that no number stands out"
    )
    TWO_TOPS = "the figure is best in two parts of the setting's range, with worse between them"
    BURIED = "the figure scatters by more than the setting moves it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What was read at a number, and how far the readings there lay apart."""

    number: int
    figure: float
    scatter: float


class WholeSearch:
    """One search for ``target`` within ``tolerance``, from ``start``, between ``lowest`` and ``highest``.

    Ask `ask` until it is None; `outcome` and `best` then say what came of it. ``quiet`` is what a figure scatters by at least.
    """

    def __init__(
        self, *, target: float, tolerance: float, lowest: int, highest: int, start: int, quiet: float = 0.0
    ) -> None:
        if not lowest < highest or not lowest <= start <= highest or not tolerance > 0.0:
            raise ValueError(f"{lowest} to {highest} from {start} within {tolerance:g}: nothing to search")
        self._target = target
        self._tolerance = tolerance
        self._lowest, self._highest = lowest, highest
        self._quiet = quiet
        self._told: dict[int, Trial] = {}
        self._halve = False
        self.outcome: Outcome | None = None
        self.ask: int | None = start

    @property
    def readings(self) -> int:
        """How many numbers were read."""
        return len(self._told)

    @property
    def best(self) -> Trial | None:
        """The number whose figure lies nearest to the target; None where nothing was read."""
        return min(self._told.values(), key=self._off, default=None)

    def tell(self, figure: float | None, *, scatter: float = 0.0) -> None:
        """Take what was read at `ask`; None for no reading."""
        if self.ask is None:
            raise ValueError("the search has ended")
        if figure is None:
            self._end(Outcome.NO_READING)
            return
        told = Trial(number=self.ask, figure=figure, scatter=scatter)
        self._told[self.ask] = told
        if scatter > 2.0 * self._tolerance:
            self._end(Outcome.NOISY)
        elif self._off(told) <= 0.6 * self._tolerance:  # so that the ordinary check finds it in the band too
            self._end(Outcome.FOUND)
        elif self._turns_round():
            self._end(Outcome.NOT_MONOTONIC)
        elif len(self._told) >= MOST_READINGS:
            self._settle()
        else:
            self._next(told)

    def _next(self, last: Trial) -> None:
        if len(self._told) == 1:
            self.ask = self._first_step(last.number)
            return
        if not self._follows():
            self._ask_ends()
            return
        below, above = self._bracket()
        if below is None or above is None:
            self._reach_out(below or above)
            return
        if abs(above.number - below.number) <= 1:
            self._settle()
            return
        self.ask = self._between(below, above)

    def _first_step(self, number: int) -> int:
        step = max(1, round(FIRST_STEP * (self._highest - self._lowest)))
        return number + step if number + step <= self._highest else max(self._lowest, number - step)

    def _follows(self) -> bool:
        figures = [one.figure for one in self._told.values()]
        return max(figures) - min(figures) > FOLLOWS * self._noise()

    def _ask_ends(self) -> None:
        """Look at the ends of the range, where nothing has moved the figure so far."""
        left = [end for end in (self._highest, self._lowest) if end not in self._told]
        if left:
            self.ask = left[0]
        else:
            self._end(Outcome.DEAD)

    def _bracket(self) -> tuple[Trial | None, Trial | None]:
        """Return the nearest numbers with a figure below and above the target."""
        below = [one for one in self._told.values() if one.figure < self._target]
        above = [one for one in self._told.values() if one.figure >= self._target]
        return (
            max(below, key=lambda one: one.figure, default=None),
            min(above, key=lambda one: one.figure, default=None),
        )

    def _between(self, below: Trial, above: Trial) -> int:
        share = (self._target - below.figure) / (above.figure - below.figure)
        low, high = sorted((below.number, above.number))
        guess = below.number + share * (above.number - below.number)
        if self._halve:
            guess = (guess + (low + high) / 2.0) / 2.0
        # where the last guess moved one end only by a little, the next goes nearer to the middle
        self._halve = not self._halve and min(guess - low, high - guess) < 0.1 * (high - low)
        return min(high - 1, max(low + 1, round(guess)))

    def _reach_out(self, nearest: Trial | None) -> None:
        """Ask beyond the numbers read so far, in the direction of the target, by the slope there."""
        assert nearest is not None
        rising = self._rising()
        towards = 1 if (self._target > nearest.figure) == rising else -1
        end = self._highest if towards > 0 else self._lowest
        edge = max(self._told) if towards > 0 else min(self._told)
        if edge == end:
            self._end_at(end, towards)
            return
        slope = self._slope_at(edge)
        wanted = end if slope == 0.0 else edge + 1.1 * (self._target - self._told[edge].figure) / slope
        if (wanted - edge) * towards <= 0:
            wanted = end
        self.ask = min(self._highest, max(self._lowest, round(wanted)))
        if self.ask in self._told:
            self.ask = end

    def _end_at(self, end: int, towards: int) -> None:
        """End at an end of the range: short of the target, or, where the last part moves nothing, saturated.

        Two readings close together tell no slope beside their scatter, so that the last part is an eighth of the range at least.
        """
        part = max(1, round(LAST_PART * (self._highest - self._lowest)))
        beside = [number for number in self._told if part <= abs(end - number) <= 2 * part]
        if not beside:
            self.ask = end - towards * part
            return
        number = min(beside, key=lambda one: abs(end - one))
        moved = abs(self._told[end].figure - self._told[number].figure)
        figures = [one.figure for one in self._told.values()]
        mean = (max(figures) - min(figures)) / (max(self._told) - min(self._told))
        flat = moved <= FOLLOWS / 2.0 * self._noise() + FLAT * mean * abs(end - number)
        self._end(Outcome.SATURATED if flat else Outcome.OUT_OF_REACH)

    def _rising(self) -> bool:
        first, last = self._told[min(self._told)], self._told[max(self._told)]
        return last.figure > first.figure

    def _slope_at(self, number: int) -> float:
        """Return the slope between a number and its nearest neighbour, per step."""
        here = self._told[number]
        other = min(
            (one for one in self._told.values() if one.number != number),
            key=lambda one: abs(one.number - number),
        )
        return (here.figure - other.figure) / (here.number - other.number)

    def _turns_round(self) -> bool:
        """Say whether the figure clearly rises in one part of the range and falls in another."""
        ordered = [self._told[number] for number in sorted(self._told)]
        least = FOLLOWS * self._noise()
        rises = falls = False
        for at, one in enumerate(ordered):
            for other in ordered[at + 1 :]:
                rises |= other.figure - one.figure > least
                falls |= one.figure - other.figure > least
        return rises and falls

    def _settle(self) -> None:
        best = self.best
        inside = best is not None and self._off(best) <= self._tolerance
        self._end(Outcome.FOUND if inside else Outcome.NEAREST)

    def _noise(self) -> float:
        return max([self._quiet, *(one.scatter for one in self._told.values())])

    def _off(self, told: Trial) -> float:
        return abs(told.figure - self._target)

    def _end(self, outcome: Outcome) -> None:
        self.outcome = outcome
        self.ask = None
