"""A station without a window: what is typed line by line answers questions, and only there."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator

import pytest

from sequencer.cli.station.person import PersonAtStation
from sequencer.cli.station.plain import PlainOperator
from sequencer.problems import about_file
from sequencer.run.interrupt import Stopper
from sequencer.run.line.admission import Known
from sequencer.run.line.face import NO, OTHER, YES, Choice, Face, Question, Verdict
from sequencer.run.line.station import Station
from sequencer.run.status import ExitStatus

THREE = Question(
    text=("cable: 5 of 5",),
    choices=(
        Choice(key=YES, label="go on"),
        Choice(key=OTHER, label="a new one"),
        Choice(key=NO, label="leave out"),
    ),
)


@pytest.fixture
def typed() -> Iterator[Callable[[str], tuple[PlainOperator, list[str]]]]:
    """Make an operator before whom a text was typed, and what is said to them."""
    opened: list[int] = []

    def make(text: str, *, is_terminal: bool = True) -> tuple[PlainOperator, list[str]]:
        reads, writes = os.pipe()
        opened.append(reads)
        os.write(writes, text.encode())
        os.close(writes)
        said: list[str] = []
        return PlainOperator(say=said.append, is_terminal=is_terminal, descriptor=reads), said

    yield make
    for descriptor in opened:
        os.close(descriptor)


@pytest.mark.parametrize(("answer", "key"), [("y", YES), ("O", OTHER), ("n", NO), ("", NO)])
def test_the_answers_are_letters(typed, answer: str, key: str) -> None:  # type: ignore[no-untyped-def]
    """The end of input is a no."""
    operator, said = typed(f"{answer}\n")
    assert operator.choose(Face(phase="asking", question=THREE)) == key
    assert said[:2] == ["cable: 5 of 5", "  y: go on, o: a new one, n: leave out"]


def test_a_scan_is_no_answer_and_is_not_acted_upon(typed) -> None:  # type: ignore[no-untyped-def]
    """It is said, and asked once more."""
    operator, said = typed("M40-0007\ny\n")
    assert operator.choose(Face(phase="asking", question=THREE)) == YES
    assert "M40-0007 is no answer, and nothing is done with it." in said


def test_where_nobody_can_be_asked_the_answer_is_no_and_nothing_is_read(typed) -> None:  # type: ignore[no-untyped-def]
    """The next serial stays the next serial."""
    operator, said = typed("M40-0007\n", is_terminal=False)
    assert operator.choose(Face(phase="asking", question=THREE)) == NO
    assert operator.write(Face(phase="typing", question=Question(text=("Why?",)))) is None
    assert said[-1] == "Nobody is here to ask."
    arrival = operator.next_arrival()
    assert arrival is not None
    assert arrival.scan.serial == "M40-0007"
    assert operator.next_arrival() is None


def test_every_serial_that_a_handler_writes_gets_an_answer_with_the_serial_in_it() -> None:
    """Two refusals in a row with the same words are two; a batch that has stopped refuses each by its name."""
    reads, writes = os.pipe()
    os.write(writes, b"=1\n=1\nnope-1\nnope-1\nnope-2\n")
    os.close(writes)
    said: list[str] = []
    operator = PlainOperator(say=said.append, is_terminal=False, descriptor=reads)

    class Closed:
        """A bench whose batch takes nothing any more."""

        def known(self, serial: str) -> Known:
            return Known()

        def prepare(self, serial: str, reason: str) -> object:
            raise about_file("--batch", "batch 'October' was closed", allowed="another batch")

        def why_stop(self) -> str:
            return "Batch 'October' stops: three in a row."

    station: Station[object] = Station(operator=operator, measuring=Closed(), stopper=Stopper())  # type: ignore[arg-type]
    assert station.go() is ExitStatus.INPUT_WRONG
    os.close(reads)
    assert [one for one in said if one.startswith("Refused: ")] == [
        *["Refused: =1: it begins as a spreadsheet's formula does."] * 2,
        *["Refused: nope-1: batch 'October' was closed."] * 2,
        "Refused: nope-2: batch 'October' was closed.",
    ]
    assert said.count("Batch 'October' stops: three in a row.") == 1, "said once"


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is needed")
def test_what_was_typed_before_the_station_waited_begins_nothing_by_itself() -> None:
    """Before it was open, too: it is of an earlier turn, and no answer to a question that came after it."""
    import pty

    person, terminal = pty.openpty()
    os.write(person, b"M40-0007\ny\n")
    said: list[str] = []
    operator = PlainOperator(say=said.append, is_terminal=True, descriptor=terminal)
    operator.show(Face(phase="waiting", turn=1))
    arrival = operator.next_arrival()
    assert arrival is not None
    assert (arrival.scan.serial, arrival.turn) == ("M40-0007", 0)
    os.write(person, b"y\n")
    asked = len(said)

    def say(text: str) -> None:
        if text.startswith("  y: go on"):
            os.write(person, b"n\n")

    operator._say = say
    assert operator.choose(Face(phase="asking", question=THREE)) == NO
    assert asked == len(said)
    assert [one.serial for one in operator.kept()] == ["y", "y"]
    os.close(person)
    os.close(terminal)


def test_what_a_check_asks_is_asked_of_the_same_person(typed) -> None:  # type: ignore[no-untyped-def]
    """Confirmations and readings by hand; nobody is asked any more once the session is being ended."""
    operator, said = typed("y\n350\n")
    stopping = [False]
    person = PersonAtStation(operator, who="ada", stopping=lambda: stopping[0])
    assert person.confirm("RF gain fully up") is True
    assert person.ask("The current, in mA:") == "350"
    stopping[0] = True
    assert person.confirm("RF gain fully up") is False
    assert person.ask("The current, in mA:") is None
    assert "RF gain fully up" in said


def test_an_unsafe_unit_is_said_with_its_verdict(typed) -> None:  # type: ignore[no-untyped-def]
    """In the line that a handler waits for, and with nothing a terminal could act on."""
    operator, said = typed("")
    operator.show(
        Face(phase="waiting", serial="A\x1b[2J", verdict=Verdict.BENCH, safe=False, safe_why="supply on")
    )
    assert said[0].endswith(": BENCH")
    assert said[0].isprintable()
    assert "DO NOT TOUCH THE UNIT: supply on" in said
