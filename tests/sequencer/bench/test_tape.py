"""The tape by itself: what it answers while all is as it was, and what it makes of what is not."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from drivers.faults import ConnectFailed, TimedOut, facts_from
from drivers.link.wire import GoneIdle
from drivers.trace import Direction, Exchange
from sequencer.bench.tape import Tape
from sequencer.bench.tape_links import TapedLibrary, TapedLine, TapedWire
from sequencer.bench.taped import NeverAsked, Taped, fault_of

METER = ("meter",)


def entry(
    time_s: float,
    direction: Direction,
    content: bytes = b"",
    *,
    check: int = 0,
    fault: Exception | None = None,
    name: str = "meter",
) -> Taped:
    """Return one exchange of a trace."""
    facts = facts_from(fault, GoneIdle("x")) if isinstance(fault, TimedOut | ConnectFailed) else None
    return Taped(
        exchange=Exchange(
            time_s=time_s,
            instrument=name,
            direction=direction,
            content=content,
            fault=str(fault or ""),
            facts=facts,
        ),
        check_index=check,
    )


def said(*pairs: tuple[str, str], check: int = 0, from_s: float = 0.0) -> list[Taped]:
    """Return questions with their answers, a second each."""
    found = []
    for at, (question, answer) in enumerate(pairs):
        found.append(entry(from_s + at, Direction.SENT, question.encode() + b"\n", check=check))
        found.append(entry(from_s + at + 0.5, Direction.RECEIVED, answer.encode() + b"\n", check=check))
    return found


def asked(tape: Tape, *questions: str) -> Iterable[bytes]:
    """Ask over one link."""
    for question in questions:
        wire = TapedWire(tape, METER)
        wire.send(question.encode() + b"\n", 1.0)
        yield wire.read_line(1000, 1.0)


def test_answers_come_back_at_their_times() -> None:
    """Each exchange sets the clock to its own time, a wait adds to it, and it never goes back."""
    tape = Tape(said(("A?", "1"), ("B?", "2")))
    tape.begin(0)
    (first,) = asked(tape, "A?")
    assert (first, tape.now_s()) == (b"1\n", 0.5)
    tape.wait_s(0.25)
    assert tape.now_s() == 0.75
    (second,) = asked(tape, "B?")
    assert (second, tape.now_s()) == (b"2\n", 1.5)
    tape.end()
    assert tape.is_exact


def test_a_reading_is_never_taken_from_elsewhere() -> None:
    """After a departure the same question as in another check has no answer; a setting that is read back has."""
    tape = Tape(
        [
            *said((":X 1;:X?", "1"), ("READ?", "10"), check=0),
            *said((":Y 2;:Y?", "2"), ("READ?", "20"), check=1, from_s=5.0),
        ]
    )
    tape.begin(0)
    assert list(asked(tape, ":X 1;:X?", "READ?")) == [b"1\n", b"10\n"]
    tape.begin(1)
    with pytest.raises(NeverAsked, match="never asked"):
        list(asked(tape, ":Y 3;:Y?"))
    assert tape.lost == {1}
    assert tape.departures[0].place == 5
    assert tape.departures[0].then == "meter: sent :Y 2;:Y?"
    assert tape.departures[0].now == ":Y 3;:Y?"


def test_a_check_is_found_again_over_settings_alone() -> None:
    """What was set then and need not be set now is passed over; a question that may be a reading is not."""
    lost = said(("A?", "1"), check=0)
    setting = said((":X 1;:X?", "1"), ("READ?", "20"), check=1, from_s=5.0)
    tape = Tape([*lost, *setting])
    tape.begin(0)
    with pytest.raises(NeverAsked):
        list(asked(tape, "B?"))
    tape.begin(1)
    assert list(asked(tape, "READ?")) == [b"20\n"]
    assert tape.lost == {0}
    other = Tape([*lost, *said(("TWO?", "1"), ("READ?", "20"), check=1, from_s=5.0)])
    other.begin(0)
    with pytest.raises(NeverAsked):
        list(asked(other, "B?"))
    other.begin(1)
    with pytest.raises(NeverAsked):
        list(asked(other, "READ?"))


def test_what_was_left_unasked_is_a_departure() -> None:
    """Today's code ends before the trace does."""
    tape = Tape(said(("A?", "1"), ("B?", "2")))
    tape.begin(0)
    list(asked(tape, "A?"))
    tape.end()
    assert tape.departures[0].now == ""
    assert not tape.is_exact


def test_a_check_measured_twice_is_put_into_the_order_of_time() -> None:
    """What a check said before and after another is stored together; the tape plays it as it was."""
    first, second = said(("A?", "1"), check=0), said(("B?", "2"), check=1, from_s=1.0)
    again = said(("A?", "3"), check=0, from_s=2.0)
    tape = Tape([*first, *again, *second])
    tape.begin(0)
    assert list(asked(tape, "A?")) == [b"1\n"]
    tape.begin(1)
    assert list(asked(tape, "B?")) == [b"2\n"]
    tape.begin(0)
    assert list(asked(tape, "A?")) == [b"3\n"]
    assert tape.is_exact


def test_a_fault_comes_back_as_it_was() -> None:
    """Its kind, its words, and the exception by which a link knows that its peer had hung up before."""
    silence = TimedOut("no answer", instrument="meter", address="A", command="A?", next_move="Look.")
    again = fault_of(entry(0.0, Direction.RECEIVED, fault=silence).exchange)
    assert isinstance(again, TimedOut)
    assert str(again) == str(silence)
    tape = Tape([entry(0.0, Direction.RECEIVED, fault=silence)])
    with pytest.raises(GoneIdle):
        TapedWire(tape, METER).send(b"A?\n", 1.0)
    refused = ConnectFailed("nobody there", instrument="meter", address="A")
    library = TapedLibrary(Tape([entry(0.0, Direction.OPENED, fault=refused)]), {"A": METER})
    with pytest.raises(ConnectFailed, match="nobody there"):
        library.open_session("A", open_timeout_s=1.0, timeout_s=1.0)


def test_a_line_of_text_gives_what_came_late_before_the_next_is_sent() -> None:
    """A late answer that was dropped then comes unasked again, and nothing comes where nothing did."""
    late = Exchange(
        time_s=1.0,
        instrument="meter",
        direction=Direction.RECEIVED,
        content=b"LATE\n",
        fault="came late or unasked; dropped",
    )
    tape = Tape([Taped(exchange=late, check_index=0), *said(("A?", "1"), from_s=2.0)])
    line = TapedLine(tape, "meter")
    assert line.read_some(0.0) == b"LATE\n"
    assert line.read_some(0.0) == b""
    line.write(b"A?\n")
    assert line.read_some(1.0) == b"1\n"
