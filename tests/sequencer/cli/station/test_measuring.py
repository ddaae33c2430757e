"""A station on the simulated bench, with a scripted person: instruments that die, runs that were cut short, rules of a batch."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from pathlib import Path

import pytest
from typing_extensions import override

from sequencer.analysis.batches.units import read_batch_units
from sequencer.cli.common.line_options import LineAsked
from sequencer.cli.run import Asked
from sequencer.cli.screens.operator import Chosen
from sequencer.cli.station.looked_up import Batch, LookedUp, Named
from sequencer.cli.station.measuring import Measured
from sequencer.inputs.load_bench import load_bench
from sequencer.results.store.store import Store, Wanted
from sequencer.run.interrupt import Stopper
from sequencer.run.keeping.journals import Glance, glance
from sequencer.run.line.face import OTHER, YES, Face, Verdict
from sequencer.run.line.scans import Scan
from sequencer.run.line.station import Arrival, Operator, Station
from sim.bench import SimulatedBench
from sim.scpi.faults import Fault, FaultKind

SEQUENCE = """
sequence: Short line test
channels: cept-40
mode: FM
supply: 13.2 V
checks:
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
"""
ANALYSER, SUPPLY = "TCPIP0::192.0.2.13::5025::SOCKET", "TCPIP0::192.0.2.16::5025::SOCKET"


class Scripted(Operator):
    """Scans serials in turn and answers as a list says; `before` is done before a serial is scanned."""

    def __init__(self, serials: Iterable[str], answers: Iterable[str | None] = ()) -> None:
        self.serials, self.answers = deque(serials), deque(answers)
        self.faces: list[Face] = []
        self.asked: list[Face] = []

    @override
    def show(self, face: Face) -> None:
        self.faces.append(face)

    @override
    def next_arrival(self) -> Arrival | None:
        if not self.serials:
            return None
        return Arrival(scan=Scan(serial=self.serials.popleft()), turn=self.faces[-1].turn)

    @override
    def choose(self, face: Face) -> str:
        self.asked.append(face)
        return self.answers.popleft() or ""

    @override
    def write(self, face: Face) -> str | None:
        self.asked.append(face)
        return self.answers.popleft()

    def verdicts(self) -> list[Verdict]:
        """Return the verdicts that were shown, one for each unit."""
        found = [face.verdict for face in self.faces]
        return [one for before, one in zip([None, *found], found, strict=False) if one and before is None]


class Session:
    """One station in a folder, with the shipped simulated bench."""

    def __init__(
        self, folder: Path, person: Scripted, *, batch: str = "", cut_short: Glance | None = None
    ) -> None:
        file = folder / "short.yaml"
        if not file.exists():
            file.write_text(SEQUENCE, encoding="utf-8")
        self.asked = Asked(
            sequence_name=str(file),
            bench_name="bench",
            serial="",
            folder=folder / "results",
            chosen=Chosen(),
            line=LineAsked(batch=batch, station="3"),
        )
        bench = load_bench("bench")
        looked_up = LookedUp(
            self.asked,
            bench,
            sequence=Named(path=file, name="Short line test"),
            batch=Batch.of(self.asked),
            cut_short={cut_short.serial: cut_short} if cut_short is not None else {},
        )
        self.measured = Measured(self.asked, bench, looked_up, stopper=Stopper())
        self.station: Station[object] = Station(
            operator=person,
            measuring=self.measured,  # type: ignore[arg-type]
            stopper=Stopper(),
        )

    def go(self) -> Station[object]:
        """Open the bench, work until the scans are used up, and leave it safe."""
        safe, said, _ = self.measured.open_first()
        self.station.begin(safe=safe, said=said)
        self.station.go()
        state = self.measured.close()
        assert state is None or state.confirmed
        return self.station

    @property
    def simulation(self) -> SimulatedBench:
        """The bench's simulation, as it is now."""
        parts = self.measured._bench.parts
        assert parts is not None
        assert parts.simulation is not None
        return parts.simulation


def test_an_instrument_that_dies_in_the_middle_of_a_unit_is_the_bench_s_fault_and_the_bench_is_opened_anew(
    tmp_path: Path,
) -> None:
    """BENCH, not FAIL; the unit was made safe; nothing is measured before somebody looked; then the next one is measured as ever."""
    person = Scripted(["M40-0007", "M40-0018"], [YES])
    session = Session(tmp_path, person)
    session.measured.open_first()
    dead = Fault(kind=FaultKind.DISCONNECT, times=None)
    original = session.measured.measure

    def dies_once(job, tell):  # type: ignore[no-untyped-def]
        if job.asked.serial == "M40-0007":
            session.simulation.devices[ANALYSER].faults.add(dead)
        return original(job, tell)

    session.measured.measure = dies_once  # type: ignore[method-assign]
    session.station.go()
    session.measured.close()
    assert person.verdicts() == [Verdict.BENCH, Verdict.PASS]
    question = person.asked[0]
    assert question.question is not None
    assert "modulation_analyser" in " ".join(question.question.text)
    assert question.safe is True
    assert "each read back" in question.safe_why
    assert session.station.counts.first_tested == 1


def test_a_supply_that_cannot_be_read_back_as_off_keeps_hands_off(tmp_path: Path) -> None:
    """The verdict does not matter then: the screen says what was not confirmed until the bench was opened anew and is safe."""
    person = Scripted(["M40-0007"], [YES])
    session = Session(tmp_path, person, batch="October")
    session.measured.open_first()
    original = session.measured.measure

    def stuck(job, tell):  # type: ignore[no-untyped-def]
        fault = Fault(kind=FaultKind.WRONG, match=r"OUTP.*\?", regex=True, times=None, argument="1")
        session.simulation.devices[SUPPLY].faults.add(fault)
        return original(job, tell)

    session.measured.measure = stuck  # type: ignore[method-assign]
    session.station.go()
    session.measured.close()
    unsafe = [face for face in person.faces if face.safe is False]
    assert unsafe
    assert (
        unsafe[0].safe_why == "Remove the supply from the unit: the unit's supply could not be confirmed off."
    )
    assert person.faces[-1].safe is True
    assert person.verdicts() == [Verdict.BENCH]
    assert session.station.counts.first_tested == 0
    with Store.open_to_read(tmp_path / "results" / "results.sqlite") as store:
        (run,) = store.read_runs(Wanted(batch="October"), limit=None)
        record = store.read_batch("October")
        assert record is not None
        found = read_batch_units(store, record)
    assert (run.status, run.bench_safe) == (3, False), "as the process ends"
    assert found.judged == (), "the station and its batch count alike"


@pytest.mark.parametrize("answer", [YES, OTHER])
def test_a_run_that_was_cut_short_is_carried_on_or_measured_from_the_start(
    tmp_path: Path, answer: str
) -> None:
    """Its journal is what a process leaves that was killed: the end is missing. Asked once, then it is done with."""
    Session(tmp_path, Scripted(["M40-0007"])).go()
    (journal,) = (tmp_path / "results").glob("*.journal")
    lines = journal.read_bytes().splitlines(keepends=True)
    ended = next(number for number, line in enumerate(lines) if b'"event":"check ended"' in line)
    journal.write_bytes(b"".join(lines[:ended]))
    left = glance(journal)
    assert left is not None
    person = Scripted(["M40-0007"], [answer])
    if answer == YES:
        person.answers.append("the power went")
    session = Session(tmp_path, person, cut_short=left)
    session.go()
    assert person.asked[0].question is not None
    assert f"run {left.run} of M40-0007 was cut short" in person.asked[0].question.text[0]
    assert session.measured.known("M40-0007").cut_short == ""
    assert person.verdicts() == [Verdict.PASS]
    with Store.open_to_read(tmp_path / "results" / "results.sqlite") as store:
        runs = store.read_runs(Wanted(), limit=None)
    assert len(runs) == (2 if answer == YES else 1)
    assert len(runs[0].resumed) == (answer == OTHER)


def test_a_batch_s_rule_decides_whether_a_unit_is_tested_again(tmp_path: Path) -> None:
    """With a reason once; beyond its attempts refused in words, whatever reason is given. First pass and attempt stand with the runs."""
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    file = tmp_path / "october.yaml"
    file.write_text(
        "batch: October\nsequence: short.yaml\nserials: 'M40-\\d{4}'\nretest: {attempts: 2, reason: required}\n",
        encoding="utf-8",
    )
    person = Scripted(
        ["M40-0012", "M40-0012", "M40-0012", "V5-0301"], [YES, "plug was loose", YES, "once more"]
    )
    session = Session(tmp_path, person, batch=str(file))
    station = session.go()
    assert person.verdicts() == [Verdict.FAIL, Verdict.FAIL]
    notes = [note for face in person.faces for note in face.notes]
    assert any("tested 2 times in batch 'October', as often as its rule allows" in note for note in notes)
    assert any("unit 'V5-0301' does not belong to batch 'October'" in note for note in notes)
    assert any("Batch 'October' is new" in note for note in notes)
    assert (station.counts.first_tested, station.counts.again) == (1, 1)
    with Store.open_to_read(tmp_path / "results" / "results.sqlite") as store:
        runs = store.read_runs(Wanted(batch="October"), limit=None)[::-1]
    assert [(one.attempt, one.retest_reason) for one in runs] == [(1, ""), (2, "plug was loose")]


def test_a_unit_of_another_batch_is_asked_about(tmp_path: Path) -> None:
    """Its last run names the batch that it was of."""
    Session(tmp_path, Scripted(["M40-0007"]), batch="September").go()
    person = Scripted(["M40-0007"], [""])
    Session(tmp_path, person, batch="October").go()
    assert person.asked[0].question is not None
    assert "M40-0007 was tested last in batch 'September'" in person.asked[0].question.text
    assert person.verdicts() == []


def test_a_store_that_cannot_be_read_is_said_and_the_unit_can_be_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was measured before is then not known: somebody decides."""
    Session(tmp_path, Scripted(["M40-0007"])).go()
    session = Session(tmp_path, Scripted([]))
    from sequencer.cli.station import looked_up
    from sequencer.results.store.problems import StoreProblem

    class Held:
        @staticmethod
        def open_to_read(place: object) -> None:
            raise StoreProblem("results.sqlite", "the store is locked", "Wait.")

    monkeypatch.setattr(looked_up, "Store", Held)
    assert "the store is locked" in session.measured.known("M40-0007").lookup_problem


def test_a_store_that_is_held_costs_a_unit_of_a_batch_its_turn_and_not_the_session(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody can say whether the batch takes it: refused in words, and the next one is measured."""
    from sequencer.cli.station import measuring
    from sequencer.results.store.problems import StoreProblem

    prepare, held = measuring.prepare, [True]

    def held_once(asked: Asked) -> object:
        if held.pop() if held else False:
            raise StoreProblem("results.sqlite", "another process holds the store", "Wait.", may_pass=True)
        return prepare(asked)

    monkeypatch.setattr(measuring, "prepare", held_once)
    person = Scripted(["M40-0007", "M40-0018"])
    Session(tmp_path, person, batch="October").go()
    assert any("another process holds the store" in note for face in person.faces for note in face.notes)
    assert person.verdicts() == [Verdict.PASS]
