"""The station: waits for a serial, has its unit measured, says what came of it, and waits for the next.

It knows no screen and no bench. A person (`Operator`) is shown faces and gives scans and answers; who measures is handed in. What is
scanned while the station does something else is kept, shown, and asked about afterwards: only the first scan after the station began to
wait begins a unit by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Generic

from sequencer.problems import InputError, printable
from sequencer.run.interrupt import Interrupted, Stopper
from sequencer.run.line.admission import Admission, Known, admit
from sequencer.run.line.face import NO, OTHER, YES, Choice, Counts, Face, Question, Verdict
from sequencer.run.line.wear import Wear, Worn
from sequencer.run.line.work import Arrival, Job, Measuring, Operator, UnitReport
from sequencer.run.status import ExitStatus

SHORTEST_REASON = 3
"""Characters of a reason that says anything."""
_MEASURE, _LEAVE = Choice(key=YES, label="measure it"), Choice(key=NO, label="leave it out")
_ANEW = Choice(key=YES, label="measure it from the start")
_CARRY_ON = Choice(key=OTHER, label="carry its run on")
MOST_NOTES = 4
"""Notes that stand at once while several kept scans are gone through; the newest stay."""
_FROM_BEST = (
    ExitStatus.PASSED,
    ExitStatus.INPUT_WRONG,
    ExitStatus.FAILED,
    ExitStatus.BENCH_FAILED,
    ExitStatus.INTERRUPTED,
)
"""What a session ends with, the best first: a scan that was refused hides no unit that failed."""


class BenchLeft(Exception):
    """A bench that failed was not opened again: nobody was there, or somebody ended the session."""


class Station(Generic[Job]):
    """One session at a station."""

    def __init__(
        self,
        *,
        operator: Operator,
        measuring: Measuring[Job],
        stopper: Stopper,
        head: tuple[str, ...] = (),
        wear: Wear | None = None,
        greeting: tuple[str, ...] = (),
        told: Callable[[UnitReport], None] = lambda report: None,
    ) -> None:
        """``greeting`` is said before the first unit, ``told`` hears of each that is over."""
        self._operator = operator
        self._measuring = measuring
        self._stopper = stopper
        self._wear = wear
        self._told = told
        self._face = Face(phase="opening", head=head, notes=greeting)
        self._had_verdict: set[str] = set()
        self._unit_turn = 0
        self._measured: set[str] = set()
        self.left_out: dict[str, None] = {}
        """Serials of the list that were scanned and not measured."""
        self._fresh = True
        self.status = ExitStatus.PASSED

    @property
    def counts(self) -> Counts:
        """What the session has come to."""
        return self._face.counts

    def begin(self, *, safe: bool, said: str) -> bool:
        """Say how the bench stands once it was opened; one that is not safe is looked at by somebody before anything else.

        Returns whether units may be measured: not where nobody opened it again.
        """
        self._show(phase="opening" if safe else "stopped", safe=safe, safe_why=said)
        try:
            if not safe:
                self._look_at_bench((said,))
        except BenchLeft:
            self._came_to(ExitStatus.BENCH_FAILED)
            return False
        return True

    def go(self) -> ExitStatus:
        """Take one unit after another until nobody scans any more; returns the worst status of any. Interrupted ends it.

        A unit on the list that was left out is one that was not measured.
        """
        try:
            while (arrival := self._next()) is not None:
                if (admission := self._admitted(arrival)) is not None:
                    self._unit(admission)
        except BenchLeft:
            self._came_to(ExitStatus.BENCH_FAILED)
        except Interrupted:
            self._came_to(ExitStatus.INTERRUPTED)
        if self.left_out:
            self._came_to(ExitStatus.BENCH_FAILED)
        return self.status

    def _came_to(self, status: ExitStatus) -> None:
        self.status = max(self.status, status, key=_FROM_BEST.index)

    # -- a scan -------------------------------------------------------------------------------------------------------

    def _next(self) -> Arrival | None:
        self._stopper.check()
        if (why := self._measuring.why_stop()) and why not in self._face.notes:
            self._say(why, *self._face.notes)
        self._fresh = True
        self._show(phase="waiting", turn=self._face.turn + 1)
        return self._operator.next_arrival()

    def _admitted(self, arrival: Arrival) -> Admission | None:
        """Return the unit that is to be measured; None where it is not, and why not is shown."""
        self._stopper.check()
        scan = arrival.scan
        is_late = arrival.turn != self._face.turn or not self._fresh
        self._fresh = False
        if (
            not is_late and self._face.notes
        ):  # what was said before was read; of kept scans, one follows the other at once
            self._show(notes=tuple(one for one in self._face.notes if one == self._measuring.why_stop()))
        if is_late and scan.serial == self._face.serial and arrival.turn == self._unit_turn:
            self._note(f"{printable(scan.serial)} was scanned again while it was measured: a doubled scan.")
            return None
        admission = admit(scan, self._measuring.known(scan.serial) if not scan.wrong else Known())
        if admission.refused:
            self._note(f"Refused: {admission.refused}.")
            self._came_to(ExitStatus.INPUT_WRONG)
            return None
        asked = list(admission.asked)
        if is_late:
            times = f" ({scan.times} times)" if scan.times > 1 else ""
            asked.insert(0, f"{printable(scan.serial)} was scanned before the station waited for it{times}")
        if not asked:
            return admission
        connected = ("Is it the unit that is connected now?",) if is_late else ()
        choices = (_ANEW, _CARRY_ON, _LEAVE) if admission.can_carry_on else (_MEASURE, _LEAVE)
        answer = self._ask((*asked, *connected), choices)
        if answer not in {one.key for one in choices} - {NO}:
            self._leave_out(admission)
            return None
        return replace(admission, carries_on=answer == OTHER)

    # -- a unit -------------------------------------------------------------------------------------------------------

    def _unit(self, admission: Admission) -> None:
        reason = ""
        asks_why = admission.needs_reason and not admission.carries_on
        if asks_why and (reason := self._reason(admission.serial)) == "":
            self._leave_out(admission, ", for nobody said why it is tested again")
            return
        try:
            job = self._job(admission, reason)
        except InputError as problem:
            self._note(*_about("Refused", admission.serial, problem))
            self._not_measured(admission)
            self._came_to(ExitStatus.INPUT_WRONG)
            return
        if not self._worn():
            self._leave_out(admission)
            return
        self._unit_turn = self._face.turn
        self._show(
            phase="measuring",
            serial=admission.serial,
            model="",
            verdict=None,
            met="",
            wrong=(),
            look_at="",
            safe=None,
            safe_why="",
            chamber="",
            feels="",
            notes=self._measuring.notes_before(job),
        )
        try:
            report = self._measuring.measure(job, lambda text: self._show(progress=text))
        except InputError as problem:  # a folder or a store that is not there any more
            self._say(*_about("Could not begin", admission.serial, problem))
            self._not_measured(admission)
            self._came_to(ExitStatus.BENCH_FAILED)
            self._show(safe=True, safe_why="nothing was sent to the bench")
            return
        # in a batch counts what was tested in it before, as in the batch's own yield; without one whatever is known of the unit
        self._ended(report, is_again=report.attempt > 1 if report.attempt else admission.is_again)

    def _leave_out(self, admission: Admission, why: str = "") -> None:
        self._note(f"Left out: {printable(admission.serial)}{why}.")
        if admission.is_in_doubt:  # not the unit's doing: a file or the store is to be put right
            self._came_to(ExitStatus.INPUT_WRONG)
        self._not_measured(admission)

    def _not_measured(self, admission: Admission) -> None:
        if admission.is_listed and admission.serial not in self._measured:
            self.left_out[admission.serial] = None

    def _job(self, admission: Admission, reason: str) -> Job:
        if admission.carries_on:
            return self._measuring.carry_on(admission.serial)
        return self._measuring.prepare(admission.serial, reason)

    def _reason(self, serial: str) -> str:
        question = Question(text=(f"Why is {printable(serial)} tested again? It stands with its results.",))
        while True:
            typed = self._operator.write(self._asking(question))
            self._stopper.check()
            if typed is None or not typed.strip():
                return ""
            if len(typed.strip()) >= SHORTEST_REASON:
                return typed.strip()

    def _ended(self, report: UnitReport, *, is_again: bool) -> None:
        self._came_to(report.status)
        self._measured.add(report.serial)
        self.left_out.pop(report.serial, None)
        is_sound = report.verdict is not Verdict.BENCH and report.safe
        self._show(
            phase="waiting" if is_sound else "stopped",
            model=report.model,
            verdict=report.verdict,
            met=report.met,
            wrong=report.wrong or report.bench,
            look_at=report.look_at,
            safe=report.safe,
            safe_why=report.safe_why,
            chamber=report.chamber,
            feels=report.feels,
            progress="",
            counts=self._counted(report, is_again=is_again),
            notes=tuple(f"Nearly worn: {part}." for part in self._parts() if part.is_near),
        )
        self._told(report)
        self._stopper.check()
        if not is_sound:
            self._look_at_bench(report.bench or (report.safe_why,))

    def _counted(self, report: UnitReport, *, is_again: bool) -> Counts:
        counts, verdict = self._face.counts, report.verdict
        has_one = verdict in (Verdict.PASS, Verdict.FAIL)
        is_again = is_again or report.serial in self._had_verdict
        is_first = has_one and not is_again
        if has_one:
            self._had_verdict.add(report.serial)
        return replace(
            counts,
            passed=counts.passed + (verdict is Verdict.PASS),
            failed=counts.failed + (verdict is Verdict.FAIL),
            not_measured=counts.not_measured + (verdict is Verdict.NOT_MEASURED),
            bench=counts.bench + (verdict is Verdict.BENCH),
            first_passed=counts.first_passed + (is_first and verdict is Verdict.PASS),
            first_tested=counts.first_tested + is_first,
            again=counts.again + is_again,
        )

    def _look_at_bench(self, why: tuple[str, ...]) -> None:
        """Have somebody look at the bench, then open it anew; nothing is measured before it was confirmed safe."""
        while True:
            answer = self._ask(
                (*why, "Look at the bench first. Then it is opened anew, made safe and proved."),
                (Choice(key=YES, label="open it again"), Choice(key=NO, label="end here")),
            )
            if answer != YES:
                raise BenchLeft
            self._show(phase="opening")  # nothing is asked for until it is open
            safe, said = self._measuring.open_again()
            self._show(phase="opening" if safe else "stopped", safe=safe, safe_why=said)
            self._stopper.check()
            if safe:
                return
            why = (said,)

    def _parts(self) -> tuple[Worn, ...]:
        return () if self._wear is None else self._wear.parts

    def _worn(self) -> bool:
        """Count this unit's connections; asked about where a part has reached what it is rated for. Says whether it is measured."""
        if self._wear is None:
            return True
        for part in self._parts():
            if not part.is_over:
                continue
            answer = self._ask(
                (f"{part}: worn contacts read wrong before they fail.",),
                (
                    Choice(key=YES, label="go on with it"),
                    Choice(key=OTHER, label="a new one is on: count from 0"),
                    _LEAVE,
                ),
            )
            if answer == OTHER:
                self._wear.renew(part.name)
            elif answer != YES:
                return False
        self._wear.connect()
        return True

    # -- what is shown ------------------------------------------------------------------------------------------------

    def _ask(self, text: tuple[str, ...], choices: tuple[Choice, ...]) -> str:
        answer = self._operator.choose(self._asking(Question(text=text, choices=choices)))
        self._stopper.check()
        return answer

    def _asking(self, question: Question) -> Face:
        self._face = replace(self._face, asked=self._face.asked + 1)
        return replace(self._face, phase="typing" if question.is_typed else "asking", question=question)

    def _say(self, *lines: str) -> None:
        self._face = replace(self._face, notes=lines)

    def _note(self, *lines: str) -> None:
        """Say something beside what was said of the kept scans before it."""
        self._say(*(*self._face.notes, *lines)[-MOST_NOTES:])

    def _show(self, **changes: object) -> None:
        self._face = replace(self._face, **changes)  # type: ignore[arg-type]
        self._operator.show(self._face)


def _about(what: str, serial: str, problem: InputError) -> list[str]:
    """Return what is wrong, a line each, with the serial that it is about."""
    name = printable(serial)
    messages = (one.message for one in problem.complaints[:3])
    return [f"{what}: {text}." if name in text else f"{what}: {name}: {text}." for text in messages]
