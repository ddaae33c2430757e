"""The people of a stored run: what they confirmed, connected and entered then, never asked again."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from drivers.clock import Clock
from drivers.operator.dial import Dial
from drivers.roles import Reading
from drivers.trace import Direction, Trace
from sequencer.bench.tape import Tape
from sequencer.bench.tape_links import TapedPerson
from sequencer.checks.live import LiveStart, LiveView, Press
from sequencer.results.model import Confirmation
from sequencer.run.people.entered import CALLED, EnteredAtTerminal, EnteredBeforehand
from sequencer.run.people.live_record import BEGUN, PRESSED

AGAIN = "Please set it now: "
"""Stands before a question that is asked a second time; see `sequencer.run.people.confirm_step`."""


class ConfirmedThen:
    """Says of each question what was said to it then. Raises `NeverAsked` for one that was not asked."""

    how = "confirmed in the stored run"
    who = ""

    def __init__(self, tape: Tape, confirmed: Sequence[Confirmation]) -> None:
        self._tape = tape
        self._left = list(confirmed)

    def confirm(self, text: str) -> bool:
        """Return what was answered then."""
        asked = text.removeprefix(AGAIN)
        found = next((one for one in self._left if one.text == asked), None)
        if found is None:
            raise self._tape.never_asked((CALLED,), asked.encode("utf-8", "replace"))
        if found.confirmed or text != asked:  # asked once more after a no
            self._left.remove(found)
        self.how, self.who = found.how, found.who
        return found.confirmed


class ConnectedThen:
    """Says how the cables were, as the trace has it."""

    how = "confirmed in the stored run"

    def __init__(self, tape: Tape) -> None:
        self._tape = tape

    def confirm(self, text: str) -> bool:
        """Return what was answered then."""
        failed = self._tape.send((CALLED,), text.encode("utf-8", "replace"))
        return (failed or self._tape.answer((CALLED,))).content == b"yes"


class EnteredThen:
    """Enters the readings that were entered then."""

    def __init__(self, tape: Tape) -> None:
        self._tape = tape

    def enter(self, name: str, what: str, dial: Dial, *, clock: Clock, trace: Trace) -> tuple[Reading, str]:
        """Return the reading, given beforehand or typed, as the trace has it."""
        if self._tape.is_next((CALLED,), Direction.RECEIVED):
            text = self._tape.answer((CALLED,)).content.decode("utf-8", "replace")
            given = EnteredBeforehand({name: deque([text])})
            return given.enter(name, what, dial, clock=clock, trace=trace)
        typed = EnteredAtTerminal(TapedPerson(self._tape))
        return typed.enter(name, what, dial, clock=clock, trace=trace)


class LiveThen:
    """Presses the keys that were pressed then, each at its reading."""

    def __init__(self, tape: Tape) -> None:
        self._tape = tape

    def begin(self, start: LiveStart) -> None:
        """Begin a preset, as then."""
        self._tape.send((CALLED,), BEGUN)

    def show(self, view: LiveView) -> Press | None:
        """Return what was pressed at this reading."""
        if not self._tape.is_next((CALLED,), Direction.RECEIVED):
            return None
        pressed = self._tape.answer((CALLED,)).content.decode("utf-8", "replace").removeprefix(PRESSED)
        return next((one for one in Press if str(one.value) == pressed), None)

    def end(self, outcome: str) -> None:
        """Nothing is shown."""
