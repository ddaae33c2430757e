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
        elif row.stage == "as left" and (before := waiting.get(_key(row))):
            first = before.pop(0)
            del found[first]
            found[at] = listed[first]
        else:
            found[at] = None
    return [Pair(left=listed[at], found=one) for at, one in found.items()]


def counting(rows: Iterable[R]) -> list[R]:
    """Return the results that count: of what was adjusted those as left."""
    return [pair.left for pair in pairs(rows)]


def _key(row: Result) -> tuple[Any, ...]:
    return (row.run, row.check, row.quantity, row.channel, row.mode, row.axis_value)
