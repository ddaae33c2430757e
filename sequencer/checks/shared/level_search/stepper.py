"""The loop between a search and the receive side: set the level, wait, read, keep the point at the level that reads back."""

from __future__ import annotations

from collections.abc import Callable

from drivers.roles import RangeState, Reading
from sequencer.checks.finding import Conditions
from sequencer.results.model import Point
from sequencer.safety.receive import ReceiveSide
from sequencer.search.protocol import AsDone, Ask, NoReading
from sequencer.search.switching import Lit, Shown

_NOTHING = {
    RangeState.OVER_RANGE: NoReading.OVER_RANGE,
    RangeState.UNDER_RANGE: NoReading.UNDER_RANGE,
    RangeState.NO_MEASUREMENT: NoReading.NO_MEASUREMENT,
}


class Stepper:
    """Answers a search's asks on the receive side and keeps every point for the record."""

    def __init__(
        self,
        side: ReceiveSide,
        conditions: Conditions,
        read: Callable[[float], Reading],
        *,
        unit: str,
        set_level: Callable[[float], float] | None = None,
    ) -> None:
        self._side = side
        self._set_level = set_level or side.set_level_dbm
        self._conditions = conditions
        self._read = read
        self._unit = unit
        self._asked_db: float | None = None
        self._made_db = 0.0
        self.points: list[Point] = []

    def measure(self, ask: Ask) -> float | NoReading | AsDone[float | NoReading]:
        """Set the level if it changes, wait as asked, read, and tell."""
        if ask.level_db != self._asked_db:
            self._made_db = self._set_level(ask.level_db)
            self._asked_db = ask.level_db
        if ask.wait_s > 0:
            self._side.wait_s(ask.wait_s)
        reading = self._read(ask.reading_s)
        self.points.append(
            Point(
                level_db=self._made_db,
                reading=reading.number,
                state=reading.state.value,
                reading_s=ask.reading_s if reading.reading_s is None else reading.reading_s,
                at_s=self._side.now_s(),
            )
        )
        shown = reading.state.value if reading.number is None else f"{reading.number:.4g} {self._unit}"
        self._conditions.say(f"{self._made_db:.1f} dBm: {shown}")
        value = reading.number if reading.number is not None else _NOTHING[reading.state]
        read_s = ask.reading_s if reading.reading_s is None else reading.reading_s
        if read_s == ask.reading_s and self._made_db == ask.level_db:
            return value
        return AsDone(value=value, reading_s=read_s, level_db=self._made_db)

    def test(self, ask: Ask, edge: float, *, lit_above: bool = True) -> Lit | AsDone[Lit]:
        """Do what `measure` does, and tell whether the reading lies above ``edge``, or below it: for what switches."""
        reading = self.measure(ask)
        if isinstance(reading, AsDone):
            lit = _is_lit(reading.value, edge, lit_above)
            return AsDone(value=lit, reading_s=reading.reading_s, level_db=reading.level_db)
        return _is_lit(reading, edge, lit_above)


def _is_lit(reading: float | NoReading, edge: float, lit_above: bool) -> Lit:
    if isinstance(reading, NoReading):
        return reading
    return Shown(reading - edge if lit_above else edge - reading)
