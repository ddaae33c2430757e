"""The station's window: a process of its own that owns the terminal for the whole session.

    python -m sequencer.cli.station.window FACES KEYS [PREFIX SUFFIX]

It reads faces from the descriptor FACES, a JSON object a line, and writes what was scanned or pressed to KEYS. It has no bench: the
instruments stay in the process that started it, whose main thread Ctrl-C ends safely; a terminal in raw mode sends no signal for it, so
the window does. It ends when FACES ends.

Textual's input widget is not used: it hands on a line after the keys that followed it have come, so that three scans in one burst became
other serials [measured]. Keys are taken one by one.
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

from sequencer.cli.station.drawn import drawn
from sequencer.cli.station.keyboard import Keyboard
from sequencer.run.line.face import Face, from_plain
from sequencer.run.line.scans import Affixes

_MARGIN = 2
EARLY_S = 0.2
"""Nothing is asked for until so long after the window is up: what was typed before is read by then, and is of no turn of the station."""


class StationWindow(App[None]):
    """Shows faces and hands on what was scanned or pressed. ``send`` takes a message, ``interrupt`` does what Ctrl-C does."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[Any]] = []
    CSS = "Screen { background: black; color: white; overflow: hidden; } Static { padding: 0 1; background: black; color: white; }"

    def __init__(
        self,
        *,
        faces: int | None,
        send: Callable[[dict[str, Any]], None],
        interrupt: Callable[[], None],
        affixes: Affixes | None = None,
    ) -> None:
        super().__init__()
        self._faces, self._hand_on, self._interrupt = faces, send, interrupt
        self._held = b""
        self._keyboard = Keyboard(affixes)
        self.face = Face(phase="opening")
        self.shown: list[str] = []
        self._is_up = False

    @override
    def compose(self) -> ComposeResult:
        yield Static(id="page", markup=False)

    def on_mount(self) -> None:
        """Begin to read what is to be shown."""
        self._is_up = True
        if self._faces is not None:
            asyncio.get_running_loop().call_later(EARLY_S, self._begin)
        self._draw()

    def _begin(self) -> None:
        assert self._faces is not None
        asyncio.get_running_loop().add_reader(self._faces, self._more)

    def _more(self) -> None:
        assert self._faces is not None
        more = os.read(self._faces, 65536)
        if not more:
            asyncio.get_running_loop().remove_reader(self._faces)
            self.exit()
            return
        *lines, self._held = (self._held + more).split(b"\n")
        for line in lines:
            self.take(json.loads(line))

    def take(self, message: dict[str, Any]) -> None:
        """Take one message: a face, how many scans were taken, or a bell."""
        if "face" in message:
            self.face = from_plain(message["face"])
        if taken := message.get("taken", 0):
            self._keyboard.taken(taken)
        if message.get("bell"):
            self.bell()
        self._draw()

    def on_resize(self) -> None:
        """Draw it anew in the new size, once that is the screen's own."""
        self.call_after_refresh(self._draw)

    def on_key(self, event: events.Key) -> None:
        """Take one key; Ctrl-C ends the session as everywhere."""
        event.stop()
        event.prevent_default()
        if event.key in ("ctrl+c", "ctrl+backslash"):
            self._interrupt()
            return
        self._hand_on_all(self._keyboard.key(event.key, event.character, self.face, event.time))
        self._look_again()

    def on_paste(self, event: events.Paste) -> None:
        """Take a bracketed paste, which is no key."""
        event.stop()
        event.prevent_default()
        self._hand_on_all(self._keyboard.paste(event.text, self.face))

    @override
    async def on_event(self, event: events.Event) -> None:
        """See what a terminal reports beside keys, too: a bar code may hold it."""
        if isinstance(event, events.AppFocus | events.AppBlur | events.MouseEvent | events.CursorPosition):
            self._keyboard.odd(self.face, event.time)
            self._look_again()
        await super().on_event(event)

    def _look_again(self) -> None:
        """Come back once a key that was held back is known to be alone."""
        if (due_s := self._keyboard.due_s) is not None:
            self.set_timer(max(0.001, due_s - time.monotonic()), self._due)

    def _due(self) -> None:
        self._hand_on_all(self._keyboard.due(time.monotonic()))
        if (due_s := self._keyboard.due_s) is not None and due_s - time.monotonic() < 0.002:
            self._look_again()

    @override
    async def action_quit(self) -> None:
        """Ctrl-Q ends nothing: only the process with the bench may end this."""

    def _hand_on_all(self, messages: list[dict[str, Any]]) -> None:
        for message in messages:
            self._hand_on(message)
        self._draw()

    def _draw(self) -> None:
        width, height = max(1, self.size.width - _MARGIN), max(1, self.size.height)
        lines = drawn(self.face, self._keyboard.typed(), width, height)
        self.shown = [line.text for line in lines]
        page = Text(no_wrap=True)
        for number, line in enumerate(lines):
            page.append(("\n" if number else "") + line.text, style=line.style or None)
        if self._is_up:
            self.query_one("#page", Static).update(page)


def main() -> None:
    """Show what comes on the first descriptor until it ends; write what was scanned or pressed to the second."""
    faces, keys, prefix, suffix = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3], sys.argv[4]
    bench = os.getppid()

    def send(message: dict[str, Any]) -> None:
        try:
            os.write(keys, json.dumps(message).encode("ascii") + b"\n")
        except OSError:
            app.exit()

    def interrupt() -> None:
        if os.getppid() == bench:
            os.kill(bench, signal.SIGINT)

    app = StationWindow(
        faces=faces, send=send, interrupt=interrupt, affixes=Affixes(prefix=prefix, suffix=suffix)
    )
    app.run(mouse=False)


if __name__ == "__main__":
    main()
