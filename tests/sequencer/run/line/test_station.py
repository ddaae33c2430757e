"""The station's engine, without a screen and without a bench: what a scan begins, what is asked, and when the unit may be changed."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typing_extensions import override

from sequencer.problems import about_file
from sequencer.run.interrupt import Stopper
from sequencer.run.line.admission import Earlier, Known
from sequencer.run.line.face import NO, OTHER, YES, Face, Verdict, as_plain, from_plain
from sequencer.run.line.scans import Scan, wrong_with_scan
from sequencer.run.line.station import Arrival, Measuring, Operator, Station, UnitReport
from sequencer.run.line.wear import Wear
from sequencer.run.status import ExitStatus

STATUS = {
    Verdict.PASS: ExitStatus.PASSED,
    Verdict.FAIL: ExitStatus.FAILED,
    Verdict.NOT_MEASURED: ExitStatus.BENCH_FAILED,
    Verdict.BENCH: ExitStatus.BENCH_FAILED,
}


class Person(Operator):
    """Scans and answers as a list says: a serial is scanned while the station waits, `("late", serial)` while it is busy."""

    def __init__(self, scans: Iterable[str | tuple[str, str]], answers: Iterable[str | None] = ()) -> None:
        self.scans = deque(scans)
        self.answers = deque(answers)
        self.faces: list[Face] = []
        self.asked: list[Face] = []

    @override
    def show(self, face: Face) -> None:
        self.faces.append(from_plain(as_plain(face)))

    @override
    def next_arrival(self) -> Arrival | None:
        if not self.scans:
            return None
        one, turn = self.scans.popleft(), self.faces[-1].turn
        if isinstance(one, tuple):
            one, turn = one[1], turn - 1
        return Arrival(scan=Scan(serial=one, wrong=wrong_with_scan(one)), turn=turn)

    @override
    def choose(self, face: Face) -> str:
        assert face.question is not None
        self.asked.append(from_plain(as_plain(face)))
        answer = self.answers.popleft()
        assert answer in {one.key for one in face.question.choices}
        return answer

    @override
    def write(self, face: Face) -> str | None:
        self.asked.append(face)
        return self.answers.popleft()


class Bench(Measuring[tuple[str, str]]):
    """Measures nothing: gives the verdicts of a list, all safe but those of `unsafe`."""

    def __init__(
        self,
        verdicts: dict[str, Verdict] | None = None,
        known: dict[str, Known] | None = None,
        unsafe: frozenset[str] = frozenset(),
        opens: Iterable[bool] = (),
    ) -> None:
        self.verdicts = verdicts or {}
        self.facts = known or {}
        self.unsafe = unsafe
        self.opens = deque(opens)
        self.measured: list[tuple[str, str]] = []
        self.stop = ""
        self.attempts: dict[str, int] = {}

    @override
    def known(self, serial: str) -> Known:
        return self.facts.get(serial, Known())

    @override
    def prepare(self, serial: str, reason: str) -> tuple[str, str]:
        if serial.startswith("Z"):
            raise about_file("--serial", f"no specimen {serial} lies here", allowed="another")
        return serial, reason

    @override
    def carry_on(self, serial: str) -> tuple[str, str]:
        return serial, "carried on"

    @override
    def notes_before(self, job: tuple[str, str]) -> tuple[str, ...]:
        return ()

    @override
    def measure(self, job: tuple[str, str], tell: Callable[[str], None]) -> UnitReport:
        tell("sensitivity")
        self.measured.append(job)
        serial = job[0]
        verdict = self.verdicts.get(serial, Verdict.PASS)
        safe = serial not in self.unsafe
        return UnitReport(
            serial=serial,
            model="M40",
            verdict=verdict,
            status=STATUS[verdict],
            safe=safe,
            safe_why="supply off, read back" if safe else "the supply could not be confirmed off",
            attempt=self.attempts.get(serial, 0),
        )

    @override
    def open_again(self) -> tuple[bool, str]:
        return (True, "all read back") if self.opens.popleft() else (False, "still no answer")

    @override
    def why_stop(self) -> str:
        return self.stop


def session(person: Person, bench: Bench, **more: object) -> Station[tuple[str, str]]:
    """Let a person work at a station until the scans are used up."""
    station: Station[tuple[str, str]] = Station(operator=person, measuring=bench, stopper=Stopper(), **more)  # type: ignore[arg-type]
    station.go()
    assert not person.answers, "every answer was asked for"
    return station


def test_each_scan_is_one_unit_and_the_verdict_stays_until_the_next() -> None:
    """The plain day: nothing is asked, and what the station says last of a unit is its verdict and that it may be changed."""
    person, bench = Person(["A-1", "A-2", "A-3"]), Bench({"A-2": Verdict.FAIL})
    station = session(person, bench)
    assert bench.measured == [("A-1", ""), ("A-2", ""), ("A-3", "")]
    waiting = [face for face in person.faces if face.phase == "waiting"]
    assert [(one.serial, one.verdict, one.safe) for one in waiting[::2]] == [
        ("", None, None),
        ("A-1", Verdict.PASS, True),
        ("A-2", Verdict.FAIL, True),
        ("A-3", Verdict.PASS, True),
    ]
    assert str(station.counts) == "passed 2, failed 1, first-pass yield so far 2 of 3 (67 %)"
    assert station.status is ExitStatus.FAILED


def test_while_a_unit_is_measured_nothing_says_that_it_may_be_changed() -> None:
    """From the scan to the reading back it is neither safe nor unsafe, and the verdict before it is gone."""
    person = Person(["A-1", "A-2"])
    session(person, Bench())
    measuring = [face for face in person.faces if face.phase == "measuring"]
    assert len(measuring) == 4
    assert all(face.safe is None and face.verdict is None for face in measuring)


@pytest.mark.parametrize(("answer", "measured"), [(YES, ["A-1", "A-2"]), (NO, ["A-1"])])
def test_a_scan_that_came_while_a_unit_was_measured_is_asked_about(answer: str, measured: list[str]) -> None:
    """It may be of the unit that lies there or of the next one: nobody but the person knows."""
    person, bench = Person(["A-1", ("late", "A-2")], [answer]), Bench()
    session(person, bench)
    assert [serial for serial, _ in bench.measured] == measured
    assert person.asked[0].question is not None
    assert "A-2 was scanned before the station waited for it" in person.asked[0].question.text[0]
    assert person.asked[0].safe is True


def test_a_doubled_scan_of_the_unit_itself_is_said_and_asks_nothing() -> None:
    """A trigger that bounces costs nobody an answer."""
    person, bench = Person(["A-1", ("late", "A-1")]), Bench()
    session(person, bench)
    assert len(bench.measured) == 1
    assert person.faces[-1].notes == ("A-1 was scanned again while it was measured: a doubled scan.",)


def test_a_unit_that_is_scanned_again_at_a_later_question_is_asked_about() -> None:
    """Not taken for a doubled scan of the unit before; and what is said of one kept scan stands while the next is asked about."""

    class Later(Person):
        @override
        def choose(self, face: Face) -> str:
            if not self.asked:  # scanned while the question about A-2 stands
                self.scans.extend([("late", "A-1"), ("late", "=1"), ("late", "A-3")])
            return super().choose(face)

    person, bench = Later(["A-1", ("late", "A-2")], [NO, NO, NO]), Bench()
    session(person, bench)
    asked = [face.question.text[0].split()[0] for face in person.asked if face.question is not None]
    assert asked == ["A-2", "A-1", "A-3"]
    assert "Refused: =1: it begins as a spreadsheet's formula does." in person.asked[2].notes


def test_nothing_is_said_of_the_next_unit_while_the_bench_is_not_open() -> None:
    """Neither while it is looked at nor while it is opened again."""
    person, opened = Person(["A-1"], [YES, YES]), []

    class Slow(Bench):
        @override
        def open_again(self) -> tuple[bool, str]:
            opened.append(person.faces[-1].phase)
            return super().open_again()

    bench = Slow({"A-1": Verdict.BENCH}, unsafe=frozenset({"A-1"}), opens=[False, True])
    session(person, bench)
    assert opened == ["opening", "opening"]
    assert {face.phase for face in person.faces if face.safe is False} == {"opening", "stopped"}


@pytest.mark.parametrize(
    ("scans", "answers", "status", "left"),
    [
        (["A-1", "=1"], [], ExitStatus.FAILED, []),
        (["=1", "A-2"], [], ExitStatus.INPUT_WRONG, []),
        (["L-1", "A-2"], [NO], ExitStatus.BENCH_FAILED, ["L-1"]),
        (["L-1", "L-1"], [NO, YES, "plug was loose"], ExitStatus.PASSED, []),
        (["Z-9", "A-2"], [], ExitStatus.BENCH_FAILED, ["Z-9"]),
    ],
)
def test_what_a_session_ends_with(
    scans: list[str], answers: list[str | None], status: ExitStatus, left: list[str]
) -> None:
    """A refused scan hides no unit that failed; a unit of the list that was left out is one that was not measured."""
    listed = Known(listed=True)
    known = {"L-1": Known(listed=True, today=AGAIN.today, needs_reason=True), "Z-9": listed}
    station = session(Person(scans, answers), Bench({"A-1": Verdict.FAIL}, known=known))
    assert (station.status, list(station.left_out)) == (status, left)


@given(
    late=st.lists(st.sampled_from(["B-1", "B-2", "=1+1", "../x"]), max_size=6),
    answers=st.lists(st.sampled_from([YES, NO]), min_size=6, max_size=6),
)
@settings(max_examples=50)
def test_no_late_scan_is_acted_upon_without_an_answer(late: list[str], answers: list[str]) -> None:
    """Whatever comes while a unit is measured: as many units more are measured as questions were answered with yes."""
    person = Person(["A-1", *(("late", one) for one in late)], answers)
    bench = Bench()
    Station(operator=person, measuring=bench, stopper=Stopper()).go()
    asked = [face.question.text[0].split()[0] for face in person.asked if face.question is not None]
    said = dict(zip(range(len(asked)), answers, strict=False))
    assert [one for one, _ in bench.measured[1:]] == [
        serial for number, serial in enumerate(asked) if said[number] == YES
    ]


def test_a_run_that_was_cut_short_is_carried_on_where_the_person_says_so() -> None:
    """With F4, and without a reason: it is the same run."""
    bench = Bench(known={"A-1": Known(cut_short="r9", needs_reason=True)})
    session(Person(["A-1"], [OTHER]), bench)
    assert bench.measured == [("A-1", "carried on")]


AGAIN = Known(today=(Earlier(when="09:12", said="failed", run="r1"),), needs_reason=True)


@pytest.mark.parametrize(
    ("known", "says"),
    [
        (Known(listed=False), "A-1 is not in the list"),
        (Known(fits=False), "fits no model's pattern"),
        (Known(other_batch="October"), "tested last in batch 'October'"),
        (Known(cut_short="r9"), "run r9 of A-1 was cut short"),
        (Known(lookup_problem="the store is held"), "cannot be looked up: the store is held"),
    ],
)
def test_what_is_odd_about_a_unit_is_asked_in_one_key(known: Known, says: str) -> None:
    """It is measured with F2, left out with F3."""
    bench = Bench(known={"A-1": known})
    person = Person(["A-1", "A-1"], [NO, YES])
    session(person, bench)
    assert person.asked[0].question is not None
    assert says in "\n".join(person.asked[0].question.text)
    assert bench.measured == [("A-1", "")]


def test_a_session_that_left_a_unit_out_for_a_file_that_cannot_be_used_did_not_go_well() -> None:
    """Nobody was there to ask: that nothing was measured is no pass. What is odd about the unit itself is no fault of the files."""
    for known, status in (
        (Known(lookup_problem="x.yaml: spoilt"), ExitStatus.INPUT_WRONG),
        (AGAIN, ExitStatus.PASSED),
    ):
        station = session(Person(["A-1"], [NO]), Bench(known={"A-1": known}))
        assert station.status is status


def test_a_unit_that_was_tested_today_is_tested_again_only_with_a_typed_reason() -> None:
    """Retesting until it passes stays visible: yes alone is not enough, nor is a letter."""
    bench = Bench(known={"A-1": AGAIN})
    person = Person(["A-1", "A-1", "A-1"], [NO, YES, "x", None, YES, "plug was loose"])
    session(person, bench)
    assert bench.measured == [("A-1", "plug was loose")]
    assert person.asked[0].question is not None
    assert person.asked[0].question.text == ("A-1 was tested today at 09:12: failed",)


def test_a_second_attempt_does_not_count_into_the_first_pass_yield() -> None:
    """A unit has one first pass."""
    verdicts = {"A-1": Verdict.FAIL}
    bench = Bench(verdicts)
    person = Person(["A-1"])
    station = session(person, bench)
    verdicts["A-1"] = Verdict.PASS
    person.scans.append("A-1")
    station.go()
    counts = station.counts
    assert (counts.first_passed, counts.first_tested, counts.again, counts.passed, counts.failed) == (
        0,
        1,
        1,
        1,
        1,
    )


def test_in_a_batch_the_first_attempt_there_is_the_first_pass() -> None:
    """Tested today outside of the batch and measured anew in it: as the batch counts it, not as what is known of the unit."""
    bench = Bench(known={"A-1": AGAIN, "A-2": AGAIN})
    bench.attempts = {"A-1": 1, "A-2": 2}
    station = session(Person(["A-1", "A-2"], [YES, "joined the batch", YES, "plug was loose"]), bench)
    counts = station.counts
    assert (counts.first_passed, counts.first_tested, counts.again) == (1, 1, 1)


def test_a_run_that_is_carried_on_is_no_second_first_pass() -> None:
    """A limit failed before it was broken off: the same attempt counts once."""
    bench = Bench({"A-1": Verdict.FAIL})
    bench.attempts = {"A-1": 1}
    person = Person(["A-1"])
    station = session(person, bench)
    person.scans.append("A-1")
    station.go()
    assert (station.counts.first_tested, station.counts.again) == (1, 1)


@pytest.mark.parametrize("wrong", ["=1+1", "../x", "\x1b[2J", "a:b"])
def test_what_is_no_serial_is_refused_in_words_and_shown_harmlessly(wrong: str) -> None:
    """Nothing is asked and nothing measured; the terminal gets no control character."""
    person, bench = Person([wrong]), Bench()
    session(person, bench)
    assert bench.measured == []
    assert person.faces[-1].notes[0].startswith("Refused: ")
    assert person.faces[-1].notes[0].isprintable()


def test_a_unit_that_cannot_be_planned_is_refused_and_the_line_goes_on() -> None:
    """A serial without a model costs one unit its turn, not the session."""
    person, bench = Person(["Z-1", "A-1"]), Bench()
    station = session(person, bench)
    assert bench.measured == [("A-1", "")]
    assert any("Refused: no specimen Z-1 lies here." in face.notes for face in person.faces)
    assert station.status is ExitStatus.INPUT_WRONG


def test_after_a_bench_that_failed_nothing_is_measured_before_it_was_opened_anew_and_is_safe() -> None:
    """The person looks first; a bench that is still not safe is asked about again."""
    person = Person(["A-1", "A-2"], [YES, YES])
    bench = Bench({"A-1": Verdict.BENCH}, unsafe=frozenset({"A-1"}), opens=[False, True])
    session(person, bench)
    assert [serial for serial, _ in bench.measured] == ["A-1", "A-2"]
    assert [face.safe for face in person.asked] == [False, False]
    assert person.asked[1].safe_why == "still no answer"


def test_whoever_does_not_open_the_bench_again_ends_the_session() -> None:
    """Nothing more is measured, and the status says that the bench failed: nobody has interrupted anything."""
    person = Person(["A-1", "A-2"], [NO])
    bench = Bench({"A-1": Verdict.BENCH})
    assert session(person, bench).status is ExitStatus.BENCH_FAILED
    assert len(bench.measured) == 1


def test_a_bench_that_was_never_safe_ends_the_session_as_failed() -> None:
    """Nobody opens it again before the first unit: 3, and nothing is measured."""
    bench = Bench(opens=[False])
    station: Station[tuple[str, str]] = Station(
        operator=Person(["A-1"], [NO]), measuring=bench, stopper=Stopper()
    )
    assert station.begin(safe=False, said="the generator does not answer") is False
    assert station.status is ExitStatus.BENCH_FAILED
    assert bench.measured == []


def test_a_part_that_wears_is_said_near_its_end_and_asked_about_at_it(tmp_path: Path) -> None:
    """Nine in ten: said. All: asked, and a new one begins at 0. The count outlives the session."""
    rated = {"cable": 3, "fixture F1": None}
    person = Person(["A-1", "A-2", "A-3"])
    session(person, Bench(), wear=Wear("Bench 1", rated, folder=tmp_path))
    assert person.faces[-1].notes == ("Nearly worn: cable: 3 of 3 rated connections.",)
    person, bench = Person(["A-4", "A-5", "A-6"], [NO, YES, OTHER]), Bench()
    wear = Wear("Bench 1", rated, folder=tmp_path)
    session(person, bench, wear=wear)
    assert [serial for serial, _ in bench.measured] == ["A-5", "A-6"]
    assert [(one.name, one.count) for one in wear.parts] == [("cable", 1), ("fixture F1", 5)]


def test_a_count_that_cannot_be_kept_is_said_and_stops_nothing(tmp_path: Path) -> None:
    """A full or foreign folder must not cost a unit its turn."""
    (tmp_path / "connections-bench.json").write_text("[", encoding="utf-8")
    wear = Wear("bench", {"cable": 5}, folder=tmp_path)
    assert "cannot be read" in wear.problem
    wear = Wear("bench", {"cable": 5}, folder=tmp_path / "not there")
    wear.connect()
    assert "cannot be counted" in wear.problem
    assert wear.parts[0].count == 1


def test_a_request_to_stop_ends_it_before_the_next_unit() -> None:
    """SIGTERM between two units: nothing more is begun."""
    stopper = Stopper()
    bench = Bench()
    person = Person(["A-1", "A-2"])
    station: Station[tuple[str, str]] = Station(
        operator=person, measuring=bench, stopper=stopper, told=lambda report: stopper.ask("SIGTERM")
    )
    assert station.go() is ExitStatus.INTERRUPTED
    assert len(bench.measured) == 1
