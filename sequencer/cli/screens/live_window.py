"""The live screen's window: a process of its own that owns the terminal while a preset is turned.

    python -m sequencer.cli.screens.live_window VIEWS KEYS

It reads what to show from the descriptor VIEWS, a JSON object a line, and writes each key to KEYS, a name a line. It has no bench: the
instruments stay in the process that started it, in its main thread, where Ctrl-C ends a run safely. A terminal in raw mode
sends no signal for Ctrl-C, so the window does, to that process. It ends when VIEWS ends, also when that process was killed.

Textual's own input widgets and bindings are not used: keys are taken one by one in `on_key`.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
import time
from collections.abc import Callable
from typing import Any, ClassVar

from rich.text import Text
from textual import events
from textual.app import App, ComposeResult
from textual.widgets import Static
from typing_extensions import override

from sequencer.checks.live import LiveStart, LiveView
from sequencer.cli.screens.live_text import fitted, start_lines, view_lines
from sequencer.cli.screens.tone import Tone

_NEAR_BEEP_S, _FAR_BEEP_S = 0.2, 1.2
_MARGIN = 2


class LiveWindow(App[None]):
    """Shows what it is told to and hands keys on. ``send`` takes the name of a key, ``interrupt`` does what Ctrl-C does."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[Any]] = []
    CSS = "Screen { background: black; color: white; overflow: hidden; } Static { padding: 0 1; background: black; color: white; }"

    def __init__(
        self, *, views: int | None, send: Callable[[str], None], interrupt: Callable[[], None]
    ) -> None:
        super().__init__()
        self._views, self._send, self._interrupt = views, send, interrupt
        self._held = b""
        self._start: LiveStart | None = None
        self._view: LiveView | None = None
        self._seen: tuple[float, float] | None = None
        self._wants_tone = False
        self.tone = Tone(self._ring)
        self._beeped_s = 0.0
        self.shown: list[str] = []

    @override
    def compose(self) -> ComposeResult:
        yield Static(id="page", markup=False)

    def on_mount(self) -> None:
        """Begin to read what is to be shown."""
        if self._views is not None:
            asyncio.get_running_loop().add_reader(self._views, self._more)

    def _more(self) -> None:
        assert self._views is not None
        more = os.read(self._views, 65536)
        if not more:
            asyncio.get_running_loop().remove_reader(self._views)
            self.exit()
            return
        *lines, self._held = (self._held + more).split(b"\n")
        for line in lines:
            self.take(json.loads(line))

    def take(self, message: dict[str, Any]) -> None:
        """Take one message: a start or a view."""
        if "start" in message:
            turns = message.pop("turns", False)
            self._start = LiveStart(**message["start"], turn_by=(lambda share: None) if turns else None)
            self._view, self._seen = None, None
        else:
            self._view = view = LiveView(**message["view"])
            if view.value is not None:
                low, high = self._seen or (view.value, view.value)
                self._seen = (min(low, view.value), max(high, view.value))
            self._beep(view)
        self._draw()

    def on_resize(self) -> None:
        """Draw it anew in the new width."""
        self._draw()

    def on_key(self, event: events.Key) -> None:
        """Hand a key on; Ctrl-C ends the run as everywhere."""
        event.stop()
        event.prevent_default()
        if event.key == "ctrl+c":
            self._interrupt()
            return
        if event.key == "t":
            self._wants_tone = not self._wants_tone
        self._send({"question_mark": "?"}.get(event.key, event.key))

    @override
    async def action_quit(self) -> None:
        """Ctrl-Q hands on nothing and ends nothing: only the process with the bench may end this."""

    def _draw(self) -> None:
        if self._start is None:
            return
        width = max(1, self.size.width - _MARGIN)
        start, view = self._start, self._view
        height = self.size.height
        if view is None:
            self.shown = fitted(start_lines(start, width), height)
        else:
            self.shown = view_lines(start, view, width, height=height, seen=self._seen)
        in_band = self._view is not None and self._view.in_band
        style = "bold green" if in_band else ""
        self.query_one("#page", Static).update(
            Text("\n".join(self.shown), style=style, no_wrap=self._view is not None)
        )

    def _ring(self) -> None:
        self.bell()

    def _beep(self, view: LiveView) -> None:
        """Sound the more often, and the higher, the nearer."""
        if not self._wants_tone or view.value is None:
            return
        now_s, off = time.monotonic(), how_far_off(view)
        if now_s - self._beeped_s >= beep_s(off):
            self._beeped_s = now_s
            self.tone.beep(1.0 - off)


def how_far_off(view: LiveView) -> float:
    """Return how far a value is from its band or best, from 0, right, to 1, far off."""
    if view.value is None or view.in_band:
        return 0.0
    if view.low is not None and view.high is not None and view.to_go is not None:
        share = abs(view.to_go) / max(2.5 * (view.high - view.low), 1e-12)
    else:
        share = view.past_best / max(0.1 * abs(view.best or 1.0), 1e-12)
    return min(1.0, share)


def beep_s(off: float) -> float:
    """Return the time from one beep to the next: short where it is right (0), longer the further off (1)."""
    return _NEAR_BEEP_S + (_FAR_BEEP_S - _NEAR_BEEP_S) * off


def main(arguments: list[str]) -> None:
    """Show until the other process has no more to show, or is gone."""
    views, keys = (int(one) for one in arguments)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever holds the bench is told by the same signal
    owner = os.getppid()

    def send(key: str) -> None:
        try:
            os.write(keys, f"{key}\n".encode())
        except OSError:
            window.exit()

    def interrupt() -> None:
        if os.getppid() == owner:
            os.kill(owner, signal.SIGINT)

    window = LiveWindow(views=views, send=send, interrupt=interrupt)
    try:
        window.run(mouse=False)
    finally:
        window.tone.close()


if __name__ == "__main__":
    main(sys.argv[1:])
