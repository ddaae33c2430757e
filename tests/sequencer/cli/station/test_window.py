"""The station's window without a terminal: what is typed there comes out once and whole, and what is told is shown."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from textual import events

from sequencer.cli.station import keyboard
from sequencer.cli.station.keyboard import NOT_ALONE
from sequencer.cli.station.window import StationWindow
from sequencer.run.line.face import NO, YES, Choice, Face, Question, Verdict, as_plain

ASKING = Face(
    phase="asking",
    turn=2,
    asked=5,
    question=Question(text=("Again?",), choices=(Choice(key=YES, label="yes"), Choice(key=NO, label="no"))),
)


def test_scans_answers_and_faces_go_through_the_window(monkeypatch: pytest.MonkeyPatch) -> None:
    """A burst of three scans, a paste, a question answered by its key alone, a new size, Ctrl-C: with Textual's own driver for tests."""
    monkeypatch.setattr(
        keyboard, "ALONE_S", 0.5
    )  # so that two keys pressed one after the other are a burst on a busy machine too
    sent: list[dict[str, Any]] = []
    stopped: list[bool] = []
    window = StationWindow(faces=None, send=sent.append, interrupt=lambda: stopped.append(True))

    async def used() -> None:
        async with window.run_test(size=(80, 24)) as pilot:
            window.take({"face": as_plain(Face(phase="waiting", turn=1))})
            await pilot.press(*"A-1", "enter", *"A-2", "enter", *"A-2", "enter", *"A-3", "tab")
            assert [one["scan"] for one in sent] == ["A-1", "A-2", "A-2", "A-3"]
            assert any("4 scans" in line or "A-2 (2x)" in line for line in window.shown)
            window.take({"taken": 4})
            window.post_message(events.Paste("B-1\nB-2"))
            await pilot.pause()
            assert [one["scan"] for one in sent[4:]] == ["B-1", "B-2"]
            window.take({"taken": 2, "face": as_plain(ASKING)})
            await pilot.press("y", "f3")  # in one burst: the scanner's
            while window._keyboard.due_s is not None:
                await pilot.pause(0.01)
            assert any(NOT_ALONE in line for line in window.shown)
            await pilot.press("f4")  # of no answer
            while window._keyboard.due_s is not None:
                await pilot.pause(0.01)
            assert sent[6:] == []
            await pilot.press("f3")
            while not sent[6:]:
                await pilot.pause(0.01)
            assert sent[6:] == [{"key": NO, "asked": 5}]
            await pilot.press("ctrl+c", "ctrl+backslash", "ctrl+q")
            failed = Face(
                phase="waiting", serial="A-1", verdict=Verdict.FAIL, safe=True, safe_why="read back."
            )
            window.take({"face": as_plain(failed), "bell": True})
            await pilot.resize_terminal(60, 20)
            await pilot.pause()
            assert any("FAIL: A limit was not met." in line for line in window.shown)
            assert max(map(len, window.shown)) <= 58
            assert len(window.shown) <= 20

    asyncio.run(used())
    assert stopped == [True, True]
