"""As found and as left: the two results of what was adjusted, and which of them counts."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Generic, TypeVar

from sequencer.frozen import dataclass
from sequencer.results.model import Result

R = TypeVar("R", bound=Result)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair(Generic[R]):
    """A result that counts, and what was found before adjusting; None where nothing was adjusted."""

    left: R
    found: R | None = None


def pairs(rows: Iterable[R]) -> list[Pair[R]]:
    """Return the results that count, in order, each with the one as found that it was adjusted from.

    A result as found to which there is none as left counts itself.
    """
    listed = list(rows)
    waiting: dict[tuple[Any, ...], list[int]] = {}
    found: dict[int, R | None] = {}
    for at, row in enumerate(listed):
        if row.stage == "as found":
            waiting.setdefault(_key(row), []).append(at)
            found[at] = None
        elif row.stage == "as left" and (first := _adjusted_from(row, waiting, listed)) is not None:
            del found[first]
            found[at] = listed[first]
        else:
            found[at] = None
    return [Pair(left=listed[at], found=one) for at, one in found.items()]


def counting(rows: Iterable[R]) -> list[R]:
    """Return the results that count in a verdict, in order.

    What was found before adjusting never counts where it was measured as left; where it was not, it does, beside what is missing.
    """
    listed = list(rows)
    if not any(row.stage == "as found" for row in listed):  # nearly always, and sooner said of all
        return listed
    counted: list[R] = []
    for pair in pairs(listed):
        if pair.found is not None and pair.left.value is None:
            counted.append(pair.found)
        counted.append(pair.left)
    return counted


def _adjusted_from(row: R, waiting: dict[tuple[Any, ...], list[int]], listed: list[R]) -> int | None:
    """Take the first as found that ``row`` as left belongs to out of ``waiting``; what was not measured has no place on an axis."""
    wanted = _key(row)
    for key, before in waiting.items():
        if before and (key == wanted or (row.value is None and key[:-1] == wanted[:-1])):
            return before.pop(0)
    return None


def _key(row: Result) -> tuple[Any, ...]:
    return (row.run, row.check, row.quantity, row.channel, row.mode, row.axis_value)
