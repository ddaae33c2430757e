"""A run that another process shows beside others: what happens in it as lines of JSON, and its questions too.

Whoever started it writes each answer to its standard input, as a line ``{"asked": N, "text": …}``. Once nobody reads or answers any more
the run goes on to its end, and a question is answered as at the end of input.
"""

from __future__ import annotations

import itertools
import json
import sys
import time
from dataclasses import asdict
from typing import Any

import click
from typing_extensions import override

from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.cli.screens.json_lines import JsonLines
from sequencer.cli.screens.operator import TerminalPerson
from sequencer.run.events import CheckEnded, CheckStarted, Event, FaultMet, RunStarted, StepTaken, Warned

STEP_S = 0.2
"""A step is told so often at most: in virtual time there are thousands a second."""
_numbers = itertools.count(1)


class LinkedLines(JsonLines):
    """A listener that tells more than the results: where the run is, how long it still takes, what whoever stands there must know."""

    def __init__(self) -> None:
        super().__init__()
        self._step_s = 0.0

    @override
    def __call__(self, event: Event) -> None:
        super().__call__(event)
        match event:
            case RunStarted():
                said = {
                    "event": "started",
                    "run": event.run,
                    "checks": event.checks,
                    "left_s": event.forecast_s,
                }
            case CheckStarted():
                said = {
                    "event": "check",
                    "index": event.index,
                    "label": event.label,
                    "left_s": event.remaining_s,
                }
            case CheckEnded():
                said = {"event": "ended", "index": event.index, "left_s": event.remaining_s}
            case StepTaken() if time.monotonic() - self._step_s > STEP_S:
                self._step_s = time.monotonic()
                said = {"event": "step", "text": event.text, "left_s": event.remaining_s}
            case Warned():
                said = {"event": "warned", "text": event.text}
            case FaultMet():
                said = {"event": "fault", **asdict(event.fault)}
            case _:
                return
        _tell(said)


class LinkedPerson(TerminalPerson):
    """The person at the terminal of the process that shows this run."""

    @override
    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        number = next(_numbers)
        _tell({"event": "question", "asked": number, "text": text, "within_s": within_s})
        try:
            while (line := self._line("", within_s)) is not None:
                if (answer := _answered(line)).get("asked") == number:
                    return str(answer.get("text", ""))
            return None
        finally:
            _tell({"event": "question_over", "asked": number})


def _answered(line: str) -> dict[str, Any]:
    try:
        found = json.loads(line)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _tell(said: dict[str, Any]) -> None:
    with reader_may_be_gone(sys.stdout):
        click.echo(json.dumps(said, ensure_ascii=False))
