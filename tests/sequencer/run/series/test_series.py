"""The loop by itself: a made-up bench that fails when told to, a clock that jumps, and captured events."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli.unattended.words import event_lines
from sequencer.problems import option_problem
from sequencer.run.interrupt import Interrupted, Stopper
from sequencer.run.series.clock import JumpingClock, WallClock
from sequencer.run.series.events import Ended, RunBegins, RunCame, SeriesEnded, StartsLeftOut, Trouble, Waits
from sequencer.run.series.series import PAUSES_S, SLEPT_S, Answer, Series
from sequencer.run.series.stop_file import SAID, StopFile
from sequencer.run.series.timetable import Timetable
from sequencer.run.series.turn import RunReport, SeriesUnit, Turn
from sequencer.run.status import ExitStatus

BEGAN = datetime(2026, 11, 27, 22, 0, tzinfo=UTC)
UNIT = SeriesUnit(serial="M40-0007", forecast_s=60.0)
GOOD = RunReport(
    status=ExitStatus.PASSED, verdict="All limits met.", serial="M40-0007", run="r", bench_s=60.0
)
FAILED = replace(GOOD, status=ExitStatus.FAILED)
SPOILT = replace(GOOD, status=ExitStatus.BENCH_FAILED, try_again=True, bench_failed=True, bench_s=5.0)
NOT_MEASURED = replace(SPOILT, bench_failed=False)


class Made:
    """A series with made-up runs: what each try reports, in turn; the last report goes on for ever."""

    def __init__(
        self,
        folder: Path,
        reports: Sequence[RunReport | Exception],
        timetable: Timetable,
        *,
        units: tuple[SeriesUnit, ...] = (UNIT,),
        retries: int = 3,
        connect: Callable[[Turn], Answer] | None = None,
        before: Callable[[Turn], None] = lambda turn: None,
        clock: JumpingClock | None = None,
    ) -> None:
        self.events: list[Any] = []
        self.clock = clock or JumpingClock(BEGAN)
        self.stop_file = StopFile(folder / "stop")
        self.stopper = Stopper()
        self._reports = list(reports)
        self._before = before
        self.series = Series(
            units=units,
            timetable=timetable,
            clock=self.clock,
            run=self._run,
            stopper=self.stopper,
            stop_file=self.stop_file,
            sequence="Short",
            bench="bench (simulated)",
            retries=retries,
            connect=connect,
            listeners=[self.events.append],
        )

    def _run(self, turn: Turn) -> RunReport:
        self._before(turn)
        report = self._reports.pop(0) if len(self._reports) > 1 else self._reports[0]
        if isinstance(report, Exception):
            raise report
        self.stopper.hold()  # as a run does from its way out on
        return replace(report, serial=turn.unit.serial)

    def of(self, kind: type[Any]) -> list[Any]:
        """Return the events of a kind."""
        return [one for one in self.events if isinstance(one, kind)]

    @property
    def began_s(self) -> list[float]:
        """When each try began, s after the series."""
        return [(one.time - BEGAN).total_seconds() for one in self.of(RunBegins)]

    @property
    def why(self) -> Ended:
        """Why it made no further run."""
        (ended,) = self.of(SeriesEnded)
        assert isinstance(ended, SeriesEnded)
        return ended.why


def test_runs_begin_on_their_grid_and_the_status_is_the_highest(tmp_path: Path) -> None:
    """Three every half hour; one limit failed, and a failed limit is not tried again."""
    made = Made(tmp_path, [GOOD, FAILED, GOOD], Timetable(repeat=3, every_s=1800.0))
    summary = made.series.go()
    assert made.began_s == [0.0, 1800.0, 3600.0]
    assert (summary.status, summary.made, summary.passed, summary.failed) == (ExitStatus.FAILED, 3, 2, 1)
    assert made.why is Ended.DONE


def test_a_long_run_leaves_starts_out_and_says_so(tmp_path: Path) -> None:
    """65 minutes every 30: the next is at 90, and two are told to be left out."""
    made = Made(tmp_path, [replace(GOOD, bench_s=3900.0), GOOD], Timetable(repeat=2, every_s=1800.0))
    assert made.series.go().left_out == 2
    assert made.began_s == [0.0, 5400.0]
    assert [(one.count, one.took_s) for one in made.of(StartsLeftOut)] == [(2, 3900.0)]


def test_no_run_begins_that_would_not_end_in_time(tmp_path: Path) -> None:
    """By the forecast, and where runs took longer than that by what they took."""
    until = BEGAN + timedelta(seconds=250)
    made = Made(tmp_path, [GOOD], Timetable(until=until))
    assert (made.series.go().made, made.why) == (4, Ended.UNTIL)
    slower = Made(tmp_path, [replace(GOOD, bench_s=90.0)], Timetable(until=until))
    assert slower.series.go().made == 2


def test_what_would_begin_too_late_is_not_waited_for(tmp_path: Path) -> None:
    """The series ends at once, not when the start would have come."""
    made = Made(tmp_path, [GOOD], Timetable(every_s=1800.0, until=BEGAN + timedelta(seconds=1800)))
    made.series.go()
    assert made.of(Waits) == []
    assert made.clock.elapsed_s() == 60.0


def test_what_the_bench_spoilt_is_tried_again_with_growing_pauses(tmp_path: Path) -> None:
    """Two tries fail, the third passes: its status counts, and the tries are counted beside it."""
    made = Made(tmp_path, [SPOILT, SPOILT, GOOD], Timetable(repeat=1))
    summary = made.series.go()
    first, second = PAUSES_S[:2]
    assert made.began_s == [0.0, 5.0 + first, 10.0 + first + second]
    assert PAUSES_S == (10.0, 60.0, 300.0, 900.0)  # each several times the one before
    assert [one.turn.attempt for one in made.of(Waits)] == [2, 3]
    assert [one.turn.attempt for one in made.of(RunBegins)] == [1, 2, 3]
    assert (summary.status, summary.made, summary.tried_again) == (ExitStatus.PASSED, 1, 2)
    assert [one.final for one in made.of(RunCame)] == [False, False, True]


def test_a_limit_that_a_spoilt_try_did_not_meet_is_not_passed_by_the_next(tmp_path: Path) -> None:
    """The first try found a limit not met before an instrument failed; the second meets all: the run is no pass, and says why."""
    both = replace(SPOILT, limit_failed=True)
    made = Made(tmp_path, [both, GOOD, GOOD], Timetable(repeat=2))
    summary = made.series.go()
    assert (summary.status, summary.passed, summary.failed) == (ExitStatus.FAILED, 1, 1)
    _, second, third = made.of(RunCame)
    assert (second.report.status, second.report.limit_failed) == (ExitStatus.FAILED, True)
    assert "An earlier try of this run did not meet a limit" in second.report.verdict
    assert third.report == GOOD


def test_a_bench_that_stays_failed_ends_the_series_within_its_budget(tmp_path: Path) -> None:
    """Three new tries, then no further run: a bench in doubt measures no more units."""
    made = Made(tmp_path, [GOOD, SPOILT], Timetable(repeat=10))
    summary = made.series.go()
    assert len(made.of(RunBegins)) == 1 + 4
    assert (summary.status, made.why) == (ExitStatus.BENCH_FAILED, Ended.BENCH_FAILED)
    assert (summary.made, summary.bench_failed, summary.tried_again) == (2, 1, 3)


def test_what_could_not_be_measured_is_tried_again_and_the_series_goes_on(tmp_path: Path) -> None:
    """No instrument failed: the next run may find a sound unit."""
    made = Made(tmp_path, [NOT_MEASURED, NOT_MEASURED, GOOD], Timetable(repeat=2), retries=1)
    summary = made.series.go()
    assert (summary.made, summary.status, made.why) == (2, ExitStatus.BENCH_FAILED, Ended.DONE)


def test_without_retries_nothing_is_tried_again(tmp_path: Path) -> None:
    """`--retries 0`."""
    made = Made(tmp_path, [SPOILT], Timetable(repeat=5), retries=0)
    made.series.go()
    assert len(made.of(RunBegins)) == 1


def test_a_bench_that_is_not_confirmed_safe_is_opened_again_for_that(tmp_path: Path) -> None:
    """Opening makes it safe before anything else; where that fails too the series ends and says which."""
    unsafe = replace(SPOILT, safe=False, last_line="THE BENCH COULD NOT BE CONFIRMED SAFE: …")
    made = Made(tmp_path, [unsafe], Timetable(repeat=5))
    assert made.series.go().status is ExitStatus.BENCH_FAILED
    assert (len(made.of(RunBegins)), made.why) == (4, Ended.UNSAFE)
    assert Made(tmp_path, [unsafe, GOOD], Timetable(repeat=1)).series.go().status is ExitStatus.PASSED


def test_results_that_stand_nowhere_end_the_series(tmp_path: Path) -> None:
    """What could not be kept is not measured a second time into nothing."""
    lost = replace(GOOD, status=ExitStatus.BENCH_FAILED, lost=True)
    made = Made(tmp_path, [lost], Timetable(repeat=5))
    made.series.go()
    assert (len(made.of(RunBegins)), made.why) == (1, Ended.LOST)


def test_no_try_begins_that_would_not_end_in_time(tmp_path: Path) -> None:
    """The end holds for new tries as for runs."""
    made = Made(tmp_path, [SPOILT], Timetable(until=BEGAN + timedelta(seconds=70)))
    made.series.go()
    assert (len(made.of(RunBegins)), made.why) == (1, Ended.UNTIL)


def test_a_stop_file_ends_it_between_two_runs(tmp_path: Path) -> None:
    """No run was cut short, so the status is that of the runs."""
    made = Made(
        tmp_path,
        [GOOD],
        Timetable(every_s=1800.0),
        before=lambda turn: (tmp_path / "stop").touch() if turn.number == 3 else None,
    )
    summary = made.series.go()
    assert (summary.status, summary.made, made.why) == (ExitStatus.PASSED, 3, Ended.STOP_FILE)


def test_a_run_cut_short_by_the_stop_file_says_what_ended_the_series(tmp_path: Path) -> None:
    """The run asked the stopper; the series names the file, not a signal, and has status 4."""
    cut = replace(GOOD, status=ExitStatus.INTERRUPTED)
    made = Made(tmp_path, [cut], Timetable(repeat=4), before=lambda turn: made.stopper.ask(SAID))
    summary = made.series.go()
    assert (summary.status, summary.made, made.why) == (ExitStatus.INTERRUPTED, 1, Ended.STOP_FILE)


def test_a_signal_while_it_waits_ends_it_with_status_4(tmp_path: Path) -> None:
    """Ctrl-C between two runs: nothing is open, the runs before are counted, and the status says that it was interrupted."""
    made = Made(tmp_path, [GOOD], Timetable(repeat=4, every_s=1800.0))
    wait_s = made.clock.wait_s

    def interrupted(seconds: float) -> None:
        wait_s(seconds)
        made.stopper.requests += 1
        made.stopper.signal_name = "SIGTERM"

    made.clock.wait_s = interrupted  # type: ignore[method-assign]
    summary = made.series.go()
    (ended,) = made.of(SeriesEnded)
    assert (summary.status, summary.made, summary.passed) == (ExitStatus.INTERRUPTED, 1, 1)
    assert (ended.why, ended.signal) == (Ended.SIGNAL, "SIGTERM")


def test_a_signal_after_a_run_begins_no_other(tmp_path: Path) -> None:
    """Also where the next would begin at once, and the signal came while somebody was told of the last."""
    made = Made(tmp_path, [GOOD], Timetable(repeat=4))

    def told(event: Any) -> None:
        if isinstance(event, RunCame):
            made.stopper.requests += 1
            made.stopper.signal_name = "SIGINT"

    made.series._listeners.append(told)
    assert made.series.go().made == 1
    assert (len(made.of(RunBegins)), made.why) == (1, Ended.SIGNAL)


def test_a_try_that_is_not_made_any_more_is_not_counted(tmp_path: Path) -> None:
    """The stop file comes while the bench is given time: the spoilt run stands as it is."""
    made = Made(tmp_path, [SPOILT], Timetable(repeat=2), before=lambda turn: (tmp_path / "stop").touch())
    summary = made.series.go()
    assert (summary.made, summary.bench_failed, summary.tried_again) == (1, 1, 0)
    assert made.why is Ended.STOP_FILE


def test_the_rest_of_a_second_is_waited_too(tmp_path: Path) -> None:
    """A run of 60 s every 60.5 s."""
    made = Made(tmp_path, [GOOD], Timetable(repeat=3, every_s=60.5))
    made.series.go()
    assert made.began_s == [0.0, 60.5, 121.0]


class SleepingClock(JumpingClock):
    """A machine that is suspended for ``nights_s`` in its waits, one after the other, and for ``in_runs_s`` in its first run."""

    def __init__(self, *nights_s: float, in_run_s: float = 0.0) -> None:
        super().__init__(BEGAN)
        self._nights_s = list(nights_s)
        self._in_first_s, self._slept_s = in_run_s, 0.0

    def wait_s(self, seconds: float) -> None:
        """Sleep through it, and as long as the next night is."""
        super().wait_s(seconds + (self._nights_s.pop(0) if self._nights_s else 0.0))

    def asleep_s(self) -> float:
        """Return what it slept in runs: looked at before and after each."""
        before_s, self._slept_s = self._slept_s, self._in_first_s
        return before_s


def test_a_start_that_the_machine_slept_through_is_left_out_and_the_others_keep_their_times(
    tmp_path: Path,
) -> None:
    """Every half hour, asleep in the first wait for over an hour: the next is that at two hours, not one at once."""
    made = Made(tmp_path, [GOOD], Timetable(repeat=3, every_s=1800.0), clock=SleepingClock(4000.0))
    assert made.series.go().left_out == 3
    assert made.began_s == [0.0, 7200.0, 9000.0]
    (told,) = made.of(StartsLeftOut)
    assert (told.count, told.slept) == (3, True)
    assert event_lines(told) == [
        "3 starts left out: this computer was suspended, or this program stood still, when they were due"
    ]


def test_a_wait_that_ends_a_little_late_is_no_sleep(tmp_path: Path) -> None:
    """A busy machine: the run begins at once."""
    made = Made(tmp_path, [GOOD], Timetable(repeat=2, every_s=1800.0), clock=SleepingClock(SLEPT_S))
    assert made.series.go().left_out == 0
    assert made.began_s == [0.0, 1800.0 + SLEPT_S]


def test_no_run_and_no_try_begins_once_the_machine_has_slept_past_the_end(tmp_path: Path) -> None:
    """Neither the start that was waited for, nor another try: by the time of day at which it woke."""
    until = BEGAN + timedelta(seconds=6000)
    made = Made(tmp_path, [GOOD], Timetable(every_s=1800.0, until=until), clock=SleepingClock(28_800.0))
    assert (made.series.go().made, made.why, made.began_s) == (1, Ended.UNTIL, [0.0])
    tried = Made(tmp_path, [SPOILT], Timetable(repeat=1, until=until), clock=SleepingClock(28_800.0))
    assert (tried.series.go().made, tried.why, tried.began_s) == (1, Ended.UNTIL, [0.0])


def test_a_run_in_which_the_machine_slept_says_nothing_of_how_long_the_next_takes(tmp_path: Path) -> None:
    """Of a run of an hour 59 minutes were sleep: the next still fits before the end."""
    long = replace(GOOD, bench_s=3600.0)
    until = BEGAN + timedelta(seconds=3720)
    awake = Made(tmp_path, [long, GOOD], Timetable(repeat=2, until=until))
    assert (awake.series.go().made, awake.why) == (1, Ended.UNTIL)
    slept = Made(
        tmp_path, [long, GOOD], Timetable(repeat=2, until=until), clock=SleepingClock(in_run_s=3540.0)
    )
    assert (slept.series.go().made, slept.why) == (2, Ended.DONE)


def test_starts_go_by_a_clock_that_counts_the_time_asleep(monkeypatch: pytest.MonkeyPatch) -> None:
    """CLOCK_BOOTTIME goes on in sleep, CLOCK_MONOTONIC does not (clock_gettime(2) of Linux): what both say is handed in."""
    boot_s, awake_s = 1000.0, 700.0
    monkeypatch.setattr("sequencer.run.series.clock.boot_s", lambda: boot_s)
    monkeypatch.setattr("sequencer.run.series.clock.time.monotonic", lambda: awake_s)
    clock = WallClock()
    boot_s, awake_s = 4610.0, 710.0
    assert (clock.elapsed_s(), clock.asleep_s()) == (3610.0, 3600.0)


def test_a_run_that_holds_signals_does_not_hold_them_from_the_next(tmp_path: Path) -> None:
    """A run holds signals from its way out on; the next must be stopped by one as the first was."""
    held: list[bool] = []

    def look(turn: Turn) -> None:
        made.stopper.requests = 1
        try:
            with made.stopper.held():
                pass
            held.append(True)
        except Interrupted:
            held.append(False)
        made.stopper.requests, made.stopper._raised_at_s = 0, None

    made = Made(tmp_path, [GOOD], Timetable(repeat=3), before=look)
    made.series.go()
    assert held == [False, False, False]


def test_a_later_run_that_cannot_begin_is_tried_again(tmp_path: Path) -> None:
    """A results folder that is away for a while: the first run's complaint is the input's, a later one is waited out."""
    gone = option_problem("--folder", "results cannot be written here: no space")
    with pytest.raises(type(gone)):
        Made(tmp_path, [gone], Timetable(repeat=2)).series.go()
    made = Made(tmp_path, [GOOD, gone, GOOD], Timetable(repeat=2))
    summary = made.series.go()
    assert (summary.status, summary.made, summary.tried_again) == (ExitStatus.PASSED, 2, 1)


def test_units_are_measured_once_each_in_turn_and_may_be_skipped_or_ended(tmp_path: Path) -> None:
    """The person at the bench connects each; a unit left out is counted, and the end asked for is kept to."""
    units = tuple(replace(UNIT, serial=f"M40-{number:04}") for number in range(1, 6))
    answers: list[Answer] = ["ready", "skip", "ready", "stop"]
    made = Made(tmp_path, [GOOD], Timetable(repeat=5), units=units, connect=lambda turn: answers.pop(0))
    summary = made.series.go()
    assert [one.turn.unit.serial for one in made.of(RunBegins)] == ["M40-0001", "M40-0003"]
    assert [str(one.turn) for one in made.of(RunBegins)] == ["run 1 of 5", "run 3 of 5"]
    assert (summary.made, summary.skipped, made.why) == (2, 1, Ended.PERSON)


def test_a_listener_that_fails_is_told_no_more_and_costs_nothing(tmp_path: Path) -> None:
    """The others hear that it failed."""
    made = Made(tmp_path, [GOOD], Timetable(repeat=2))

    def broken(event: Any) -> None:
        raise RuntimeError("no")

    made.series._listeners.append(broken)
    assert made.series.go().passed == 2
    assert [one.text for one in made.of(Trouble)] == [
        "function failed and is told nothing more: RuntimeError: no"
    ]


def test_a_series_that_leaves_something_on_says_so_in_its_status_also_when_it_was_interrupted(
    tmp_path: Path,
) -> None:
    """Ctrl-C in a run, and the bench not confirmed safe afterwards: 3, as of a single run; a bench that is safe again later is not."""
    unsafe = replace(SPOILT, safe=False)
    made = Made(
        tmp_path,
        [GOOD, unsafe],
        Timetable(repeat=5),
        retries=0,
        before=lambda turn: made.stopper.handle(2, None) if turn.number == 2 else None,
    )
    made.stopper.hold()
    summary = made.series.go()
    assert made.why is Ended.SIGNAL
    assert summary.status is ExitStatus.BENCH_FAILED
    again = Made(tmp_path, [unsafe, GOOD], Timetable(repeat=1), retries=1)
    assert again.series.go().status is ExitStatus.PASSED
