"""Who turns presets at this process's terminal: by a live screen, or by plain lines where none can be drawn.

The screen is drawn by a process of its own (`sequencer.cli.screens.live_window`), so that the bench is driven in the main
thread as always: Textual sets signal handlers and owns the terminal, and neither may stand in the way of Ctrl-C, SIGTERM,
or a reading in time.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import fields
from typing import Any

from sequencer.checks.live import LivePerson, LiveStart, LiveView, Press
from sequencer.cli.screens.live_text import LEAST_HEIGHT, LEAST_WIDTH, plain_line, start_lines
from sequencer.cli.screens.operator import Screen, columns

PERIOD_S = 0.2
LINE_S = 1.0
END_S = 3.0
_PRESSES = {"enter": Press.KEEP, "s": Press.SKIP, "b": Press.BACK, "?": Press.EXPLAIN}
_TURNS = {"left": -0.01, "right": 0.01, "down": -0.1, "up": 0.1}
"""Shares of a turn of a simulated trimmer."""


def live_person(screen: Screen) -> LivePerson:
    """Return who turns presets: with the live screen where standard input and error are a terminal that can show one."""
    able = os.environ.get("TERM", "") not in ("", "dumb") and sys.platform != "win32"
    is_terminal = sys.stdin.isatty() and sys.stderr.isatty()
    return WindowPerson(screen) if able and is_terminal and _has_room() else LinePerson(screen)


def _has_room() -> bool:
    """Say whether the terminal, whatever COLUMNS says and wherever standard output goes, has room for the screen."""
    with suppress(OSError, ValueError):
        size = os.get_terminal_size(sys.stderr.fileno())
        return (size.columns or 80) >= LEAST_WIDTH and (size.lines or 24) >= LEAST_HEIGHT
    return False


class _Paced:
    """Keeps a simulated bench, whose time flies, at a person's pace; a real one takes its time by itself."""

    def __init__(self) -> None:
        self.start: LiveStart | None = None
        self._shown_s = 0.0

    def left_s(self) -> float:
        """Return how long to wait for a key before the next reading, s."""
        if self.start is None or self.start.turn_by is None:
            return 0.0
        return max(0.0, PERIOD_S - (time.monotonic() - self._shown_s))

    def shown(self) -> None:
        """Take note that a reading was shown."""
        self._shown_s = time.monotonic()


class WindowPerson:
    """Shows readings on the live screen and hands its keys on. ``screen`` is whatever else is shown, paused meanwhile."""

    def __init__(self, screen: Screen) -> None:
        self._screen = screen
        self._paced = _Paced()
        self._window: subprocess.Popen[bytes] | None = None
        self._views = self._keys = -1
        self._typed = b""
        self._waiting: Press | None = None
        self._terminal: Any = None

    def begin(self, start: LiveStart) -> None:
        """Open the window, show what is to be turned, and wait for Enter: nothing is keyed yet."""
        self._screen.pause()
        self._paced.start = start
        self._open()
        told = {one.name: getattr(start, one.name) for one in fields(start) if one.name != "turn_by"}
        self._tell({"start": told, "turns": start.turn_by is not None})
        while self._is_open():
            key = self._key(PERIOD_S)
            if key in ("s", "b"):
                self._waiting = _PRESSES[key]
            if key in ("enter", "s", "b"):
                return

    def show(self, view: LiveView) -> Press | None:
        """Show a reading; return what was pressed since the last, at once."""
        told = {one.name: getattr(view, one.name) for one in fields(view)}
        self._tell({"view": told})
        if self._waiting is not None:
            press, self._waiting = self._waiting, None
            return press
        return self._pressed()

    def end(self, outcome: str) -> None:
        """Close the window, leave the terminal as it was found, and say how it ended."""
        self._close()
        sys.stderr.write(f"{outcome}\n")
        sys.stderr.flush()
        self._screen.resume()

    def _pressed(self) -> Press | None:
        """Return the first key that decides, else whether any came; only a simulated bench waits for one, until the next reading is due."""
        found: Press | None = None
        while (key := self._key(self._paced.left_s())) is not None:
            press = self._meant(key)
            if press is not Press.STILL_HERE:
                return press
            found = press
        self._paced.shown()
        return found

    def _meant(self, key: str) -> Press:
        start = self._paced.start
        if start is not None and start.turn_by is not None and key in _TURNS:
            start.turn_by(_TURNS[key])
        return _PRESSES.get(key, Press.STILL_HERE)

    # -- the window's process -----------------------------------------------------------------------------------------

    def _open(self) -> None:
        import termios

        self._terminal = termios.tcgetattr(sys.stdin.fileno())
        views, self._views = os.pipe()
        self._keys, keys = os.pipe()
        self._typed, self._waiting = b"", None
        # A window that hangs must not hold up a reading while the unit is keyed: what finds no room is not shown.
        os.set_blocking(self._views, False)
        words = [sys.executable, "-m", "sequencer.cli.screens.live_window", str(views), str(keys)]
        # Textual asks standard output for the terminal's size, unless COLUMNS and LINES say one: it is to be the terminal's own.
        size = ("COLUMNS", "LINES")
        environment = {name: value for name, value in os.environ.items() if name not in size}
        self._window = subprocess.Popen(words, pass_fds=(views, keys), stdout=sys.stderr, env=environment)
        os.close(views)
        os.close(keys)

    def _close(self) -> None:
        for descriptor in (self._views, self._keys):
            if descriptor >= 0:
                os.close(descriptor)
        self._views = self._keys = -1
        if (window := self._window) is not None:
            try:
                window.wait(END_S)
            except subprocess.TimeoutExpired:
                window.kill()
                window.wait()
            if window.returncode != 0:
                sys.stderr.write(
                    "\x1b[?1049l\x1b[?25h\x1b[?1004l\x1b[?2004l\x1b[<u\r\nThe live screen ended by itself.\n"
                )
        self._window = None
        if self._terminal is not None:
            import termios

            with suppress(termios.error):
                termios.tcsetattr(sys.stdin.fileno(), termios.TCSANOW, self._terminal)
                termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)

    def _is_open(self) -> bool:
        if self._window is not None and self._window.poll() is None:
            return True
        self._waiting = self._waiting or Press.SKIP  # nobody can see or stop what would be keyed
        return False

    def _tell(self, message: dict[str, Any]) -> None:
        def plain(value: object) -> object:
            raise TypeError(f"cannot show {value!r}")

        with suppress(BlockingIOError, BrokenPipeError, OSError):
            os.write(self._views, json.dumps(message, default=plain).encode() + b"\n")

    def _key(self, within_s: float) -> str | None:
        """Return the next key's name; None where none came in time. A window that is gone skips."""
        while b"\n" not in self._typed:
            if not select.select([self._keys], [], [], within_s)[0]:
                return None
            more = os.read(self._keys, 4096)
            if not more:
                return "s"
            self._typed += more
        name, _, self._typed = self._typed.partition(b"\n")
        return name.decode("ascii", "replace")


class LinePerson:
    """Shows a line a second and takes typed lines: Enter keeps, s skips, b goes back, ? explains."""

    def __init__(self, screen: Screen, *, descriptor: int | None = None) -> None:
        self._screen = screen
        self._descriptor = sys.stdin.fileno() if descriptor is None else descriptor
        self._paced = _Paced()
        self._line_s = 0.0
        self._ended = False

    def begin(self, start: LiveStart) -> None:
        """Say what is to be turned, and wait for Enter where somebody can type it."""
        self._screen.pause()
        self._paced.start = start
        self._say("\n".join(start_lines(start, max(20, min(100, columns() - 1)))))
        if start.turn_by is not None:
            self._say("Type + or - to turn the simulated trimmer, ++ or -- by more.")
        self._line(None)

    def show(self, view: LiveView) -> Press | None:
        """Say a reading, no more than one a second; return what was typed since the last."""
        if time.monotonic() - self._line_s >= LINE_S or view.note:
            self._line_s = time.monotonic()
            self._say(plain_line(view))
        typed = self._line(self._paced.left_s())
        self._paced.shown()
        return None if typed is None else self._meant(typed.strip().lower())

    def end(self, outcome: str) -> None:
        """Say how it ended."""
        self._say(outcome)
        self._screen.resume()

    def _meant(self, typed: str) -> Press:
        turn_by = self._paced.start.turn_by if self._paced.start is not None else None
        if turn_by is not None and typed and set(typed) <= {"+"} | {"-"}:
            turn_by((0.1 if len(typed) > 1 else 0.01) * (1.0 if typed[0] == "+" else -1.0))
        return Press.KEEP if typed == "" else _PRESSES.get(typed, Press.STILL_HERE)

    def _line(self, within_s: float | None) -> str | None:
        if self._ended or not select.select([self._descriptor], [], [], within_s)[0]:
            return None
        line = b""
        while not line.endswith(b"\n"):
            more = os.read(self._descriptor, 1)
            if not more:
                self._ended = True
                return None
            line += more
        return line.decode("utf-8", "replace")

    @staticmethod
    def _say(text: str) -> None:
        sys.stderr.write(f"{text}\n")
        sys.stderr.flush()
