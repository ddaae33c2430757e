"""Whoever stands at the station, by the window: shows faces there, and takes from it what was scanned, pressed and typed."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
from collections import deque
from contextlib import suppress
from dataclasses import replace
from typing import Any

from typing_extensions import override

from sequencer.cli.station.drawn import LEAST_HEIGHT, LEAST_WIDTH
from sequencer.run.line.face import NO, Face, as_plain
from sequencer.run.line.scans import Affixes, Scan
from sequencer.run.line.work import Arrival, Operator

END_S = 3.0
_RESTORE = "\x1b[?1049l\x1b[?25h\x1b[?1004l\x1b[?2004l\x1b[<u\r\n"


def has_screen() -> bool:
    """Say whether standard input and error are a terminal on which the window can be drawn."""
    able = os.environ.get("TERM", "") not in ("", "dumb") and sys.platform != "win32"
    if not (able and sys.stdin.isatty() and sys.stderr.isatty()):
        return False
    with suppress(OSError, ValueError):
        size = os.get_terminal_size(sys.stderr.fileno())
        return (size.columns or 80) >= LEAST_WIDTH and (size.lines or 24) >= LEAST_HEIGHT
    return False


class WindowOperator(Operator):
    """The window, and the person before it. A context manager; leaving it gives the terminal back as it was."""

    def __init__(self, *, affixes: Affixes | None = None, sound: bool = False) -> None:
        self._affixes = affixes or Affixes()
        self._sound = sound
        self._window: subprocess.Popen[bytes] | None = None
        self._faces = self._keys = -1
        self._held = b""
        self._arrivals: deque[Arrival] = deque()
        self._answers: deque[dict[str, Any]] = deque()
        self._is_over = False
        self.is_lost = False
        """Whether the window ended by itself."""
        self._terminal: Any = None
        self._face = Face(phase="opening")

    def __enter__(self) -> WindowOperator:
        import termios

        self._terminal = termios.tcgetattr(sys.stdin.fileno())
        faces, self._faces = os.pipe()
        self._keys, keys = os.pipe()
        # a window that hangs must not hold up a reading while the unit is keyed: what finds no room is not shown
        os.set_blocking(self._faces, False)
        module = "sequencer.cli.station.window"
        affixes = [self._affixes.prefix, self._affixes.suffix]
        words = [sys.executable, "-m", module, str(faces), str(keys), *affixes]
        # Textual asks standard output for the terminal's size, unless COLUMNS and LINES say one: it is to be the terminal's own.
        size = ("COLUMNS", "LINES")
        environment = {name: value for name, value in os.environ.items() if name not in size}
        self._window = subprocess.Popen(words, pass_fds=(faces, keys), stdout=sys.stderr, env=environment)
        os.close(faces)
        os.close(keys)
        return self

    def __exit__(self, *_: object) -> None:
        import termios

        for descriptor in (self._faces, self._keys):
            os.close(descriptor)
        self._faces = self._keys = -1
        assert self._window is not None
        try:
            self._window.wait(END_S)
        except subprocess.TimeoutExpired:
            self._window.kill()
            self._window.wait()
        if self._window.returncode != 0:
            sys.stderr.write(f"{_RESTORE}The station's window ended by itself.\n")
        with suppress(termios.error, OSError):
            termios.tcsetattr(sys.stdin.fileno(), termios.TCSANOW, self._terminal)
            termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)

    @override
    def show(self, face: Face) -> None:
        rings = self._sound and face.verdict is not None and self._face.verdict is None
        self._face = face
        self._tell({"face": as_plain(face), "bell": rings}, must=face.phase != "measuring")

    @override
    def next_arrival(self) -> Arrival | None:
        self._hear(0.0)
        while not self._arrivals:
            if not self._hear(None):
                return None
        if self._is_over and not self.is_lost:  # F10: what was scanned is kept, and named at the end
            return None
        first, count = self._arrivals.popleft(), 1
        while self._arrivals and self._arrivals[0] == first:  # a doubled scan
            self._arrivals.popleft()
            count += 1
        self._tell({"taken": count}, must=True)
        return replace(first, scan=replace(first.scan, times=count))

    @override
    def kept(self) -> tuple[Scan, ...]:
        return tuple(one.scan for one in self._arrivals)

    @override
    def choose(self, face: Face) -> str:
        answer = self._answer(face)
        return NO if answer is None else str(answer["key"])

    @override
    def write(self, face: Face) -> str | None:
        answer = self._answer(face)
        return None if answer is None else answer["text"]

    @property
    def face(self) -> Face:
        """What is shown."""
        return self._face

    def _answer(self, face: Face) -> dict[str, Any] | None:
        """Show a question and wait for its answer; None where the window has gone."""
        before = self._face
        self._tell({"face": as_plain(face), "bell": self._sound}, must=True)
        self._answers.clear()
        while True:
            while self._answers:
                if (one := self._answers.popleft())["asked"] == face.asked:
                    self._tell({"face": as_plain(before)}, must=True)
                    return one
            if not self._hear(None):
                return None

    def _hear(self, within_s: float | None) -> bool:
        """Take what the window has said, waiting ``within_s`` for a first word (None: as long as it takes); false where it has gone."""
        if self._is_over:
            return False
        while select.select([self._keys], [], [], within_s)[0]:
            within_s = 0.0
            more = os.read(self._keys, 65536)
            if not more:
                self._is_over = self.is_lost = True
                return False
            self._held += more
        *lines, self._held = self._held.split(b"\n")
        for line in lines:
            self._take(json.loads(line))
        return not self._is_over

    def _take(self, message: dict[str, Any]) -> None:
        if "scan" in message:
            scan = Scan(serial=message["scan"], wrong=message["wrong"])
            self._arrivals.append(Arrival(scan=scan, turn=message["turn"]))
        elif "end" in message:
            self._is_over = True
        else:
            self._answers.append(message)

    def _tell(self, message: dict[str, Any], *, must: bool = False) -> None:
        """Tell the window; what ``must`` arrive waits for room, up to `END_S`: not while a unit is measured."""
        told = json.dumps(message).encode("ascii") + b"\n"
        with suppress(BlockingIOError, BrokenPipeError, OSError):
            if len(told) <= select.PIPE_BUF and not must:  # whole or not at all
                os.write(self._faces, told)
                return
            while told and select.select([], [self._faces], [], END_S)[1]:
                told = told[os.write(self._faces, told) :]
