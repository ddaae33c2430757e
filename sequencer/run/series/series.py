"""A series of runs: begins each at its time, tries again what the bench spoilt, and stops when told to or in doubt.

The bench is opened for each run anew. So between two runs the unit is unkeyed, generator and supply are off and were read back so, no
address is locked, and an instrument that was lost is looked for again; and nothing that one run leaves behind reaches the next. A bench
that could not be confirmed safe is tried again too: opening it makes it safe before anything else, which is what it needs most.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import count
from types import MappingProxyType
from typing import Literal

from sequencer.problems import InputError
from sequencer.run.interrupt import Interrupted, Stopper
from sequencer.run.series.clock import SeriesClock
from sequencer.run.series.events import (
    Ended,
    RunBegins,
    RunCame,
    SeriesBegan,
    SeriesEnded,
    SeriesEvent,
    SeriesListener,
    StartsLeftOut,
    Summary,
    Trouble,
    UnitSkipped,
    Waits,
)
from sequencer.run.series.stop_file import SAID, StopFile
from sequencer.run.series.tally import Tally
from sequencer.run.series.timetable import Start, Timetable
from sequencer.run.series.turn import RunReport, SeriesUnit, Turn
from sequencer.run.status import ExitStatus

PAUSES_S = (10.0, 60.0, 300.0, 900.0)
"""What is waited before the 1st, 2nd, 3rd try that follows a bench that failed, and before each later one, s."""
RETRIES = 3
MOST_RETRIES = 1000
SLEPT_S = 5.0
"""A wait that ends later by more was slept through: common practice, no source."""

Answer = Literal["ready", "skip", "stop"]
_NONE: Mapping[int, ExitStatus] = MappingProxyType({})


class Series:
    """One series: ``run`` makes a run and reports; ``connect`` asks a person for the next unit, None where nobody need be asked."""

    def __init__(
        self,
        *,
        units: tuple[SeriesUnit, ...],
        timetable: Timetable,
        clock: SeriesClock,
        run: Callable[[Turn], RunReport],
        stopper: Stopper,
        stop_file: StopFile,
        sequence: str,
        bench: str,
        retries: int = RETRIES,
        connect: Callable[[Turn], Answer] | None = None,
        listeners: Iterable[SeriesListener] = (),
        done: Mapping[int, ExitStatus] = _NONE,
        failed: frozenset[int] = frozenset(),
        carried: tuple[str, ...] = (),
        leaves_rest: Callable[[Ended], bool] = lambda why: False,
    ) -> None:
        """Take what is to be run, as the timetable says; of several units each once, in turn, as often as it repeats.

        Of a series that is carried on ``done`` are the runs that are not made again, by number, ``failed`` the numbers of which a try did
        not meet a limit, and ``carried`` says so. ``leaves_rest`` says whether it can be carried on once it has ended so.
        """
        self._units = units
        self._timetable = timetable
        self._clock = clock
        self._run = run
        self._stopper = stopper
        self._stop_file = stop_file
        self._retries = retries
        self._connect = connect
        self._listeners = list(listeners)
        self._tally = Tally(statuses=Counter(done.values()), before=len(done))
        self._done = frozenset(done)
        self._failed = failed
        self._leaves_rest = leaves_rest
        self._last: RunReport | None = None
        self._asleep_s = 0.0  # of the last run
        self._began = SeriesBegan(
            time=clock.now(),
            sequence=sequence,
            bench=bench,
            units=units,
            timetable=timetable,
            virtual=clock.virtual,
            carried=carried,
        )

    def go(self) -> Summary:
        """Make the runs; returns what they came to. Raises InputError where the first could not even begin."""
        self._tell(self._began)
        try:  # held from its end on, as a run holds them: the last lines are still to be said
            why = self._all()
            self._stopper.hold()
        except Interrupted:
            self._stopper.hold()
            why = Ended.STOP_FILE if self._stopper.signal_name == SAID else Ended.SIGNAL
        summary = self._tally.summary(interrupted=why is Ended.SIGNAL)
        signal_name = self._stopper.signal_name if why is Ended.SIGNAL else ""
        self._tell(
            SeriesEnded(
                time=self._clock.now(),
                why=why,
                summary=summary,
                report=self._last,
                signal=signal_name,
                leaves_rest=self._leaves_rest(why),
            )
        )
        return summary

    def _all(self) -> Ended:
        began_s, last = self._clock.elapsed_s(), -1
        for number in (one for one in count(1) if one not in self._done):
            turn = self._turn(number)
            awaited = self._awaited(turn, began_s, last)
            if isinstance(awaited, Ended):
                return awaited
            last = awaited
            answer = self._connect(turn) if self._connect is not None else "ready"
            if answer == "stop":
                return Ended.PERSON
            if answer == "skip":
                self._tally.skipped += 1
                self._tell(UnitSkipped(time=self._clock.now(), turn=turn))
            elif (why := self._tried(turn)) is not None:
                return why
        raise AssertionError("counting does not end")

    def _turn(self, number: int, attempt: int = 1) -> Turn:
        # one unit is measured again and again; behind the last of several there is no turn, only the end
        unit = self._units[min(number, len(self._units)) - 1]
        return Turn(number=number, of=self._timetable.repeat, attempt=attempt, unit=unit)

    def _awaited(self, turn: Turn, began_s: float, last: int) -> int | Ended:
        """Wait for the start after number ``last``, and return its number, or why there will be none.

        A start that the machine slept through is left out as one is that fell into a run: the others keep their times.
        """
        slept = False
        while True:
            passed_s = self._clock.elapsed_s() - began_s
            start = self._timetable.next_start(run=turn.number, last=last, passed_s=passed_s)
            if start is None:
                return Ended.DONE
            if (why := self._waited(start, turn, slept=slept)) is not None:
                return why
            late_s = self._clock.elapsed_s() - began_s - passed_s - start.wait_s
            if late_s <= SLEPT_S or self._timetable.every_s is None:
                return start.number
            last, slept = start.number - 1, True

    def _waited(self, start: Start, turn: Turn, *, slept: bool) -> Ended | None:
        """Wait for a start; return why there will be none."""
        if start.left_out:
            took_s = self._last.bench_s if self._last is not None else 0.0
            self._tally.left_out += start.left_out
            told = StartsLeftOut(time=self._clock.now(), count=start.left_out, took_s=took_s, slept=slept)
            self._tell(told)
        begins = self._clock.now() + timedelta(seconds=start.wait_s)
        if not self._has_room(begins, turn.unit):
            return Ended.UNTIL
        return self._wait(start.wait_s, turn, begins)

    def _has_room(self, begins: datetime, unit: SeriesUnit) -> bool:
        """Say whether a run ends by the end of the timetable: as long as forecast, or as runs of this unit took."""
        needed_s = max(unit.forecast_s, self._tally.longest_s.get(unit.serial, 0.0))
        return self._timetable.has_room(begins, needed_s)

    def _wait(self, seconds: float, turn: Turn, begins: datetime) -> Ended | None:
        self._stopper.check()
        if seconds > 0.0:
            self._tell(Waits(time=self._clock.now(), turn=turn, begins=begins))
        ends_s = self._clock.elapsed_s() + seconds
        while not self._stop_file.is_there():
            left_s = ends_s - self._clock.elapsed_s()
            if left_s <= 0.0:
                return self._over_time(turn, begins)
            self._clock.wait_s(min(left_s, self._clock.longest_wait_s))
            self._stopper.check()
        return Ended.STOP_FILE

    def _over_time(self, turn: Turn, begins: datetime) -> Ended | None:
        """Return that a run which was to begin then does not end in time any more, where that came and went unseen."""
        now = self._clock.now()
        late_s = (now - begins).total_seconds()
        return Ended.UNTIL if late_s > SLEPT_S and not self._has_room(now, turn.unit) else None

    def _tried(self, turn: Turn) -> Ended | None:
        """Make a run, and again where the bench spoilt it; return why the series ends with it."""
        limit_failed = turn.number in self._failed
        for attempt in count(1):
            turn = self._turn(turn.number, attempt)
            self._tell(RunBegins(time=self._clock.now(), turn=turn))
            report = _no_pass(self._made(turn)) if limit_failed else self._made(turn)
            limit_failed = limit_failed or report.limit_failed
            why = self._why_end(report)
            again = why is None and report.try_again and attempt <= self._retries
            pause_s = PAUSES_S[min(attempt, len(PAUSES_S)) - 1]
            begins = self._clock.now() + timedelta(seconds=pause_s)
            if again and not self._has_room(begins, turn.unit):
                again, why = False, Ended.UNTIL
            if again:
                self._tally.tried_again += 1
            else:
                self._tally.count(report, asleep_s=self._asleep_s)
            self._tell(RunCame(time=self._clock.now(), turn=turn, report=report, final=not again))
            if not again:
                return why or _given_up(report)
            if (why := self._wait(pause_s, self._turn(turn.number, attempt + 1), begins)) is not None:
                self._tally.count(report, asleep_s=self._asleep_s)
                self._tally.tried_again -= 1
                return why
        raise AssertionError("counting does not end")

    def _made(self, turn: Turn) -> RunReport:
        asleep_s = self._clock.asleep_s()
        try:
            with self._stopper.as_before():
                report = self._run(turn)
        except InputError as problem:  # what has begun goes on: a folder or a store may come back
            if self._last is None:
                raise
            report = RunReport(
                status=ExitStatus.BENCH_FAILED,
                verdict="The run could not begin.",
                serial=turn.unit.serial,
                model=turn.unit.model,
                problems=(str(problem),),
                safe=self._last.safe,  # as the run before left it: nothing was sent since
                last_line=self._last.last_line,
                table=self._last.table,
                store=self._last.store,
                try_again=True,
                bench_failed=True,
                alike=(str(problem),),
            )
        self._asleep_s = self._clock.asleep_s() - asleep_s
        self._clock.run_over(report.bench_s)
        self._last = report
        return report

    def _why_end(self, report: RunReport) -> Ended | None:
        if self._stopper.requests:
            return Ended.STOP_FILE if self._stopper.signal_name == SAID else Ended.SIGNAL
        if report.batch_stopped:
            return Ended.BATCH
        return Ended.LOST if report.lost else None

    def _tell(self, event: SeriesEvent) -> None:
        """Tell every listener; one that fails is told no more, and never ends the series."""
        for listener in list(self._listeners):
            try:
                listener(event)
            except Exception as error:
                self._listeners.remove(listener)
                text = f"{type(listener).__name__} failed and is told nothing more: {type(error).__name__}: {error}"
                self._tell(Trouble(time=self._clock.now(), text=text))


def _no_pass(report: RunReport) -> RunReport:
    """Return the report of a try of which an earlier one did not meet a limit: nothing is measured again until it passes."""
    return replace(
        report,
        status=max(report.status, ExitStatus.FAILED),
        verdict=f"{report.verdict} An earlier try of this run did not meet a limit.",
        limit_failed=True,
    )


def _given_up(report: RunReport) -> Ended | None:
    """Return why a series ends with a run that is not tried again; None where it goes on."""
    if not report.safe:
        return Ended.UNSAFE
    return Ended.BENCH_FAILED if report.bench_failed else None
