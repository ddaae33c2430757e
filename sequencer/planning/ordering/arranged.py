"""What a plan in the quickest order says of it: what was moved, and what stays where it is, and why."""

from __future__ import annotations

from sequencer.frozen import dataclass
from sequencer.planning.step import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Stays:
    """A step that stays where it is in the file, and why; by it or past it nothing is moved if ``is_passed`` is false."""

    step: Step
    why: str
    is_passed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Arranged:
    """How a plan's steps were put in another order. ``written_s``: about how long they take as written, bench time, s.

    ``order`` holds the numbers of the steps as they are made; ``moved`` are the fewest whose moving gives that order.
    """

    order: tuple[int, ...]
    moved: tuple[Step, ...]
    stays: tuple[Stays, ...]
    written_s: float
