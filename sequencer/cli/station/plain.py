"""A station without a window: serials come line by line, and what is said goes out in plain lines, for a handler or a simple terminal."""

from __future__ import annotations

import codecs
import os
import select
import sys
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress

from typing_extensions import override

from sequencer.problems import printable
from sequencer.run.line.face import NO, OTHER, YES, Face, Verdict, safe_line
from sequencer.run.line.scans import Affixes, Scan, ScanBuffer
from sequencer.run.line.work import Arrival, Operator

ANSWERS = {YES: "y", NO: "n", OTHER: "o"}
"""What is typed in place of a key that the window takes."""


class PlainOperator(Operator):
    """Reads serials from ``descriptor``; ``is_terminal`` says whether a person types there, who can be asked.

    Where nobody can be asked a unit that raises a question is left out, and said so. ``say`` takes a line.
    """

    def __init__(
        self,
        *,
        say: Callable[[str], None],
        is_terminal: bool,
        descriptor: int | None = None,
        affixes: Affixes | None = None,
    ) -> None:
        self._descriptor = descriptor
        self._is_terminal = is_terminal
        self._say = say
        self._buffer = ScanBuffer(affixes)
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._scans: deque[Scan] = deque()
        self._early: deque[Scan] = deque()
        self._is_over = False
        self._face = Face(phase="opening")

    @property
    def face(self) -> Face:
        """What was said last."""
        return self._face

    @override
    def show(self, face: Face) -> None:
        before, self._face = self._face, face
        if face.phase == "measuring" and before.phase != "measuring":
            self._say(f"{printable(face.serial)}: measuring. Do not touch the unit.")
        if face.verdict is not None and before.verdict is None:
            for line in verdict_lines(face):
                self._say(line)
        elif face.safe != before.safe and face.safe is not None:
            self._say(safe_line(face))
        for line in face.notes:
            if line not in before.notes:
                self._say(printable(line))
        if face.phase == "waiting" and face.turn != before.turn:
            self._say("Scan the next unit." if self._is_terminal else "ready")

    @override
    def next_arrival(self) -> Arrival | None:
        self._take_early()
        if self._early:
            return Arrival(scan=self._early.popleft(), turn=self._face.turn - 1)
        scan = self._next_scan()
        return None if scan is None else Arrival(scan=scan, turn=self._face.turn)

    @override
    def kept(self) -> tuple[Scan, ...]:
        return (*self._early, *self._scans)

    @override
    def choose(self, face: Face) -> str:
        assert face.question is not None
        for line in face.question.text:
            self._say(printable(line))
        if not self._is_terminal:
            self._say("Nobody is here to ask.")
            return NO
        self._take_early()
        keys = {ANSWERS[one.key]: one.key for one in face.question.choices}
        said = ", ".join(f"{ANSWERS[one.key]}: {one.label}" for one in face.question.choices)
        while True:
            self._say(f"  {said}")
            scan = self._next_scan()
            if scan is None:
                return NO
            if (key := keys.get(scan.serial.lower())) is not None:
                return key
            self._say(f"{printable(scan.serial)[:64]} is no answer, and nothing is done with it.")

    @override
    def write(self, face: Face) -> str | None:
        assert face.question is not None
        for line in face.question.text:
            self._say(printable(line))
        if not self._is_terminal:
            self._say("Nobody is here to ask.")
            return None
        scan = self._next_scan()
        return None if scan is None else scan.serial

    def _take_early(self) -> None:
        """At a terminal, set aside what was typed before it was waited for: it begins no unit and answers nothing by itself."""
        descriptor = self._terminal()
        while descriptor is not None and not self._is_over and select.select([descriptor], [], [], 0.0)[0]:
            if more := self._more():
                self._scans.extend(self._buffer.take(more))
            else:
                self._is_over = True
        if descriptor is not None:
            self._early.extend(self._scans)
            self._scans.clear()

    def _terminal(self) -> int | None:
        """The descriptor of the terminal at which a person types; None where there is none."""
        if not self._is_terminal or sys.platform == "win32":
            return None
        with suppress(OSError, ValueError):
            descriptor = sys.stdin.fileno() if self._descriptor is None else self._descriptor
            return descriptor if os.isatty(descriptor) else None
        return None

    def _next_scan(self) -> Scan | None:
        while not self._scans and not self._is_over:
            if not (more := self._more()):
                self._is_over = True
                self._scans.extend(self._buffer.take("\n"))
            self._scans.extend(self._buffer.take(more))
        return self._scans.popleft() if self._scans else None

    def _more(self) -> str:
        """Wait for more of the input and return it; empty at its end."""
        try:
            descriptor = sys.stdin.fileno() if self._descriptor is None else self._descriptor
        except (OSError, ValueError):  # no file: what stands in for standard input gives lines
            return sys.stdin.readline()
        try:
            if sys.platform != "win32":  # select knows sockets only there
                select.select([descriptor], [], [])
            while more := os.read(descriptor, 4096):
                if text := self._decoder.decode(more):
                    return text
        except OSError:  # the terminal is gone
            pass
        return ""


class ListedUnits(Operator):
    """A bench with a handler: its units come from a list, in order, and nobody is asked anything."""

    def __init__(self, serials: Iterable[str], *, say: Callable[[str], None]) -> None:
        self._serials = deque(serials)
        self._shown = PlainOperator(say=say, is_terminal=False, descriptor=-1)
        self._face = Face(phase="opening")

    @override
    def show(self, face: Face) -> None:
        self._face = face
        self._shown.show(face)

    @override
    def next_arrival(self) -> Arrival | None:
        if not self._serials:
            return None
        return Arrival(scan=Scan(serial=self._serials.popleft()), turn=self._face.turn)

    @override
    def kept(self) -> tuple[Scan, ...]:
        return tuple(Scan(serial=one) for one in self._serials)

    @override
    def choose(self, face: Face) -> str:
        return self._shown.choose(face)

    @override
    def write(self, face: Face) -> str | None:
        return self._shown.write(face)


def verdict_lines(face: Face) -> list[str]:
    """Return what came of a unit, in plain lines: the verdict first."""
    assert face.verdict is not None
    lines = [printable(f"{face.serial} {face.model}".strip()) + f": {face.verdict.value}"]
    lines += [f"  {printable(one)}" for one in (*filter(None, (face.met,)), *face.wrong)]
    if face.look_at and face.verdict is not Verdict.PASS:
        lines.append(f"  look at: {printable(face.look_at)}")
    lines += [safe_line(face)] if face.safe is not None else []
    return lines
