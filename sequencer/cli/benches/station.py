"""One bench among several stations: what its `line` shows, and what is still to be handed to it."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from sequencer.cli.benches.child import Child
from sequencer.run.line.face import Face


@dataclass(slots=True, kw_only=True)
class Station:
    """One bench with its `line`: what it shows, and how its process ended."""

    number: int
    name: str
    words: tuple[str, ...]
    child: Child | None = None
    face: Face = field(default_factory=lambda: Face(phase="opening"))
    status: int | None = None
    said: list[str] = field(default_factory=list)
    pending: deque[str] = field(default_factory=deque)
    sent_turn: int = -1
    is_ended: bool = False

    @property
    def waits(self) -> bool:
        """Whether the next scan begins a unit there."""
        return self.child is not None and self.face.phase == "waiting"

    @property
    def asks(self) -> bool:
        """Whether a person has to answer."""
        return self.child is not None and self.face.question is not None
