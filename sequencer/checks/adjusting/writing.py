"""A preset that the tool writes by itself: the number is searched, read back and kept, or the one before is put back."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from contextlib import suppress

from drivers.faults import InstrumentFault
from drivers.roles import Reading
from sequencer.checks.adjusting.ceiling import told_too_much
from sequencer.checks.adjusting.presets import Adjusted
from sequencer.checks.adjusting.readers import QUIET, LiveReader
from sequencer.checks.adjusting.turning import Pace, above_rating
from sequencer.checks.finding import Conditions, Finding
from sequencer.frozen import dataclass
from sequencer.inputs.preset import Preset
from sequencer.search.whole import Outcome, WholeSearch
from sequencer.search.whole_best import BestSearch
from sequencer.units.format import format_quantity

BETWEEN_S = 0.1
MOST_LOOKS = 6  # at one number, until two agree
LEAST_LOOKS = 3  # at one number, where the best is looked for: what two scatter by is known too badly


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What came of a search: the number ``before`` and the one that stands ``now``, after so many ``readings`` and ``seconds``.

    ``best`` is the figure at that number, where the best was looked for; None for a target.
    """

    setting: str
    before: int
    now: int
    outcome: Outcome
    readings: int
    seconds: float
    best: float | None = None

    @property
    def note(self) -> str:
        """What a reader of the result must know."""
        if self.now == self.before and self.outcome not in (Outcome.FOUND, Outcome.NEAREST):
            return f"not adjusted: {self.outcome.value}; {self.setting} was put back to {self.before}"
        if self.now == self.before and self.best is not None:
            return f"{self.setting} {self.now}, read back, as before: no better number in {self.readings} readings"
        how = "" if self.outcome is Outcome.FOUND else f"; {self.outcome.value}"
        return f"{self.setting} {self.now}, read back; {self.before} before; {self.readings} readings{how}"


class Writing:
    """The search for one stored setting. `run` leaves the number that was found; whatever else happens, the one before is put back."""

    def __init__(
        self,
        adjusted: Adjusted,
        figure: Finding,
        conditions: Conditions,
        reader: LiveReader,
        pace: Pace,
        rest: Callable[[], None],
    ) -> None:
        preset = adjusted.preset
        assert preset.write is not None
        assert preset.range is not None
        self._preset = preset
        self._setting = preset.write
        self._range = preset.range
        self._tolerance = preset.tolerance or 0.0
        self._unit = figure.unit
        self._quiet = QUIET.get(figure.unit, 0.0)
        self._conditions = conditions
        self._too_much = told_too_much(adjusted, conditions)
        self._reader = reader
        self._pace = pace
        self._rest = rest
        self._stands: int | None = None

    def run(self) -> Written:
        """Search, and leave the number found. Any failure puts back the one before, and is raised again."""
        began_s = self._pace.now_s()
        before = self._stands = self._conditions.read_preset(self._setting)
        search = _search(self._preset, self._range, before, self._quiet)
        try:
            self._reader.prepare()
            while (number := search.ask) is not None:
                self._store(number)
                search.tell(*(read := self._read())[:1], scatter=read[1])
                self._say(number, read[0])
            self._rest()
            self._reader.leave()
            best = search.best
            kept = search.outcome in (Outcome.FOUND, Outcome.NEAREST) and best is not None
            now = best.number if kept and best is not None else before
            self._store(now)
        except BaseException:
            put_back(self._conditions, self._setting, before, self._rest)
            raise
        return Written(
            setting=self._setting,
            before=before,
            now=now,
            outcome=search.outcome or Outcome.NO_READING,
            readings=search.readings,
            seconds=self._pace.now_s() - began_s,
            best=best.figure if kept and best is not None and self._preset.best is not None else None,
        )

    def _store(self, number: int) -> None:
        """Write a number, unless it stands: each write wears what the radio keeps it in."""
        self._rest()
        if number != self._stands:
            self._conditions.write_preset(self._setting, number)
            self._stands = number

    def _read(self) -> tuple[float | None, float]:
        """Read until it is known well enough; return the figure and its scatter, or None and 0 for no reading."""
        self._pace.wait_s(self._reader.settle_s)
        seen: list[float] = []
        for _ in range(MOST_LOOKS):
            reading: Reading = (self._reader.settled or self._reader.read)()
            if reading.number is None:
                return None, 0.0
            if told := self._too_much(reading.number):
                self._pace.release()
                raise above_rating(told)
            seen.append(reading.number)
            if self._is_known(seen):
                break
            self._pace.wait_s(BETWEEN_S)
        if self._preset.best is not None:
            return statistics.fmean(seen), statistics.stdev(seen) / len(seen) ** 0.5
        last = seen[-2:]
        return statistics.fmean(last), max(last) - min(last)

    def _is_known(self, seen: list[float]) -> bool:
        """Say whether readings suffice: two that agree, or for a best, a mean that scatters by no more than half of what is quiet."""
        if self._preset.best is not None:
            return len(seen) >= LEAST_LOOKS and statistics.stdev(seen) / len(seen) ** 0.5 <= self._quiet / 2.0
        return len(seen) > 1 and abs(seen[-1] - seen[-2]) <= max(self._quiet, 0.25 * self._tolerance)

    def _say(self, number: int, figure: float | None) -> None:
        shown = "no reading" if figure is None else format_quantity(figure, self._unit)
        self._conditions.say(f"{self._setting} {number}: {shown}")


def _search(preset: Preset, ends: tuple[int, int], before: int, quiet: float) -> WholeSearch | BestSearch:
    """Return the search for a target, or for the best, from the number that stands."""
    lowest, highest = ends
    start = min(max(before, lowest), highest)
    if preset.best is not None:
        return BestSearch(
            aim=preset.best,
            lowest=lowest,
            highest=highest,
            start=start,
            quiet=quiet,
            tolerance=preset.tolerance,
        )
    tolerance = preset.tolerance or 0.0
    return WholeSearch(
        target=preset.target or 0.0,
        tolerance=tolerance,
        lowest=lowest,
        highest=highest,
        start=start,
        quiet=min(quiet, tolerance / 2.0),
    )


def put_back(conditions: Conditions, setting: str, before: int, rest: Callable[[], None]) -> None:
    """Put back the number that stood before, while something else is being raised. What prevents that is told, and not raised."""
    with suppress(InstrumentFault):
        rest()
    try:
        conditions.write_preset(setting, before)
    except InstrumentFault as fault:
        conditions.warn(f"{setting} could not be put back to {before}, as it stood before: {fault}")
