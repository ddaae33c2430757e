"""Measures one unit after another on a bench that stays open, and looks up what is known of a serial."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from typing_extensions import override

from drivers.faults import InstrumentFault
from sequencer.bench.locks import BenchBusy
from sequencer.bench.open_bench import BenchUnsafe
from sequencer.bench.simulation import specimen_for
from sequencer.cli.common.bench import any_serial
from sequencer.cli.run import Asked, Prepared, Ran, facts_of_run, prepare
from sequencer.cli.screens.summary import not_met
from sequencer.cli.station.person import PersonAtStation
from sequencer.cli.unattended.report import report_of, wrong_lines
from sequencer.frozen import dataclass
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.model_file import fits_own_model
from sequencer.problems import InputError
from sequencer.results.model import Result
from sequencer.results.store.place import find_place
from sequencer.results.store.problems import StoreProblem
from sequencer.run.events import CheckEnded, CheckStarted, Event, StepTaken
from sequencer.run.interrupt import Stopper
from sequencer.run.line.admission import Earlier, Known
from sequencer.run.line.face import Verdict
from sequencer.run.line.kept_bench import KeptBench
from sequencer.run.line.station import Measuring, UnitReport
from sequencer.run.people.confirm import Confirmer, GivenBeforehand
from sequencer.run.record import Record
from sequencer.run.runner import Runner
from sequencer.run.status import ExitStatus
from sequencer.safety.state import SafeState
from sequencer.uncertainty.decision import Decision
from sequencer.units.format import time_text

MOST_EARLIER = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A sequence by its file, and the name that its results carry."""

    path: Path
    name: str


class Measured(Measuring[Prepared]):
    """The bench of a station. ``listed`` are the serials of a list, None without one; ``person`` answers what a check asks."""

    def __init__(
        self,
        asked: Asked,
        bench: LoadedBench,
        *,
        sequence: Named,
        stopper: Stopper,
        person: PersonAtStation | None = None,
        listed: frozenset[str] | None = None,
        models: Mapping[str, str] | None = None,
        cut_short: Mapping[str, str] | None = None,
        told: Callable[[Ran], None] = lambda ran: None,
    ) -> None:
        """``models`` names the model of a listed serial, ``cut_short`` the run of a serial that did not end; ``told`` hears of each run."""
        self._asked = asked
        self._loaded = bench
        self._sequence = sequence
        self._simulated = asked.dry_run or bench.bench.simulated
        self._bench = KeptBench(bench, dry_run=asked.dry_run, person=person)
        self._stopper = stopper
        self._person = person
        self._listed = listed
        self._models = models or {}
        self._cut_short = dict(cut_short or {})
        self._tell_ran = told

    # -- before -------------------------------------------------------------------------------------------------------

    @override
    def known(self, serial: str) -> Known:
        fits, trouble = None, ""
        try:
            fits = self._fits(serial)
        except InputError as problem:
            trouble = problem.complaints[0].message
        today: tuple[Earlier, ...] = ()
        try:
            today = self._today(serial)
        except StoreProblem as problem:
            trouble = str(problem)
        return Known(
            listed=None if self._listed is None else serial in self._listed,
            fits=fits,
            today=today,
            cut_short=self._cut_short.get(serial, ""),
            trouble=trouble,
        )

    def _fits(self, serial: str) -> bool | None:
        if self._asked.model or self._models.get(serial):
            return None
        return fits_own_model(serial, self._sequence.path, self._loaded.path.parent)

    def _today(self, serial: str) -> tuple[Earlier, ...]:
        from sequencer.results.store.store import Store, Wanted

        place = find_place(self._asked.folder, self._asked.store)
        if place.path is not None and not place.path.exists():
            return ()
        midnight = datetime.now().astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
        wanted = Wanted(serials=(serial,), sequence=self._sequence.name, since=midnight, measured=True)
        with Store.open_to_read(place) as store:
            runs = store.read_runs(wanted, limit=MOST_EARLIER)
        alike = [one for one in runs if one.simulated == self._simulated]
        return tuple(
            Earlier(when=f"{one.time:%H:%M}", said=_said_of(one.decisions), run=one.run)
            for one in reversed(alike)
        )

    @override
    def prepare(self, serial: str, reason: str) -> Prepared:
        asked = replace(self._asked, serial=serial, model=self._asked.model or self._models.get(serial, ""))
        prepared = prepare(asked)
        if (
            self._asked.dry_run or self._loaded.bench.visa == "sim"
        ):  # that there is such a specimen, before anything is said to begin
            specimen_for(self._loaded, serial, dry_run=self._asked.dry_run)
        return prepared

    # -- a unit -------------------------------------------------------------------------------------------------------

    @override
    def measure(self, job: Prepared, tell: Callable[[str], None]) -> UnitReport:
        ran = self._ran(job, tell)
        self._cut_short.pop(job.asked.serial, None)
        self._tell_ran(ran)
        return unit_report(ran)

    def _ran(self, job: Prepared, tell: Callable[[str], None]) -> Ran:
        asked, plan = job.asked, job.plan
        bench = self._bench
        opened = bench.take(asked.serial, plan.sequence)
        assert bench.parts is not None
        person = self._person
        given = GivenBeforehand()
        confirmer: Confirmer = given if asked.confirmed or person is None else person
        cables: Confirmer = given if (asked.confirmed and job.simulated) or person is None else person
        before = 0 if bench.parts.simulation is None else len(bench.parts.simulation.hazards)
        with (
            self._stopper.as_before(),
            Record(asked.folder, facts_of_run(job, bench.parts), store=asked.store) as record,
        ):
            runner = Runner(
                plan,
                bench.parts,
                record,
                confirmer,
                [_Progress(len(plan.steps), tell)],
                cables=cables,
                enterer=job.people.enterer(person),
                bench=opened,
            )
            outcome = runner.run()
        simulation = bench.parts.simulation
        hazards = () if simulation is None else simulation.hazards[before:]
        return Ran(facts=record.facts, outcome=outcome, record=record, hazards=tuple(hazards))

    def open_first(self) -> tuple[bool, str, str]:
        """Open the bench before the first unit and make it safe; returns as `open_again`, and what an earlier process left pressed."""
        safe, said = self.open_again()
        return safe, said, self._bench.left_keyed

    @override
    def open_again(self) -> tuple[bool, str]:
        self._bench.close()
        serial = any_serial(self._loaded) if self._loaded.bench.simulated else ""
        opened = self._bench.take(serial)
        try:
            opened.open()
            state = opened.make_safe(last=True)
        except (InstrumentFault, BenchBusy, BenchUnsafe) as fault:
            opened.close()
            return False, str(fault)
        except BaseException:
            opened.close()
            raise
        return state.confirmed, safe_words(state)

    @override
    def why_stop(self) -> str:
        return ""

    def close(self) -> SafeState | None:
        """Make the bench safe and let go of it; None where it was never opened."""
        return self._bench.close()


class _Progress:
    """Says at which check a run is, and how long it still takes."""

    def __init__(self, checks: int, tell: Callable[[str], None]) -> None:
        self._checks = checks
        self._tell = tell
        self._done = 0
        self._label = ""

    def __call__(self, event: Event) -> None:
        """Take one event of the run."""
        match event:
            case CheckStarted():
                self._label = event.label
            case CheckEnded():
                self._done += 1
            case StepTaken():
                pass
            case _:
                return
        left = f", {time_text(event.remaining_s)} left" if event.remaining_s > 0.0 else ""
        self._tell(f"{self._label}, {min(self._done + 1, self._checks)} of {self._checks} checks{left}")


def unit_report(ran: Ran) -> UnitReport:
    """Return what is shown of a run."""
    report, state = report_of(ran), ran.outcome.safe_state
    wrong = not_met(ran.outcome.results)
    bench = report.bench_failed or not report.safe
    verdict = Verdict.PASS
    if report.limit_failed:
        verdict = Verdict.FAIL
    elif bench:
        verdict = Verdict.BENCH
    elif ran.status is not ExitStatus.PASSED:
        verdict = Verdict.NOT_MEASURED
    lines = tuple(wrong_lines(report))
    return UnitReport(
        serial=report.serial,
        model=report.model,
        verdict=verdict,
        status=ran.status,
        safe=report.safe,
        safe_why=safe_words(state),
        wrong=tuple(line.removeprefix("fail: ") for line in lines),
        look_at=look_at(wrong),
        bench=lines if bench else (),
        run=report.run,
    )


def look_at(wrong: list[Result]) -> str:
    """Return which check to look at first: the first that failed, else the first that was not measured."""
    failed = [one for one in wrong if one.decision is not Decision.NOT_MEASURED]
    first = next(iter(failed or wrong), None)
    if first is None:
        return ""
    where = "" if first.channel is None else f", channel {first.channel}"
    return f"check {first.check}{where}"


def safe_words(state: SafeState) -> str:
    """Return what of a bench was read back, or what could not be, as the station says it."""
    if state.problems:
        return "; ".join(text.rstrip(".") for text in state.problems) + ". Remove the supply from the unit."
    if not state.touched:
        return "nothing was sent to the bench."
    known = [f"{', '.join(state.off)}, {'each ' * (len(state.off) > 1)}read back"] if state.off else []
    known += [f"{', '.join(state.said)}, by your word"] if state.said else []
    return ("; ".join(known) or "nothing on this bench can transmit or be switched off") + "."


def _said_of(decisions: Mapping[str, int]) -> str:
    if decisions.get(Decision.FAIL.value) or decisions.get(Decision.CONDITIONAL_FAIL.value):
        return "failed"
    return "not measured" if decisions.get(Decision.NOT_MEASURED.value) or not decisions else "passed"
