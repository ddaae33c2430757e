"""How long each check took on the bench's clock, and what of that was settling, resting, or a person."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from drivers.trace import Direction, Exchange
from sequencer.bench.open_bench import OpenBench
from sequencer.results.line import CheckSeconds

OF_PEOPLE = ("confirm", "enter_reading")
"""The checks whose whole time is a person's."""

_NONE = CheckSeconds(bench_s=0.0, settling_s=0.0, resting_s=0.0)


class CheckWatch:
    """Times the checks of one run, by their numbers; one may go on while the next begins (`take` gives its time then)."""

    def __init__(self, bench: OpenBench) -> None:
        self._bench = bench
        self._began: dict[int, tuple[float, float, float]] = {}
        self._took: dict[int, CheckSeconds] = {}

    def begin(self, index: int) -> None:
        """Start timing a check."""
        self._began[index] = self._now()

    def set_aside(self, index: int) -> bool:
        """Stop timing a check, if it is under way; say whether it was."""
        if (began := self._began.pop(index, None)) is None:
            return False
        took_s, waited_s, rested_s = (now - then for now, then in zip(self._now(), began, strict=True))
        self._took[index] = CheckSeconds(
            bench_s=took_s, settling_s=max(0.0, waited_s - rested_s), resting_s=rested_s
        )
        return True

    def took(self, index: int) -> CheckSeconds:
        """Return what a check took that was set aside; no time for one that never began."""
        return self._took.get(index, _NONE)

    def _now(self) -> tuple[float, float, float]:
        tally = self._bench.tally
        return tally.now_s(), tally.waited_s, tally.rested_s


def person_s(check: str, took_s: float, said: Iterable[Exchange], by_hand: Collection[str]) -> float:
    """Return how long a check waited for a person, s, ``took_s`` at most: all of one that only asks, else from question to answer.

    ``by_hand`` names the instruments that a person works.
    """
    if check in OF_PEOPLE:
        return took_s
    asked: dict[str, float] = {}
    waited_s = 0.0
    for one in said:
        if one.instrument not in by_hand:
            continue
        if one.direction is Direction.SENT:
            asked[one.instrument] = one.time_s
        elif one.instrument in asked:
            waited_s += one.time_s - asked.pop(one.instrument)
    return min(max(0.0, waited_s), took_s)
