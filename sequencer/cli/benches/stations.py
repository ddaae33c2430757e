"""`benches --line`: several stations of one machine at one terminal, each a `line` in a process of its own.

A scan says at which bench its unit lies: the bench's number or name first, then the serial, as two scans or on one line. It is never
guessed, not even where a single bench waits: the unit that was just taken in hand may lie in another one's fixture.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import Any

import click

from sequencer.cli.benches.child import Child
from sequencer.cli.benches.command import import_beforehand, open_store_once
from sequencer.cli.benches.prove import proved_stations
from sequencer.cli.benches.station import Station
from sequencer.cli.benches.stations_shown import StationsShown, asked_text, face_lines
from sequencer.cli.common.bench import is_terminal
from sequencer.cli.common.console import console_for
from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.cli.run import Asked
from sequencer.inputs.lists.bench_list import read_bench_list
from sequencer.problems import printable
from sequencer.run.line.face import NO, OTHER, YES, Face, from_plain
from sequencer.run.line.scans import ScanBuffer
from sequencer.run.status import ExitStatus

LOOK_S = 0.1
ANSWERS = {"y": YES, "n": NO, "o": OTHER}
_STOPPING = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT") if hasattr(signal, name)
)


def stations_command(path: Path, asked: Asked, *, as_json: bool) -> int:
    """Let the stations of a list work until nobody scans any more; returns the highest exit status."""
    named = proved_stations(path, read_bench_list(path, stations=True), asked)
    open_store_once(asked)
    import sequencer.cli.station.command  # noqa: F401 - once for all that are forked from here

    import_beforehand()
    stations = [Station(number=at, name=name, words=words) for at, (name, words) in enumerate(named, 1)]
    working = _AtStations(stations, terminal=is_terminal(sys.stdin) and is_terminal(sys.stderr))
    working.go()
    status = max((ExitStatus.BENCH_FAILED if (one.status or 0) < 0 else one.status or 0) for one in stations)
    if not status and working.refused:
        status = int(ExitStatus.INPUT_WRONG)
    if as_json:
        plain = [{"bench": one.name, "status": one.status, "said": one.said[-20:]} for one in stations]
        with reader_may_be_gone(sys.stdout):
            click.echo(json.dumps({"status": int(status), "benches": plain}, ensure_ascii=False, indent=2))
    return int(status)


class _AtStations:
    def __init__(self, stations: Sequence[Station], *, terminal: bool) -> None:
        self._stations = stations
        self._terminal = terminal
        self._shown = StationsShown(stations, console_for(stderr=True), is_table=terminal)
        self._buffer = ScanBuffer()
        self._chosen: Station | None = None
        self._is_over = False
        self._requests: list[int] = []
        self._stopped = False
        self.refused = False
        """Whether something was scanned that names no bench."""

    def go(self) -> None:
        """Work until all processes have ended."""
        with self._signals(), self._keys_one_by_one():
            for one in self._stations:
                one.child = Child(one.words)
            self._shown.begin()
            try:
                while any(one.child is not None for one in self._stations):
                    self._turn()
            finally:
                self._shown.end()

    def _turn(self) -> None:
        if self._requests and not self._stopped:
            self._stopped = True
            for one in self._stations:
                if one.child is not None:
                    one.child.signal(signal.SIGINT)
            self._shown.say("Stopping: each bench is made safe.")
        readers = {
            descriptor: one
            for one in self._stations
            if one.child is not None
            for descriptor in (one.child.out, one.child.err)
        }
        typed = [] if self._is_over else [sys.stdin.fileno()]
        ready = select.select([*readers, *typed], [], [], LOOK_S)[0]
        for descriptor in ready:
            if descriptor in readers:
                self._hear(readers[descriptor], descriptor)
        if typed and typed[0] in ready:
            self._read(typed[0])
        for one in self._stations:
            self._hand_over(one)
            self._look(one)
        self._shown.draw(self._typed_line())

    def _hear(self, one: Station, descriptor: int) -> bool:
        assert one.child is not None
        if (lines := one.child.read_lines(descriptor)) is None:
            return False
        for line in lines:
            if descriptor == one.child.err:
                if line.strip():
                    one.said.append(printable(line))
                continue
            with suppress(ValueError, KeyError, TypeError):
                message = json.loads(line)
                if "face" in message:
                    self._shows(one, from_plain(message["face"]))
        return True

    def _shows(self, one: Station, face: Face) -> None:
        before, one.face = one.face, face
        if not self._terminal or (face.verdict is not None and before.verdict is None):
            for line in face_lines(before, face):
                self._shown.say(f"{one.number} {one.name}: {line}", always=not self._terminal)
        if face.question is not None and not self._terminal and face.asked != before.asked:
            self._shown.say(f"{one.number} {one.name}: {asked_text(face.question)} Nobody is here to ask.")
            self._answer(one, "n")

    def _look(self, one: Station) -> None:
        if one.child is None or (status := one.child.look()) is None:
            return
        for descriptor in (one.child.out, one.child.err):
            while select.select([descriptor], [], [], 0.0)[0] and self._hear(one, descriptor):
                pass
        one.child.close()
        one.child, one.status = None, status
        if status < 0:
            one.said.append(
                f"its process was ended by {signal.Signals(-status).name}. How the bench is left is not known: remove the supply from the "
                "unit before you touch it. The next command on this bench makes it safe first."
            )
        for line in one.said[-4:]:
            self._shown.say(f"{one.number} {one.name}: {line}", always=True)

    def _read(self, descriptor: int) -> None:
        more = b""
        with suppress(OSError):
            more = os.read(descriptor, 4096)
        text = more.decode("utf-8", "replace")
        if not more or "\x04" in text:  # Ctrl-D
            self._end()
            return
        if self._terminal and text in ("\x7f", "\b"):
            self._buffer.erase()
            return
        for scan in self._buffer.take(text):
            self._came(scan.serial)

    def _came(self, text: str) -> None:
        """Take one line or scan: an answer where a bench asks, a bench's number or name, a serial, or both."""
        asking = next((one for one in self._stations if one.asks), None)
        if asking is not None and self._chosen is None and self._is_answer(asking, text):
            self._answer(asking, text)
            return
        first, _, rest = text.strip().partition(" ")
        whole, alone = self._named(text.strip()), self._named(first)
        if whole is not None:
            self._chosen = whole
        elif alone is not None and rest.strip():
            self._scan(alone, rest.strip())
        elif self._chosen is not None:
            self._scan(self._chosen, text.strip())
        elif len(self._stations) == 1:
            self._scan(self._stations[0], text.strip())
        elif text.strip():
            self.refused = True
            self._shown.say(
                f"{printable(text.strip())[:40]}: at which bench? Scan or type its number (1 to {len(self._stations)}) or name first, "
                "then the unit.",
                always=True,
            )

    def _named(self, text: str) -> Station | None:
        return next((one for one in self._stations if text in (str(one.number), one.name)), None)

    def _scan(self, one: Station, serial: str) -> None:
        self._chosen = None
        if one.child is None:
            self._shown.say(
                f"{one.number} {one.name}: its session has ended; {printable(serial)[:40]} is not measured.",
                always=True,
            )
            return
        one.pending.append(serial)
        self._hand_over(one)

    def _hand_over(self, one: Station) -> None:
        """Hand a station what was scanned for it: at a terminal at once, else once it waits, for nobody could be asked about it."""
        while one.child is not None and one.pending:
            if not self._terminal and (not one.waits or one.sent_turn == one.face.turn):
                return
            one.sent_turn = one.face.turn
            for scan in ScanBuffer().take(f"{one.pending.popleft()}\n"):
                one.child.answer(
                    json.dumps({"scan": scan.serial, "wrong": scan.wrong, "turn": one.face.turn})
                )
        if (
            self._is_over
            and one.child is not None
            and not one.is_ended
            and (self._terminal or self._is_done(one))
        ):
            one.is_ended = True
            one.child.answer(json.dumps({"end": True}))

    def _is_done(self, one: Station) -> bool:
        return one.waits and one.sent_turn != one.face.turn

    def _is_answer(self, one: Station, text: str) -> bool:
        question = one.face.question
        assert question is not None
        if question.is_typed:
            return self._named(text.strip()) is None
        key = ANSWERS.get(text.strip().lower())
        return key is not None and any(key == choice.key for choice in question.choices)

    def _answer(self, one: Station, text: str) -> None:
        assert one.child is not None
        question = one.face.question
        assert question is not None
        said: dict[str, Any] = {"asked": one.face.asked}
        if question.is_typed:
            said["text"] = text if self._terminal else None
        else:
            said["key"] = ANSWERS[text.strip().lower()]
        one.child.answer(json.dumps(said))

    def _end(self) -> None:
        self._is_over = True
        self._shown.say("No more scans: each session ends once its unit is measured.")

    def _typed_line(self) -> str:
        where = f"{self._chosen.number} {self._chosen.name}: " if self._chosen is not None else ""
        return printable(f"{where}{self._buffer.begun}")

    @contextmanager
    def _keys_one_by_one(self) -> Iterator[None]:
        """Read keys as they come and show them in the table, where a terminal is; Ctrl-C still stops."""
        if not self._terminal or sys.platform == "win32":
            yield
            return
        import termios
        import tty

        before = termios.tcgetattr(sys.stdin.fileno())
        tty.setcbreak(sys.stdin.fileno())
        try:
            yield
        finally:
            termios.tcsetattr(sys.stdin.fileno(), termios.TCSAFLUSH, before)

    @contextmanager
    def _signals(self) -> Iterator[None]:
        before = {number: signal.signal(number, self._requested) for number in _STOPPING}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _requested(self, number: int, _frame: FrameType | None) -> None:
        self._requests.append(number)
