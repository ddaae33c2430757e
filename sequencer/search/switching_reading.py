"""Understand one answer of something that switches: a yes or no, a bar's pattern, or a count of lit segments."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.frozen import dataclass
from sequencer.search.protocol import NoReading, SearchInputError


@dataclass(frozen=True, slots=True)
class Shown:
    """On or off, with the reading that says so: ``above`` is the reading minus the edge of on, turned so that it rises with level."""

    above: float

    @property
    def on(self) -> bool:
        """Whether it is on."""
        return self.above > 0


Lit = bool | int | Shown | Sequence[bool] | NoReading


def above_edge(reading: bool | int | Shown | Sequence[bool], segment: int | None) -> float | None:
    """Return how far the reading lies above the edge of on, in its own unit, or segments; None where only on or off is told."""
    if isinstance(reading, Shown):
        return reading.above
    if isinstance(reading, bool) or segment is None:
        return None
    return lit_count(reading) - segment + 0.5


def is_on(reading: bool | int | Shown | Sequence[bool], segment: int | None) -> bool:
    """Return whether the wanted segment, squelch or answer is on; raise SearchInputError for what cannot say."""
    if isinstance(reading, Shown):
        return reading.on
    if isinstance(reading, bool):
        return reading
    if segment is None:
        raise SearchInputError(f"reading is {reading!r}; it must be True or False. For a bar give 'segment'.")
    if isinstance(reading, int) and reading >= 0:
        return reading >= segment
    if isinstance(reading, str | float | int) or len(reading) < segment:
        raise SearchInputError(
            f"reading is {reading!r}; for segment {segment} it must be a pattern of {segment} bools or "
            "more, a count of 0 or more, or True or False."
        )
    return bool(reading[segment - 1])


def lit_count(reading: int | Sequence[bool]) -> int:
    """Return the number of the highest lit segment of a bar, 0 for a dark one."""
    if isinstance(reading, int):
        return reading
    return max((i + 1 for i, on in enumerate(reading) if on), default=0)
