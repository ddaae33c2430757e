"""What is said of a bench before it is done to it, so that whoever comes after a crash knows how it may have been left."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import field
from typing import Literal

from sequencer.frozen import dataclass

What = Literal[
    "PTT to be pressed",
    "PTT released",
    "cables to be moved",
    "cables connected",
    "watchdog",
    "setting to be written",
    "setting written",
    "carrier held",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Announced:
    """Something that is about to be done, or (``begins`` false) that has been confirmed: undone, or found so."""

    what: What
    begins: bool
    facts: Mapping[str, str | float] = field(default_factory=dict)


Announce = Callable[[Announced], None]
"""Whoever is told; it raises nothing."""


class Announcer:
    """Tells whoever is to be told now. It holds nothing of the bench, so that no path leads through it from a side to a generator."""

    __slots__ = ("to",)

    def __init__(self, to: Announce) -> None:
        self.to = to

    def __call__(self, event: Announced) -> None:
        """Hand an event to whoever is told now."""
        self.to(event)


def to_nobody(_event: Announced) -> None:
    """Take an event and tell nobody of it."""
