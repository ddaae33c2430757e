"""`benches`: a run on each of several benches, each in a process of its own; this one shows them and hands on signals and answers."""

from __future__ import annotations

import gc
import json
import os
import select
import signal
import sys
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType

import click

from sequencer.cli.benches.lane import Asked as Question
from sequencer.cli.benches.lane import Lane, worst
from sequencer.cli.benches.prove import proved_lanes
from sequencer.cli.benches.shown import Shown, last_lines
from sequencer.cli.common.bench import is_terminal
from sequencer.cli.common.console import console_for
from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.cli.run import Asked
from sequencer.inputs.lists.bench_list import read_bench_list
from sequencer.problems import printable
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from sequencer.run.status import ExitStatus
from sequencer.units.format import counted

LOOK_S = 0.1
GIVEN_UP_S = 60.0
"""Once all were asked to stop, a process that has said nothing for so long is no longer waited for."""
_STOPPING = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT") if hasattr(signal, name)
)


def benches_command(path: Path, asked: Asked, *, as_json: bool) -> int:
    """Work the benches of a list at once; returns the highest exit status of their runs."""
    terminal = is_terminal(sys.stdin) and is_terminal(sys.stderr)
    lanes = proved_lanes(path, read_bench_list(path), asked, terminal=terminal)
    open_store_once(asked)
    import_beforehand()
    shown = Shown(lanes, console_for(stderr=True), quiet=as_json)
    working = _Working(lanes, shown, terminal=terminal)
    working.go()
    status = working.status()
    if as_json:
        with reader_may_be_gone(sys.stdout):
            plain = {"status": status, "benches": [_as_plain(lane) for lane in lanes]}
            click.echo(json.dumps(plain, ensure_ascii=False, indent=2))
    stream = sys.stderr if as_json else sys.stdout
    with reader_may_be_gone(stream):
        click.echo("\n".join(last_lines(lanes)), file=stream)
    return status


def open_store_once(asked: Asked) -> None:
    """See that the store is there: its tables are made once, and not by all processes at the same moment."""
    place = find_place(asked.folder, asked.store)
    if place.path is not None:
        place.path.parent.mkdir(parents=True, exist_ok=True)
    Store.open(place).close()


def _as_plain(lane: Lane) -> dict[str, object]:
    return {
        "bench": lane.name,
        "line": lane.line,
        "statuses": lane.statuses,
        "state": lane.state,
        "runs": lane.runs,
        "not_measured": [one.serial for one in lane.units],
        "troubles": lane.troubles,
    }


def import_beforehand() -> None:
    """Import what each run needs, once for all that are forked from here."""
    import sequencer.cli.run_told
    import sequencer.cli.screens.linked
    import sequencer.cli.screens.screen
    import sequencer.run.runner  # noqa: F401

    gc.collect()
    gc.freeze()


class _Working:
    """The benches at work: hears their processes, asks their questions, hands on what asks to stop."""

    def __init__(self, lanes: Sequence[Lane], shown: Shown, *, terminal: bool) -> None:
        self._lanes = lanes
        self._shown = shown
        self._terminal = terminal
        self._requests: deque[int] = deque()
        self._stop_s: float | None = None
        self._asking: Question | None = None
        self._typed = b""
        self._connect: deque[Question] = deque()
        self._given_up: list[Lane] = []

    def status(self) -> int:
        """Return the exit status: the highest of all, and that of who was stopped where one was."""
        status = worst(self._lanes)
        if self._stop_s is not None and status != ExitStatus.BENCH_FAILED:
            status = max(status, int(ExitStatus.INTERRUPTED))
        return max(status, int(ExitStatus.BENCH_FAILED)) if self._given_up else status

    def go(self) -> None:
        """Start each bench, and return once all have ended."""
        with self._signals():
            for lane in self._lanes:
                if not self._requests:
                    self._next_unit(lane)
            self._shown.begin()
            try:
                while any(not lane.is_over for lane in self._lanes):
                    self._turn()
            finally:
                self._shown.pause()

    def _turn(self) -> None:
        self._hand_on()
        self._ask()
        readers = {
            one: lane
            for lane in self._lanes
            if lane.child is not None
            for one in (lane.child.out, lane.child.err)
        }
        typed = [sys.stdin.fileno()] if self._asking is not None else []
        ready = select.select([*readers, *typed], [], [], LOOK_S)[0]
        for descriptor in ready:
            if descriptor in readers:
                self._hear(readers[descriptor], descriptor)
        if typed and typed[0] in ready:
            self._read_answer(typed[0])
        for lane in self._lanes:
            self._look(lane)
        self._shown.draw()

    def _hear(self, lane: Lane, descriptor: int) -> bool:
        """Take what a process has written; false where there is no more of it."""
        assert lane.child is not None
        if (lines := lane.child.read_lines(descriptor)) is None:
            return False
        for line in lines:
            if descriptor == lane.child.out:
                self._shown.tell(lane, lane.take(line))
            elif line.strip():
                lane.said.append(printable(line))
                if line.startswith("warning"):
                    self._shown.tell(lane, [line], always=True)
        return True

    def _look(self, lane: Lane) -> None:
        """See whether a bench's process has ended, and what comes after it."""
        if (child := lane.child) is None:
            return
        if (status := child.look()) is None:
            if self._stop_s is not None and time.monotonic() - max(self._stop_s, lane.heard_s) > GIVEN_UP_S:
                self._give_up(lane)
            return
        for descriptor in (child.out, child.err):
            while select.select([descriptor], [], [], 0.0)[0] and self._hear(lane, descriptor):
                pass
        told = lane.ended(status)
        child.close()
        self._shown.tell(lane, told, always=status not in (ExitStatus.PASSED, ExitStatus.FAILED))
        if self._asking is not None and self._asking.lane is lane:
            self._no_more_asked("its process has ended")
        self._shown.draw(now=True)
        self._next_unit(lane)

    def _give_up(self, lane: Lane) -> None:
        assert lane.child is not None
        lane.troubles.append(
            f"{lane.serial}: process {lane.child.number} was asked to stop and has said nothing for {GIVEN_UP_S:g} s. It is left to "
            "itself, and how its bench is left is not known: remove the supply from the unit before you touch it."
        )
        lane.state, lane.is_over = "does not answer", True
        lane.statuses.append(int(ExitStatus.BENCH_FAILED))
        self._given_up.append(lane)
        lane.child = None

    def _next_unit(self, lane: Lane) -> None:
        """Begin the bench's next unit, after somebody has connected it where that is needed."""
        if not lane.units or self._stop_s is not None or self._requests:
            lane.is_over = True
            return
        if lane.manual and lane.unit is not None:
            last, then = lane.unit.serial, lane.units[0].serial
            text = f"Take {last} off and connect {then}. Is it connected? [y: measure it, n: leave it out]: "
            lane.state = "waits to be connected"
            self._connect.append(Question(lane=lane, text=text, number=None))
            return
        lane.begin(lane.units.popleft())

    def _ask(self) -> None:
        """Put the next question, where none stands: one at a time, in the order in which they came."""
        if self._asking is not None:
            if self._asking.number is not None and self._asking.lane.question is not self._asking:
                self._no_more_asked("it is not asked any more")
            return
        waiting = [lane.question for lane in self._lanes if lane.question is not None] + list(self._connect)
        if not waiting or not self._terminal:
            return
        self._asking = min(waiting, key=lambda one: one.lane.heard_s)
        self._typed = b""
        self._shown.pause()
        _drop_typed_ahead()
        others = (
            f" ({counted(len(waiting) - 1, 'more bench', 'more benches')} waiting)"
            if len(waiting) > 1
            else ""
        )
        lane = self._asking.lane
        sys.stderr.write(
            f"\n{printable(lane.name)}, unit {printable(lane.serial)}{others}:\n{self._asking.text}"
        )
        sys.stderr.flush()

    def _read_answer(self, descriptor: int) -> None:
        more = b""
        with suppress(OSError):
            more = os.read(descriptor, 4096)
        if not more:  # the end of input is an answer to none: whoever asks is stopped, as at any terminal
            self._terminal = False
            self._requests.append(signal.SIGINT)
            self._no_more_asked("the terminal has gone")
            return
        self._typed += more
        if b"\n" not in self._typed:
            return
        line = self._typed.partition(b"\n")[0].decode("utf-8", "replace").rstrip("\r")
        asking, self._asking = self._asking, None
        assert asking is not None
        self._answered(asking, line)
        self._shown.begin()

    def _answered(self, asking: Question, line: str) -> None:
        lane = asking.lane
        if asking.number is not None:
            lane.question = None
            lane.state, lane.heard_s = "measures", time.monotonic()
            if lane.child is not None:
                lane.child.answer(json.dumps({"asked": asking.number, "text": line}))
            return
        said = line.strip().lower()
        if said not in ("y", "yes", "n", "no"):
            return  # asked again
        self._connect.remove(asking)
        unit = lane.units.popleft()
        if said.startswith("y"):
            lane.begin(unit)
        else:
            lane.troubles.append(f"{unit.serial}: left out by the person at the bench")
            self._next_unit(lane)

    def _no_more_asked(self, why: str) -> None:
        self._asking = None
        sys.stderr.write(f"\n({why})\n")
        self._shown.begin()

    def _hand_on(self) -> None:
        """Hand on what asks to stop, once to each."""
        if not self._requests:
            return
        number = self._requests.popleft()
        self._requests.clear()
        if self._stop_s is not None:
            self._shown.say("They are being stopped already: each makes its bench safe first.")
            return
        self._stop_s = time.monotonic()
        if self._asking is not None:
            sys.stderr.write("\n")  # behind the question, and ^C
        for lane in self._lanes:
            if lane.child is not None:
                lane.child.signal(signal.SIGTERM if number == getattr(signal, "SIGHUP", -1) else number)
                lane.state, lane.heard_s = "is stopped", time.monotonic()
            else:
                lane.is_over = True
        self._connect.clear()
        if self._asking is not None and self._asking.number is None:
            self._no_more_asked("stopped")
        self._shown.say("Stopping: each bench is made safe.")

    @contextmanager
    def _signals(self) -> Iterator[None]:
        """Take what asks to stop, for as long as processes are under way; none of them hears it from the terminal."""
        before = {number: signal.signal(number, self._requested) for number in _STOPPING}
        if hasattr(signal, "SIGTSTP"):
            before[signal.SIGTSTP] = signal.signal(signal.SIGTSTP, signal.SIG_IGN)
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _requested(self, number: int, _frame: FrameType | None) -> None:
        self._requests.append(number)


def _drop_typed_ahead() -> None:
    if sys.platform != "win32" and sys.stdin.isatty():
        import termios

        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
