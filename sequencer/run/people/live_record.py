"""What a person does at the live screen, kept in the trace as any other answer: a setting up can be gone through again."""

from __future__ import annotations

from collections.abc import Callable

from drivers.trace import Direction
from sequencer.checks.live import LivePerson, LiveStart, LiveView, Press

BEGUN = b"live screen shown"
"""Stands in the trace where a person could press a key from there on."""
PRESSED = "live screen: "
"""Stands before the key that was pressed."""
Keep = Callable[[Direction, bytes], None]


class RecordedLive:
    """A person at the live screen whose keys are kept by ``keep``."""

    def __init__(self, person: LivePerson, keep: Keep) -> None:
        self._person = person
        self._keep = keep

    def begin(self, start: LiveStart) -> None:
        """Begin a preset."""
        self._keep(Direction.SENT, BEGUN)
        self._person.begin(start)

    def show(self, view: LiveView) -> Press | None:
        """Show a reading, and keep the key that was pressed."""
        pressed = self._person.show(view)
        if pressed is not None:
            self._keep(Direction.RECEIVED, f"{PRESSED}{pressed.value}".encode())
        return pressed

    def end(self, outcome: str) -> None:
        """End a preset."""
        self._person.end(outcome)
