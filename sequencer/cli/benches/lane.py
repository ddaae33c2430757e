"""One bench among several: what its process last said, and what is left for it to do."""

from __future__ import annotations

import json
import signal
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from sequencer.cli.benches.child import Child
from sequencer.inputs.lists.unit_list import ListedUnit
from sequencer.problems import printable
from sequencer.results.text import with_minus
from sequencer.run.status import ExitStatus

SILENT_S = 30.0
"""After so long without a word the screen says so: a reading, a rest or a search's step takes less."""
MOST_SAID = 200
"""Lines of a bench's standard error that are kept."""


@dataclass(slots=True, kw_only=True)
class Asked:
    """A question of one bench that nobody has answered yet. ``number`` is None for one of the parent's own."""

    lane: Lane
    text: str
    number: int | None


@dataclass(slots=True, kw_only=True)
class Lane:
    """A bench with its units. ``words`` are the command's, but for the serial; ``manual``: somebody connects each further unit."""

    name: str
    line: int
    words: tuple[str, ...]
    units: deque[ListedUnit]
    manual: bool
    unit: ListedUnit | None = None
    child: Child | None = None
    state: str = "waits"
    checks: int = 0
    begun: dict[int, int] = field(default_factory=dict)
    label: str = ""
    step: str = ""
    last: str = ""
    left_s: float = 0.0
    told_s: float = 0.0
    heard_s: float = 0.0
    runs: list[dict[str, Any]] = field(default_factory=list)
    statuses: list[int] = field(default_factory=list)
    said: deque[str] = field(default_factory=lambda: deque(maxlen=MOST_SAID))
    troubles: list[str] = field(default_factory=list)
    question: Asked | None = None
    is_over: bool = False

    def begin(self, unit: ListedUnit) -> None:
        """Start the process that measures ``unit``."""
        words = [*self.words, "--serial", unit.serial, *(["--model", unit.model] if unit.model else [])]
        self.unit, self.state, self.checks = unit, "starts", 0
        self.begun, self.label, self.step, self.last = {}, "", "", ""
        self.said.clear()
        self.heard_s = self.told_s = time.monotonic()
        self.child = Child(words)

    @property
    def serial(self) -> str:
        """The unit under way, or the last one."""
        return self.unit.serial if self.unit is not None else ""

    @property
    def place(self) -> str:
        """Which check of how many is under way."""
        return f"{len(self.begun)} of {self.checks}" if self.checks and self.begun else ""

    def silent_s(self, now_s: float) -> float:
        """Return for how long a process under way has said nothing, where that is long; else 0."""
        passed_s = now_s - self.heard_s
        longest_s = SILENT_S + max(0.0, self.left_s - (self.heard_s - self.told_s))
        return passed_s if self.child is not None and self.question is None and passed_s > longest_s else 0.0

    def take(self, line: str) -> list[str]:
        """Take a line of its standard output; return what a reader of plain lines is told."""
        try:
            said = json.loads(line)
            kind = said["event"]
        except (ValueError, KeyError, TypeError):
            self.said.append(printable(line))
            return []
        self.heard_s = time.monotonic()
        if "left_s" in said:
            self.left_s, self.told_s = float(said["left_s"]), self.heard_s
        return self._taken(kind, said)

    def _taken(self, kind: str, said: dict[str, Any]) -> list[str]:
        match kind:
            case "started":
                self.checks, self.state = said["checks"], "opens the bench"
                return [f"{self.serial}: run {said['run']} begins"]
            case "check":
                self.begun.setdefault(said["index"], len(self.begun) + 1)
                self.label, self.step, self.state = printable(said["label"]), "", "measures"
            case "step":
                self.step = printable(said["text"])
            case "result":
                self.last = result_text(said) if said.get("unit") else self.last
                return [f"{self.serial}: {self.place}  {result_text(said)}"]
            case "warned":
                self.troubles.append(printable(said["text"]))
                return [f"{self.serial}: {printable(said['text'])}"]
            case "fault":
                self.step = f"fault: {printable(said.get('instrument', ''))}"
            case "question":
                self.question = Asked(lane=self, text=said["text"], number=said["asked"])
                self.state = "asks"
            case "question_over":
                self.question, self.state = None, "measures"
            case "run":
                self.runs.append({name: cell for name, cell in said.items() if name != "event"})
                self.state = "ends"
        return []

    def ended(self, status: int) -> list[str]:
        """Take it that the process has ended; return what is told of it."""
        assert self.child is not None
        self.child, self.question, self.left_s = None, None, 0.0
        run = self.runs[-1] if self.runs and self.runs[-1]["serial"] == self.serial else None
        self.statuses.append(status if status >= 0 else int(ExitStatus.BENCH_FAILED))
        if run is not None and status >= 0:
            self.state = _state_of(status)
            lines = [f"{self.serial}: {printable(run['verdict'])}", *map(printable, run["problems"])]
            if not run["bench_safe"]:
                self.troubles.append(run["last_line"])
            return [*lines, printable(run["last_line"])]
        if status < 0:
            by = signal.Signals(-status).name
            self.state = f"killed ({by})"
            told = (
                f"{self.serial}: its process was ended by {by}. How the bench is left is not known: remove the supply from the unit before "
                "you touch it. The next command on this bench makes it safe first; 'sequencer resume' carries the run on."
            )
            self.troubles.append(told)
            return [told]
        self.state = _state_of(status)
        why = [one for one in self.said if one][:6] or [f"ended with status {status} and said nothing"]
        self.troubles += [f"{self.serial}: {why[0]}", *why[1:]]
        return [f"{self.serial}: {why[0]}", *why[1:]]


def _state_of(status: int) -> str:
    words = ("passed", "limits not met", "could not begin", "bench failed", "interrupted", "store busy")
    return words[status] if status < len(words) else f"ended with status {status}"


def result_text(said: dict[str, Any]) -> str:
    """Return a result in a few words: what it is, what was found, how it was decided."""
    where = "" if said.get("channel") is None else f", ch {said['channel']}"
    value = said.get("value")
    unit = said.get("unit") or ""
    found = "" if value is None or not unit else f"  {with_minus(f'{value:.4g}')} {unit}"
    return printable(f"{said['quantity']}{where}{found}  {said['decision']}")


def worst(lanes: Sequence[Lane]) -> int:
    """Return the highest exit status of all; where something may still be on, that a bench failed."""
    every = [status for lane in lanes for status in lane.statuses]
    failed = int(ExitStatus.BENCH_FAILED)
    unsafe = any(run["status"] == failed and not run["bench_safe"] for lane in lanes for run in lane.runs)
    return failed if unsafe else max(every, default=int(ExitStatus.INTERRUPTED))
