"""Understand one answer of something that switches: a yes or no, a bar's pattern, or a count of lit segments."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.search.protocol import NoReading, SearchInputError

Lit = bool | int | Sequence[bool] | NoReading


def is_on(reading: bool | int | Sequence[bool], segment: int | None) -> bool:
    """Return whether the wanted segment, squelch or answer is on; raise SearchInputError for what cannot say."""
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
