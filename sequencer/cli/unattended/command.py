"""`run` of several runs: prepares all of them before the first begins, and puts the series together."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from sequencer.bench.simulation import specimen_for
from sequencer.cli.common.bench import bench_title
from sequencer.cli.resume import prepare_rest
from sequencer.cli.run import Asked, Prepared, execute, new_run, prepare, tell_beforehand
from sequencer.cli.run_told import as_plain, tell
from sequencer.cli.screens.operator import TerminalPerson
from sequencer.cli.unattended.carried import CarriedOn, book_of, carried_on, made_safe
from sequencer.cli.unattended.log import HumanLog
from sequencer.cli.unattended.message import Notifications
from sequencer.cli.unattended.options import Unattended
from sequencer.cli.unattended.report import report_of
from sequencer.cli.unattended.screen import SeriesScreen
from sequencer.cli.unattended.together import (
    channels_of,
    listed_or_one,
    nobody_to_connect,
    refuse_no_room,
    refuse_together,
    timetable_of,
)
from sequencer.cli.unattended.watched import WatchedSeries
from sequencer.cli.unattended.words import unit_text
from sequencer.frozen import dataclass
from sequencer.inputs.lists.unit_list import ListedUnit, read_unit_list
from sequencer.problems import Complaint, FileProblems, printable
from sequencer.results.store.place import find_place
from sequencer.run.events import CheckEnded, Event, Listener
from sequencer.run.interrupt import Stopper, stoppable
from sequencer.run.keeping.bench_now import BenchTeller
from sequencer.run.series.clock import JumpingClock, SeriesClock, WallClock
from sequencer.run.series.events import Trouble
from sequencer.run.series.notify import Channel
from sequencer.run.series.series import RETRIES, Answer, Series
from sequencer.run.series.stop_file import STOP_NAME, StopBetweenChecks, StopFile, stop_at_questions
from sequencer.run.series.teller import Teller
from sequencer.run.series.timetable import Timetable
from sequencer.run.series.turn import RunReport, SeriesUnit, Turn
from sequencer.run.status import ExitStatus
from sequencer.units.format import counted


def series_command(asked: Asked, series: Unattended, *, as_json: bool) -> int:
    """Make the runs; returns the highest exit status of them."""
    with stoppable() as stopper:  # from the files to the last line, as of a single run
        refuse_together(asked, series)
        stop_file = StopFile(series.stop_file or asked.folder / STOP_NAME)
        stop_file.refuse_old()
        stop_at_questions(stop_file, stopper)
        clock: SeriesClock = WallClock()
        listed = read_unit_list(series.units) if series.units is not None else ()
        timetable = timetable_of(series, clock.now(), len(listed))
        runs = _prepared(asked, series, listed)
        first = runs[0].prepared
        refuse_no_room(timetable, clock.now(), first.plan.forecast_s)
        if series.units is not None and not _lies_there_by_itself(first) and not first.people.terminal:
            raise nobody_to_connect(first.plan.bench.path, len(runs))
        channels = channels_of(series)
        if asked.dry_run or (_lies_there_by_itself(first) and first.plan.bench.bench.clock == "virtual"):
            clock = JumpingClock(clock.now())
        book = book_of(first.asked, series, timetable, first.plan, tuple(one.unit for one in runs))
        with closing(book) if book is not None else nullcontext():
            carried = None if book is None else carried_on(book, first, timetable, series)
            tell_beforehand(first, carries_on=carried is not None and bool(carried.rest))
            made = _SeriesOfCommand(
                runs=runs,
                series=series,
                timetable=timetable,
                clock=clock,
                stopper=stopper,
                stop_file=stop_file,
                as_json=as_json,
                carried=carried,
            )
            if carried is not None and (status := made_safe(carried.rest)) is not None:
                return int(status)
            return made.go(channels)


def _lies_there_by_itself(prepared: Prepared) -> bool:
    """Say whether this process simulates the bench: its specimen is the unit asked for. One that is served elsewhere keeps its own."""
    return prepared.asked.dry_run or prepared.plan.bench.bench.visa == "sim"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Listed:
    """A unit with the run that is prepared for it."""

    prepared: Prepared
    unit: SeriesUnit


def _prepared(asked: Asked, series: Unattended, listed: tuple[ListedUnit, ...]) -> list[_Listed]:
    """Prepare a run of each unit. Raises FileProblems with what is wrong with any of them."""
    found: list[_Listed] = []
    complaints: dict[Complaint, None] = {}
    for one, comment, line in listed_or_one(asked, listed):
        try:
            prepared = prepare(one)
            if _lies_there_by_itself(
                prepared
            ):  # see that there is such a specimen before the first is measured
                specimen_for(prepared.plan.bench, prepared.asked.serial, dry_run=one.dry_run)
        except FileProblems as problems:
            complaints |= dict.fromkeys(_of_line(problems, series.units, one.serial, line))
            continue
        unit = SeriesUnit(
            serial=prepared.asked.serial,
            model=prepared.model,
            comment=comment,
            forecast_s=prepared.plan.forecast_s,
        )
        found.append(_Listed(prepared=prepared, unit=unit))
    if complaints:
        raise FileProblems(complaints)
    return found


def _of_line(problems: FileProblems, path: Path | None, serial: str, line: int) -> list[Complaint]:
    """Return complaints about a unit of the list; one that names no file is about the unit's line."""
    if not line:
        return list(problems.complaints)
    return [
        Complaint(
            file=str(path),
            line=line,
            column=1,
            message=f"{printable(serial)}: {one.message}",
            allowed=one.allowed,
            hint=one.hint,
        )
        if one.file.startswith("--")
        else one
        for one in problems.complaints
    ]


class _SeriesOfCommand:
    """One series of the command line: makes its runs and has them shown, written down and told."""

    def __init__(
        self,
        *,
        runs: list[_Listed],
        series: Unattended,
        timetable: Timetable,
        clock: SeriesClock,
        stopper: Stopper,
        stop_file: StopFile,
        as_json: bool,
        carried: CarriedOn | None = None,
    ) -> None:
        from sequencer.cli.common.console import console_for

        self._runs = {one.unit.serial: one.prepared for one in runs}
        self._first = runs[0].prepared
        self._units = tuple(one.unit for one in runs)
        self._series = series
        self._timetable = timetable
        self._clock = clock
        self._stopper = stopper
        self._stop_file = stop_file
        self._as_json = as_json
        self._carried = carried
        self._rest = dict(carried.rest) if carried is not None else {}
        self._single = timetable.repeat == 1
        self._screen = SeriesScreen(console_for(stderr=True), as_json=as_json, whole=self._single)
        self._teller = None if self._single else self._make_teller()
        self._log = self._make_log()
        self._bench_s = 0.0
        self._supply_off = False

    def _make_teller(self) -> BenchTeller:
        """Return who says in the store what the bench does, also between the runs."""
        first = self._first
        return BenchTeller(
            find_place(first.asked.folder, first.asked.store),
            bench=bench_title(first.plan.bench, dry_run=first.simulated),
            simulated=first.simulated,
            program="series",
            station=first.line.station,
        )

    def _make_log(self) -> HumanLog | None:
        folder, bench = self._first.asked.folder, self._first.plan.bench.path.stem
        path = self._series.log or (None if self._single else folder / f"{bench}.log")
        return HumanLog(path, self._clock, other_use=self._other_use) if path is not None else None

    def _other_use(self, path: Path) -> str:
        """Return what a path is to the series beside its log; empty where it is nothing."""
        asked = self._first.asked
        if find_place(asked.folder, asked.store).is_at(path):
            return "the store"
        return "the file that stops the series" if path.resolve() == self._stop_file.path.resolve() else ""

    def go(self, channels: list[Channel]) -> int:
        """Make the runs, and say how it was left."""
        self._say_beforehand()
        listeners: list[Callable[[Any], None]] = [self._screen]
        if self._teller is not None:
            listeners.append(WatchedSeries(self._teller))
        if self._log is not None:
            listeners.insert(0, self._log.of_series)
        if channels:
            listeners.append(Notifications(Teller(channels, self._stopper, self._complain)))
        carried = self._carried
        if carried is not None:
            listeners.append(carried.book)
        made = Series(
            units=self._units,
            timetable=self._timetable,
            clock=self._clock,
            run=self._run,
            stopper=self._stopper,
            stop_file=self._stop_file,
            sequence=self._first.plan.sequence.sequence.sequence,
            bench=bench_title(self._first.plan.bench, dry_run=self._first.simulated),
            retries=self._retries(),
            connect=self._connect if self._asks_for_units() else None,
            listeners=listeners,
            done=carried.statuses if carried is not None else {},
            failed=frozenset(carried.book.failed) if carried is not None else frozenset(),
            carried=carried.said if carried is not None else (),
            leaves_rest=carried.book.leaves_rest if carried is not None else lambda why: False,
        )
        with self._teller or nullcontext():
            status = made.go().status
        if self._log is not None:
            self._log.close()
            if self._log.failed:
                where = printable(str(self._log.path))
                click.echo(f"The log {where} is not whole: {self._log.failed}.", err=True)
        if carried is not None and carried.book.problem:
            where = printable(str(carried.book.path))
            click.echo(
                f"{where}, by which a series is carried on, is not whole: {carried.book.problem}.", err=True
            )
        if self._screen.failed:
            click.echo(
                f"Standard output could not be written to: {self._screen.failed}. What stands there is cut short.",
                err=True,
            )
            status = max(status, ExitStatus.BENCH_FAILED)
        return int(status)

    def _asks_for_units(self) -> bool:
        return self._series.units is not None and not _lies_there_by_itself(self._first)

    def _retries(self) -> int:
        if self._series.retries is not None:
            return self._series.retries
        return 0 if self._single else RETRIES

    def _say_beforehand(self) -> None:
        if (
            (confirmations := self._first.plan.confirmations)
            and not self._first.asked.confirmed
            and not self._single
        ):
            click.echo(
                f"Each run asks for {counted(confirmations, 'confirmation')}; --confirmed states them for all.",
                err=True,
            )
        if not self._single:
            stop = printable(str(self._stop_file.path))
            said = f"Create the file {stop} to stop it before the next check; Ctrl-C stops it at once."
            log = f" Log: {printable(str(self._log.path))}." if self._log is not None else ""
            click.echo(said + log, err=True)

    def _run(self, turn: Turn) -> RunReport:
        self._bench_s = 0.0
        listeners: list[Listener] = [StopBetweenChecks(self._stop_file, self._stopper), self._pass_time]
        if self._log is not None:
            listeners.append(self._log.of_run)
        prepared, said = self._prepared(turn)
        if (carried := self._carried) is not None:
            run = prepared.asked.run
            listeners.append(lambda event: carried.book.begins(event, turn.number, run, turn.unit.serial))
        ran = execute(
            prepared,
            listeners=listeners,
            head="" if self._single else str(turn),
            said=said,
            teller=self._teller,
        )
        self._supply_off = ran.outcome.safe_state.confirmed
        if self._as_json:
            self._screen.show_json(as_plain(ran), turn)
        elif self._single:
            tell(ran, as_json=False)
        if not self._single and ran.record.kept is not None:
            click.echo(ran.record.kept.nowhere_as_csv(), nl=False, err=self._as_json)
        return report_of(ran)

    def _prepared(self, turn: Turn) -> tuple[Prepared, tuple[str, ...]]:
        """Return the run of a turn, with its name: what is left of one that was cut short, or all of it."""
        prepared = self._runs[turn.unit.serial]
        if (seen := self._rest.pop(turn.number, None)) is not None:
            asked = prepared.asked
            try:
                rest, said = prepare_rest(
                    seen.path, confirmed=asked.confirmed, folder=asked.folder, store=asked.store
                )
            except FileProblems as problems:
                self._complain(f"{turn}: run {seen.run} cannot be carried on, and is made anew: {problems}")
            else:
                return replace(rest, asked=replace(rest.asked, run=seen.run)), said
        return replace(prepared, asked=replace(prepared.asked, run=new_run(prepared.simulated))), ()

    def _pass_time(self, event: Event) -> None:
        if isinstance(event, CheckEnded):
            self._bench_s += event.bench_s
            self._clock.in_run(self._bench_s)

    def _complain(self, text: str) -> None:
        event = Trouble(time=self._clock.now(), text=text)
        self._screen(event)
        if self._log is not None:
            self._log.of_series(event)

    def _connect(self, turn: Turn) -> Answer:
        """Ask for the next unit. Whoever does not answer any more has gone: that stops it."""
        person = TerminalPerson()
        unit = unit_text(turn.unit)
        caution = (
            "" if self._supply_off else "The supply is not known to be off: look before you touch a plug. "
        )
        question = f"{caution}Unit {turn.number} of {turn.of}: connect {unit}. Measure it? [y: yes, s: skip it, q: end here]: "
        while True:
            try:
                said = person.ask(question)
            except TimeoutError:
                return "stop"
            self._stopper.check()
            if said is None:
                return "stop"
            if (answer := _ANSWERS.get(said.strip().lower())) is not None:
                return answer
            click.echo("  allowed: y, s or q", err=True)


_ANSWERS: dict[str, Answer] = {
    "y": "ready",
    "yes": "ready",
    "s": "skip",
    "skip": "skip",
    "q": "stop",
    "quit": "stop",
}
