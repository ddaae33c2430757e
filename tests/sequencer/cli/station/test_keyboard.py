"""Keys before the station's window: scans, answers and typed texts are told apart, and none becomes another."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.cli.station.keyboard import Keyboard
from sequencer.run.line.face import NO, OTHER, YES, Choice, Face, Question
from sequencer.run.line.scans import MOST_WAITING

WAITING = Face(phase="waiting", turn=3)
ASKING = Face(
    phase="asking",
    turn=3,
    asked=7,
    question=Question(text=("Really?",), choices=(Choice(key=YES, label="yes"), Choice(key=NO, label="no"))),
)
TYPING = Face(phase="typing", turn=3, asked=8, question=Question(text=("Why?",)))
SERIALS = st.builds("{}-{}".format, st.sampled_from(["M40", "V", "H10", "MX40L"]), st.integers(0, 999_999))


def typed(keyboard: Keyboard, text: str, face: Face) -> list[dict[str, Any]]:
    """Type a text as a scanner does, Enter for a line's end."""
    found: list[dict[str, Any]] = []
    for one in text:
        name, character = ("enter", "\r") if one == "\n" else (one, one)
        found += keyboard.key(name, character, face)
    return found


@given(st.lists(SERIALS, max_size=5), st.sampled_from([WAITING, ASKING, Face(phase="measuring", turn=3)]))
@settings(max_examples=50)
def test_a_burst_gives_each_scan_with_the_turn_it_came_in_and_answers_nothing(
    serials: list[str], face: Face
) -> None:
    """Whatever the station does: a scan is a scan, even where a question stands whose answers are keys."""
    keyboard = Keyboard()
    found = typed(keyboard, "".join(f"{one}\n" for one in serials), face)
    assert found == [{"scan": one, "wrong": "", "turn": 3} for one in serials]
    assert sum(one.times for one in keyboard.typed().waiting) == len(serials)
    keyboard.taken(len(serials))
    assert keyboard.typed().waiting == ()


def test_only_the_keys_of_the_question_answer_it_and_say_which_question() -> None:
    """F4 is no answer where there are two, nor is anything where nothing is asked; letters never are."""
    keyboard = Keyboard()
    assert keyboard.key(YES, None, ASKING) == [{"key": YES, "asked": 7}]
    assert keyboard.key(OTHER, None, ASKING) == []
    assert keyboard.key(YES, None, WAITING) == []
    assert typed(keyboard, "yn", ASKING) == []
    assert keyboard.typed().begun == "yn"


@given(st.text(alphabet="abcdefg hij.", min_size=1, max_size=20), st.booleans())
def test_a_typed_text_is_taken_with_f2_whether_enter_ended_it_or_not(text: str, ended: bool) -> None:
    """People press Enter by habit."""
    keyboard = Keyboard()
    assert typed(keyboard, text + "\n" * ended, TYPING) == []
    (answer,) = keyboard.key(YES, None, TYPING)
    assert (answer["text"] or "").strip() == text.strip()
    assert answer["asked"] == 8


def test_a_scan_while_a_text_is_asked_for_is_not_taken_for_it_unless_somebody_says_so() -> None:
    """What came before it stays a scan; it is taken back with F3 and never measured by itself."""
    keyboard = Keyboard()
    found = typed(keyboard, "M40-0008\nM40-0009\n", TYPING)
    assert found == [{"scan": "M40-0008", "wrong": "", "turn": 3}]
    assert keyboard.typed().draft == "M40-0009"
    assert keyboard.key(NO, None, TYPING) == [{"text": None, "asked": 8}]
    assert keyboard.typed().draft == ""


def test_a_paste_is_no_key_and_backspace_takes_back() -> None:
    """Bracketed paste comes as a whole."""
    keyboard = Keyboard()
    typed(keyboard, "M40-000", WAITING)
    keyboard.key("backspace", "\x7f", WAITING)
    found = keyboard.paste("M40-0007\r\nM40-0011", WAITING)
    assert [(one["scan"], one["wrong"]) for one in found] == [
        ("M40-00", "its end is missing"),
        ("M40-0007", ""),
        ("M40-0011", ""),
    ]


def test_the_session_is_ended_by_a_key_only_while_the_station_waits() -> None:
    """F10 in the middle of a unit does nothing; Ctrl-C is for that."""
    keyboard = Keyboard()
    assert keyboard.key("f10", None, WAITING) == [{"end": True}]
    assert keyboard.key("f10", None, Face(phase="measuring")) == []
    assert keyboard.key("up", None, WAITING) == []


def test_what_has_no_room_is_counted() -> None:
    """A key that is held down, or a handler gone wild."""
    keyboard = Keyboard()
    typed(keyboard, "".join(f"A-{number}\n" for number in range(MOST_WAITING + 2)), WAITING)
    assert keyboard.typed().left_out == 2
