"""The live screen's window, driven by Textual's own pilot, without a terminal."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import asdict, replace
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Static

from sequencer.cli.screens.live_window import LiveWindow, beep_s, how_far_off
from tests.sequencer.cli.screens.test_live_text import BAND, PEAK

START: dict[str, Any] = {
    "start": {
        "preset": "power", "text": "RV4 beside the driver", "quantity": "carrier power", "unit": "W",
        "caution": "Mains is within reach.", "place": "1 of 2, round 1",
    },
    "turns": True,
}  # fmt: skip


class Piloted:
    """A window, what it handed on, and how often Ctrl-C was meant."""

    def __init__(self) -> None:
        self.keys: list[str] = []
        self.interrupted = 0
        self.window = LiveWindow(views=None, send=self.keys.append, interrupt=self._interrupt)

    def _interrupt(self) -> None:
        self.interrupted += 1

    def run(self, script: Callable[[Pilot[None]], Awaitable[None]], size: tuple[int, int] = (60, 24)) -> None:
        """Run ``script`` at a screen of ``size``."""

        async def piloted() -> None:
            async with self.window.run_test(size=size) as pilot:
                await script(pilot)

        asyncio.run(piloted())


def on_screen(window: LiveWindow) -> str:
    """Return what the window's one widget shows."""
    return str(window.query_one("#page", Static).visual)


def test_a_start_is_shown_before_readings_and_then_they_are() -> None:
    """First what is turned with the caution, then the value in block letters, its bar, and the simulated turns."""
    one = Piloted()

    async def script(pilot: Pilot[None]) -> None:
        one.window.take({**START})
        await pilot.pause()
        assert "CAUTION: Mains is within reach." in on_screen(one.window)
        one.window.take({"view": asdict(BAND)})
        await pilot.pause()
        shown = on_screen(one.window)
        assert "power: carrier power, W   (1 of 2, round 1)" in shown
        assert "TOO LOW: 0.39 W to go, turn on" in shown
        assert "██████" in shown
        assert "Left, Right turn the simulated trimmer" in shown
        assert "CAUTION" not in shown

    one.run(script)


def test_keys_are_handed_on_in_their_order_and_ctrl_c_is_none_of_them() -> None:
    """None that is a person's answer is swallowed, none ends the window; Ctrl-C does what it does everywhere."""
    one = Piloted()

    async def script(pilot: Pilot[None]) -> None:
        one.window.take({**START})
        await pilot.press("enter", "s", "b", "question_mark", "left", "up", "x", "ctrl+q", "ctrl+c")

    one.run(script)
    assert one.keys == ["enter", "s", "b", "?", "left", "up", "x"]
    assert one.interrupted == 1


@pytest.mark.parametrize("size", [(60, 24), (80, 24), (132, 40)])
def test_it_fits_the_screen(size: tuple[int, int]) -> None:
    """No line is cut at 60 columns and more."""
    one = Piloted()

    async def script(pilot: Pilot[None]) -> None:
        one.window.take({**START})
        for value in (12.0, 13.0):
            one.window.take({"view": asdict(replace(PEAK, value=value))})
        await pilot.pause()
        assert max(map(len, one.window.shown)) <= size[0] - 2
        assert "past the best, 0.40 dB back" in on_screen(one.window)

    one.run(script, size)


def test_the_tone_is_off_until_it_is_asked_for_and_quicker_when_nearer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """t turns it on and off; the beeps come closer together on the way to the band, and closest inside it."""
    monkeypatch.setenv("PATH", "")  # no player
    one, rung = Piloted(), [0]
    monkeypatch.setattr(one.window, "bell", lambda: rung.__setitem__(0, rung[0] + 1))

    async def script(pilot: Pilot[None]) -> None:
        one.window.take({**START})
        one.window.take({"view": asdict(BAND)})
        assert rung == [0]
        await pilot.press("t")
        one.window.take({"view": asdict(BAND)})
        assert rung == [1]
        await pilot.press("t")
        one.window._beeped_s = 0.0
        one.window.take({"view": asdict(BAND)})
        assert rung == [1]

    one.run(script)
    far, near, inside = (replace(BAND, value=3.8 - gone, to_go=gone) for gone in (2.0, 0.2, 0.0))
    assert beep_s(how_far_off(far)) > beep_s(how_far_off(near)) > beep_s(how_far_off(inside))
