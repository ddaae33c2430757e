"""What is left of a run: the forecasts of its steps, less what has passed, at the pace of what is done."""

from __future__ import annotations

from collections.abc import Mapping

CERTAIN_S = 5.0
"""How much of forecast time counts as kept before the first step ends: a short first step says little about the pace."""
PACES = (0.5, 4.0)
OVERDUE = 0.1
"""A check that takes longer than forecast is taken to need a tenth more of what it took."""


class TimeLeft:
    """Counts down a run of forecast steps (by index, in the order in which they are made, s). Times are the bench's clock, s.

    The pace is the time that finished steps took over the time forecast for them: on a bench whose instruments answer slowly
    everything takes longer by about the same part.
    """

    def __init__(self, forecasts_s: Mapping[int, float]) -> None:
        self._forecasts_s = dict(forecasts_s)
        self._index: int | None = None
        self._began_s = 0.0
        self._said_s = CERTAIN_S
        self._took_s = CERTAIN_S

    def begin(self, index: int, now_s: float) -> None:
        """Say that the step ``index`` begins; those before it are over."""
        self._index, self._began_s = index, now_s
        in_order = list(self._forecasts_s)
        for passed in in_order[: in_order.index(index)] if index in self._forecasts_s else ():
            del self._forecasts_s[passed]

    def end(self, now_s: float) -> None:
        """Say that the step is over."""
        if self._index is None:
            return
        said_s = self._forecasts_s.pop(self._index, 0.0)
        if said_s > 0.0:  # a confirmation takes what it takes, and says nothing about the bench
            self._said_s += said_s
            self._took_s += now_s - self._began_s
        self._index = None

    def left_s(self, now_s: float) -> float:
        """Return about how long the run still takes, s: the rest of the step under way, and all that follow."""
        pace = min(max(self._took_s / self._said_s, PACES[0]), PACES[1])
        whole_s = pace * sum(self._forecasts_s.values())
        if self._index is None:
            return whole_s
        passed_s = now_s - self._began_s
        of_this_s = pace * self._forecasts_s.get(self._index, 0.0)
        if of_this_s <= 0.0:
            return whole_s
        return whole_s - of_this_s + max(of_this_s - passed_s, OVERDUE * passed_s)
