"""Keys before the station's window: scans, answers and typed texts are told apart, and none becomes another."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.cli.station.keyboard import ALONE_S, ENDING, NOT_ALONE, Keyboard
from sequencer.run.line.face import NO, OTHER, YES, Choice, Face, Phase, Question
from sequencer.run.line.scans import MOST_WAITING

WAITING = Face(phase="waiting", turn=3)
ASKING = Face(
    phase="asking",
    turn=3,
    asked=7,
    question=Question(text=("Really?",), choices=(Choice(key=YES, label="yes"), Choice(key=NO, label="no"))),
)
TYPING = Face(phase="typing", turn=3, asked=8, question=Question(text=("Why?",)))
NOW = itertools.count(0.0, 0.001)
"""A scanner's clock: a character each millisecond."""
SERIALS = st.builds("{}-{}".format, st.sampled_from(["M40", "V", "H10", "MX40L"]), st.integers(0, 999_999))


def typed(keyboard: Keyboard, text: str, face: Face) -> list[dict[str, Any]]:
    """Type a text as a scanner does, Enter for a line's end."""
    found: list[dict[str, Any]] = []
    for one in text:
        name, character = ("enter", "\r") if one == "\n" else (one, one)
        found += keyboard.key(name, character, face, next(NOW))
    return found


def pressed(keyboard: Keyboard, name: str, face: Face) -> list[dict[str, Any]]:
    """Press a key as a finger does, which stands alone."""
    at_s = next(NOW) + 1.0
    found = keyboard.key(name, None, face, at_s)
    assert keyboard.due(at_s + ALONE_S / 2) == []
    return found + keyboard.due(at_s + ALONE_S)


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
    assert pressed(keyboard, YES, ASKING) == [{"key": YES, "asked": 7}]
    assert pressed(keyboard, OTHER, ASKING) == []
    assert pressed(keyboard, YES, WAITING) == []
    assert typed(keyboard, "yn", ASKING) == []
    assert keyboard.typed().begun == "yn"


@given(st.text(alphabet="abcdefg hij.", min_size=1, max_size=20), st.booleans())
def test_a_typed_text_is_taken_with_f2_whether_enter_ended_it_or_not(text: str, ended: bool) -> None:
    """People press Enter by habit."""
    keyboard = Keyboard()
    assert typed(keyboard, text + "\n" * ended, TYPING) == []
    (answer,) = pressed(keyboard, YES, TYPING)
    assert (answer["text"] or "").strip() == text.strip()
    assert answer["asked"] == 8


def test_a_scan_while_a_text_is_asked_for_is_not_taken_for_it_unless_somebody_says_so() -> None:
    """What came before it stays a scan; it is taken back with F3 and never measured by itself."""
    keyboard = Keyboard()
    found = typed(keyboard, "M40-0008\nM40-0009\n", TYPING)
    assert found == [{"scan": "M40-0008", "wrong": "", "turn": 3}]
    assert keyboard.typed().draft == "M40-0009"
    assert pressed(keyboard, NO, TYPING) == [{"text": None, "asked": 8}]
    assert keyboard.typed().draft == ""


def test_a_paste_is_no_key_and_backspace_takes_back() -> None:
    """Bracketed paste comes as a whole."""
    keyboard = Keyboard()
    typed(keyboard, "M40-000", WAITING)
    keyboard.key("backspace", "\x7f", WAITING, next(NOW))
    found = keyboard.paste("M40-0007\r\nM40-0011", WAITING)
    assert [(one["scan"], one["wrong"]) for one in found] == [
        ("M40-00", "its end is missing"),
        ("M40-0007", ""),
        ("M40-0011", ""),
    ]


@pytest.mark.parametrize("phase", ["waiting", "asking", "typing", "measuring", "opening", "stopped"])
def test_the_session_is_ended_by_a_key_at_any_time(phase: Phase) -> None:
    """At a question too; of one that ends only after the unit that is measured it is said."""
    keyboard = Keyboard()
    assert pressed(keyboard, "f10", Face(phase=phase)) == [{"end": True}]
    assert keyboard.typed().notice == (ENDING if phase in ("measuring", "opening") else "")
    assert pressed(keyboard, "up", WAITING) == []


KEYS = [
    ("f2", None),
    ("f3", None),
    ("f10", None),
    ("escape", "\x1b"),
    ("shift+escape", "\x9b"),
    ("up", None),
    ("º", "º"),
]
"""What Textual makes of escape sequences that a Code 128 bar code may hold [read off its parser]."""


@given(
    st.text(alphabet="M40-7", max_size=6),
    st.lists(st.sampled_from(KEYS), min_size=1, max_size=3),
    st.text(alphabet="M40-7", max_size=6),
    st.floats(0.0, 0.05),
    st.sampled_from([WAITING, ASKING]),
)
@settings(max_examples=100)
def test_no_bar_code_answers_a_question_or_loses_its_escape_sequence(
    before: str, keys: list[tuple[str, str | None]], after: str, between_s: float, face: Face
) -> None:
    """A scanner's burst up to Enter: nothing but one scan, refused as what it is, and the next scan is whole again."""
    keyboard, at_s, found = Keyboard(), 5.0, []
    for name, character in [
        *((one, one) for one in before),
        *keys,
        *((one, one) for one in after),
        ("enter", "\r"),
    ]:
        at_s += between_s
        found += keyboard.key(name, character, face, at_s)
    found += keyboard.due(at_s + 10.0)
    assert [sorted(one) for one in found] == [["scan", "turn", "wrong"]]
    assert found[0]["wrong"] == "it holds an escape sequence"
    assert [one["wrong"] for one in typed(keyboard, "M40-0007\n", face)] == [""]


@pytest.mark.parametrize(
    "burst", [[("a", "a"), ("f2", None)], [("enter", "\r"), ("f2", None)], [("f3", None), ("f2", None)]]
)
def test_a_key_right_after_another_is_not_taken_and_it_is_said(burst: list[tuple[str, str | None]]) -> None:
    """Nothing is spoilt by it; pressed again it counts."""
    keyboard = Keyboard()
    found = [one for name, character in burst for one in keyboard.key(name, character, ASKING, -5.0)]
    assert found + keyboard.due(-1.0) == []
    assert keyboard.typed().notice == NOT_ALONE
    assert pressed(keyboard, YES, ASKING) == [{"key": YES, "asked": 7}]
    assert keyboard.typed().notice == ""


def test_a_key_that_is_held_down_answers_once() -> None:
    """A keyboard repeats it some thirty times a second (common practice, no source)."""
    keyboard = Keyboard()
    found = [one for number in range(30) for one in keyboard.key(YES, None, ASKING, -5.0 + 0.033 * number)]
    assert found + keyboard.due(-1.0) == [{"key": YES, "asked": 7}]


def test_a_scan_that_began_in_an_earlier_turn_is_of_that_turn() -> None:
    """It was typed for what the station did then."""
    keyboard = Keyboard()
    typed(keyboard, "M40-", Face(phase="measuring", turn=2))
    assert typed(keyboard, "0007\n", WAITING) == [{"scan": "M40-0007", "wrong": "", "turn": 2}]


def test_what_has_no_room_is_counted() -> None:
    """A key that is held down, or a handler gone wild."""
    keyboard = Keyboard()
    typed(keyboard, "".join(f"A-{number}\n" for number in range(MOST_WAITING + 2)), WAITING)
    assert keyboard.typed().left_out == 2
