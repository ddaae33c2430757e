"""What the station shows in any size: the verdict in words and shape, and whether the unit may be touched, before everything else."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.cli.station.drawn import ASK, LEAST_HEIGHT, LEAST_WIDTH, Typed, drawn
from sequencer.cli.station.letters import HEIGHT, SMALL_HEIGHT, large, small, width_of
from sequencer.cli.station.plain import verdict_lines
from sequencer.run.line.face import NO, YES, Choice, Counts, Face, Question, Verdict
from sequencer.run.line.scans import Scan

QUESTION = Question(
    text=("M40-0007 was tested today at 09:12: failed", "M40-0007 is not in the list"),
    choices=(Choice(key=YES, label="measure it"), Choice(key=NO, label="leave it out")),
)
FACES = st.builds(
    Face,
    phase=st.sampled_from(["waiting", "measuring", "asking", "opening"]),
    head=st.just(("Goods in on Bench 2", "batch October · station 3")),
    serial=st.sampled_from(["", "M40-0007", "X" * 64, "M40\x1b[2J"]),
    model=st.just("M40"),
    verdict=st.sampled_from([None, *Verdict]),
    wrong=st.lists(
        st.just("frequency error, channel 20: (937.0 ± 2.7) Hz, 340 Hz above the limit of 600 Hz"), max_size=9
    ).map(tuple),
    look_at=st.sampled_from(["", "check frequency_error, channel 20"]),
    safe=st.sampled_from([None, True, False]),
    safe_why=st.just("PTT released, generator off, supply off, each read back."),
    progress=st.just("sensitivity, 3 of 9 checks"),
    counts=st.builds(Counts, passed=st.integers(0, 999), failed=st.integers(0, 99)),
    notes=st.lists(st.just("Refused: =1+1: it begins as a spreadsheet's formula does."), max_size=3).map(
        tuple
    ),
    question=st.sampled_from([None, QUESTION, Question(text=("Why?",))]),
)
TYPED = st.builds(
    Typed,
    begun=st.sampled_from(["", "M40-00", "\x1b[2J"]),
    waiting=st.lists(st.builds(Scan, serial=st.sampled_from(["M40-0008", "\x1b[2J"])), max_size=7),
)


def test_the_smallest_screen_says_change_in_capitals_and_counts_after_a_unit_that_failed() -> None:
    """Other things go first: what stands above all, and the block letters of CHANGE."""
    face = Face(
        phase="waiting",
        head=("Goods in on Bench 2", "batch October · station 3"),
        serial="M40-0012",
        model="M40",
        verdict=Verdict.FAIL,
        wrong=("frequency error, channel 20: (937.0 ± 2.7) Hz, 340 Hz above the limit of 600 Hz",) * 3,
        look_at="check frequency_error, channel 20",
        safe=True,
        safe_why="PTT released, generator off, supply off, each read back.",
        counts=Counts(passed=12, failed=2, first_passed=12, first_tested=14),
    )
    lines = [line.text for line in drawn(face, Typed(), LEAST_WIDTH - 2, LEAST_HEIGHT)]
    assert any(line.startswith("CHANGE: The unit may be changed") for line in lines)
    assert any(line.startswith("Session: passed 12, failed 2") for line in lines)


@pytest.mark.parametrize(("feels", "width", "height"), [("hot", 58, 20), ("cold", 100, 50)])
def test_a_chamber_that_is_hot_or_cold_is_said_before_the_unit_may_be_changed(
    feels: Any, width: int, height: int
) -> None:
    """In block letters in place of CHANGE, and its words first."""
    face = Face(
        phase="waiting",
        serial="M40-0012",
        verdict=Verdict.PASS,
        safe=True,
        safe_why="chamber stopped, read back.",
        chamber="The chamber's air reads 55.0 °C. What is in it is hot: let it cool down before you reach in.",
        feels=feels,
    )
    lines = [line.text for line in drawn(face, Typed(), width, height)]
    text = " ".join(" ".join(lines).split())
    assert text.index("let it cool down before you reach in. Then the unit may be changed") > 0
    assert "CHANGE" not in text
    word = feels.upper()
    shapes = (small(word, width), large(word, width), large(word, width, twice=True))
    assert any(rows and all(row in lines for row in rows) for rows in shapes)


@given(
    face=FACES,
    typed=TYPED,
    width=st.integers(LEAST_WIDTH - 2, 200),
    height=st.integers(LEAST_HEIGHT, 60),
)
@settings(max_examples=50)
def test_every_face_fits_and_says_what_matters(face: Face, typed: Typed, width: int, height: int) -> None:
    """From the smallest screen on: no line too long or too many; the verdict, the unit's state and every answer are there in words."""
    lines = [line.text for line in drawn(face, typed, width, height)]
    assert len(lines) <= height
    assert all(len(line) <= width for line in lines)
    assert all(line.isprintable() for line in lines)
    assert any(line.startswith(f"Session: passed {face.counts.passed}") for line in lines)
    text = " ".join(lines)
    if face.verdict is not None:
        assert f"{face.verdict.value}: " in text
    if face.safe is False:
        assert "DO NOT TOUCH THE UNIT" in text
    elif face.safe:
        assert "The unit may be changed" in text
    elif face.serial:
        assert ("touch only what is asked for" if face.question else "Do not touch the unit") in text
    if face.question is not None:
        assert all(f"{one.key.upper()} {one.label}" in text for one in face.question.choices)


@pytest.mark.parametrize("width", [58, 78, 118])
def test_the_verdicts_differ_in_shape_without_any_colour(width: int) -> None:
    """Seven rows or more in each, and no two alike: read from two metres, and without seeing red or green."""
    shapes = {}
    for verdict in Verdict:
        face = Face(
            phase="waiting", serial="M40-0007", verdict=verdict, safe=True, safe_why="each read back."
        )
        lines = [line.text for line in drawn(face, Typed(), width, 50)]
        shapes[verdict] = [line for line in lines if "█" in line]
        assert len(shapes[verdict]) >= HEIGHT
    filled = {verdict: sum(line.count("█") for line in rows) for verdict, rows in shapes.items()}
    assert filled[Verdict.FAIL] > 1.5 * filled[Verdict.PASS]
    assert len({tuple(rows) for rows in shapes.values()}) == len(Verdict)


def test_block_letters_take_the_room_there_is() -> None:
    """Twice as wide where it fits; none where not even the narrow ones do."""
    assert max(map(len, large("PASS", 60))) == width_of("PASS", scale=2)
    assert max(map(len, large("MEASURED", 58))) <= width_of("MEASURED")
    assert large("MEASURED", 40) == []
    assert small("CHANGE", 20) == ["CHANGE"]
    assert all(one.isascii() for one in small("CHANGE", 80, ascii_only=True))


def test_every_letter_of_every_word_is_in_the_font() -> None:
    """A word that is shown and cannot be drawn would end the window."""
    for word in (*(one.value for one in Verdict), "CHANGE", "WAIT", "HANDS OFF", ASK):
        assert len(large(word, 500)) == HEIGHT


def _shown(face: Face, width: int, height: int) -> list[str]:
    return [line.text for line in drawn(face, Typed(), width, height)]


def _has(shown: list[str], block: list[str]) -> bool:
    """Say whether the rows of ``block`` stand in what is shown, one below the other."""
    return any(shown[at : at + len(block)] == block for at in range(len(shown)))


DONE = Face(
    phase="waiting",
    head=("Goods in on Bench 2", "batch October"),
    serial="M40-0007",
    model="M40",
    verdict=Verdict.PASS,
    safe=True,
    safe_why="PTT released, generator off, supply off, each read back.",
)


@pytest.mark.parametrize(
    ("width", "height", "change", "twice"),
    [(58, 20, SMALL_HEIGHT, False), (98, 24, HEIGHT, False), (98, 32, HEIGHT, True), (160, 50, 14, True)],
)
def test_words_grow_with_the_window(width: int, height: int, change: int, twice: bool) -> None:
    """The word that says what to do first, then the verdict to twice its size, then the former to twice its size too."""
    shown = _shown(DONE, width, height)
    forms = {
        SMALL_HEIGHT: small("CHANGE", width),
        HEIGHT: large("CHANGE", width),
        14: large("CHANGE", width, twice=True),
    }
    assert [rows for rows, block in forms.items() if block and _has(shown, block)] == [change]
    block = large("PASS", width, twice=True)
    assert (bool(block) and _has(shown, block)) is twice
    assert len(shown) <= height


@pytest.mark.parametrize("safe", [True, None])
def test_the_block_word_says_that_a_question_waits(safe: bool | None) -> None:
    """ASK, and below it in small whether the unit may be touched; where it must not be, HANDS OFF stays."""
    asking = replace(DONE, phase="asking", verdict=None, safe=safe, question=QUESTION)
    shown = _shown(asking, 98, 32)
    assert _has(shown, large(ASK, 98, twice=True))
    words = "The unit may be changed: PTT" if safe else "touch only what is asked for"
    assert any(words in line for line in shown)
    unsafe = _shown(replace(asking, safe=False), 98, 32)
    assert any(_has(unsafe, form) for form in (small("HANDS OFF", 98), large("HANDS OFF", 98)))


def test_a_question_before_the_first_unit_is_seen_from_afar() -> None:
    """No unit is named yet, and nothing was looked at."""
    shown = _shown(Face(phase="asking", question=QUESTION), 98, 32)
    assert _has(shown, large(ASK, 98, twice=True))


def test_how_limits_were_met_stands_beside_the_word() -> None:
    """On the screen and in plain lines."""
    said = "All limits met, 2 of 5 only conditionally (uncertainty not stated)."
    face = replace(DONE, met=said)
    assert f"PASS: {said}" in _shown(face, 98, 32)
    assert f"  {said}" in verdict_lines(face)
    assert "PASS: All limits met." in _shown(DONE, 98, 32)
