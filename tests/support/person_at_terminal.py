"""A person at a real pseudo-terminal, for tests: sees what the command line shows, types what a script decides.

``python -m tests.support.person_at_terminal`` prints the transcript of a manual sensitivity check and S9 point, for the README.
"""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.support.forked_commands import start

ROOT = Path(__file__).resolve().parents[2]
_ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b\][^\x07]*\x07|\r")
_DIAL = re.compile(r"\(simulated dial: ([^)]*)\)")
CTRL_C, CTRL_D = "\x03", "\x04"


@dataclass(slots=True)
class Seen:
    """What a run showed, how it ended, and what was asked (``questions``) and typed (``answers``)."""

    text: str = ""
    status: int | None = None
    questions: list[str] = field(default_factory=list)
    answers: list[str] = field(default_factory=list)

    @property
    def readings(self) -> list[str]:
        """The questions that ask for a reading, repetitions of a question not counted."""
        return [question for question in self.questions if "read " in question.lower()]


def run_at_terminal(
    arguments: list[str], answer: Callable[[str], str | None], *, term: str = "dumb", most_s: float = 90.0
) -> Seen:
    """Run a command with ``arguments`` under a pseudo-terminal, forked from a process that stands ready; ``answer`` is given each
    question, and types.

    What it returns is typed with Enter, control characters as they are; None types nothing. Ends the process it started after ``most_s``.
    """
    seen = Seen()
    terminal, theirs = pty.openpty()
    environment = {**os.environ, "TERM": term, "NO_COLOR": "1", "COLUMNS": "100", "LINES": "40"}
    command = start(arguments, environment, theirs)
    os.close(theirs)
    try:
        _converse(terminal, seen, answer, time.monotonic() + most_s)
    finally:
        seen.status = command.status(within_s=10.0)
        if seen.status is None:
            os.kill(command.number, signal.SIGKILL)
        os.close(terminal)
    return seen


def _converse(terminal: int, seen: Seen, answer: Callable[[str], str | None], until_s: float) -> None:
    answered = 0
    while time.monotonic() < until_s:
        if not select.select([terminal], [], [], 0.03)[0]:
            shown = _ESCAPES.sub("", seen.text)
            question = _question(shown[answered:])
            if question.endswith(": "):
                seen.questions.append(question)
                typed = answer(question)
                answered = len(shown)
                if typed is not None:
                    seen.answers.append(typed)
                    os.write(terminal, typed.encode() + (b"" if typed in (CTRL_C, CTRL_D) else b"\n"))
            continue
        try:
            more = os.read(terminal, 65536)
        except OSError:  # the other end is closed: the run has ended
            break
        if not more:
            break
        seen.text += more.decode("utf-8", "replace")


def _question(shown: str) -> str:
    """Return the question that stands last, its wrapped lines as one, with the complaint above it if there is one."""
    lines = shown.splitlines() if shown.strip() else [""]
    first = len(lines) - 1
    while first > 0 and lines[first].startswith("    "):
        first -= 1
    while first > 0 and lines[first - 1].startswith("  "):
        first -= 1
    return " ".join(line.strip() for line in lines[first:]) + shown[len(shown.rstrip(" ")) :]


def attentive(question: str) -> str:
    """Do what a careful person does: what is asked, and type what the dial shows."""
    if "is that so" in question:
        return "y"
    if dial := _DIAL.search(question):
        return dial[1]
    if "Type done" in question:
        return "done"
    return ""


def transcript(seen: Seen) -> str:
    """Return what stood on the terminal, as a text for a page."""
    lines = [line.rstrip() for line in _ESCAPES.sub("", seen.text).splitlines()]
    return re.sub(r"\n\n(?=Set |Read |SAFETY|RF gain)", "\n", "\n".join(lines).strip()) + "\n"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        words = [
            "run",
            "manual-bench",
            "--bench",
            "manual-bench",
            "--serial",
            "M40-0007",
            "--folder",
            folder,
        ]
        run = run_at_terminal(words, attentive)
        print("$ sequencer run manual-bench --bench manual-bench --serial M40-0007")
        print(transcript(run).replace(folder, "results"))
