"""Steps that hurry nobody, gathered until a reading is asked for: "Select channel 20 on the unit. Then read the power" is one prompt.

Only steps on which no safety rests are gathered, and only while whatever is read next is read by a person too: an instrument that answers
by itself would read before the step was made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass


def _nothing() -> None:
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do. ``begun`` is called when the person is asked for it, from when on it may be done; ``done`` when they answered."""

    text: str
    begun: Callable[[], None] = _nothing
    done: Callable[[], None] = _nothing


class Gathered:
    """The steps that wait on one bench, by what they set; a later one of the same takes the place of the one before."""

    def __init__(self) -> None:
        self.allowed = False
        self._waiting: dict[str, Step] = {}

    def keep(self, what: str, step: Step) -> None:
        """Let a step wait."""
        self._waiting.pop(what, None)
        self._waiting[what] = step

    def drop(self, what: str) -> None:
        """Forget a step that is not wanted any more; nobody was asked for it."""
        self._waiting.pop(what, None)

    def drop_all(self) -> None:
        """Forget every step."""
        self._waiting.clear()

    @contextmanager
    def asked(self) -> Iterator[str]:
        """Give the texts of all that wait, as sentences; done when this is left in good order."""
        steps = list(self._waiting.values())
        self._waiting.clear()
        for step in steps:
            step.begun()
        yield " ".join(step.text for step in steps)
        for step in steps:
            step.done()
