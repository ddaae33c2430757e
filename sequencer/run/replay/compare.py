"""Holds what a replay found against what was found then."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable
from contextlib import suppress
from enum import Enum

from sequencer.checks import find_check
from sequencer.frozen import dataclass
from sequencer.results.model import BENCH_HEALTH, Result


class Fate(Enum):
    """What became of a result."""

    SAME = "the same"
    DIFFERS = "differs"
    LOST = "could not be worked out"
    GONE = "not found any more"
    NEW = "not found then"


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """A result then and now, and the number of its check as it is now."""

    index: int
    then: Result | None
    now: Result | None
    fate: Fate

    @property
    def result(self) -> Result:
        """Either of the two."""
        found = self.then or self.now
        assert found is not None
        return found


ROUNDED = 1e-9
"""Of a figure: a processor's own linear algebra (the same library chooses by processor) moves the last digits of sixteen, and no result."""
_FIGURES = ("value", "bound", "unit", "uncertainty", "lower_limit", "upper_limit", "decision", "rule")


_MEASURED = ("value", "bound", "unit", "uncertainty")


def differing(then: Result, now: Result) -> tuple[str, ...]:
    """Return which of value, bound, unit, uncertainty, limits, decision and rule differ; the note does not count.

    The rule counts where there is an uncertainty to apply it to: no person's answer is decided by it. Of a bench's own results the limits
    come of earlier runs, which a replay does not look at: there what was measured alone.
    """
    names = _MEASURED if _is_of_bench(then.check) else _FIGURES
    is_by_rule = any(one.uncertainty is not None and _has_limit(one) for one in (then, now))
    return tuple(
        name
        for name in names
        if not _alike(getattr(then, name), getattr(now, name)) and (name != "rule" or is_by_rule)
    )


def _alike(then: object, now: object) -> bool:
    """Say whether two figures are the same but for what the arithmetic of another processor rounds otherwise."""
    if isinstance(then, float) and isinstance(now, float):
        return then == now or math.isclose(then, now, rel_tol=ROUNDED)
    return then == now


def same_result(then: Result, now: Result) -> bool:
    """Say whether all that counts of a result is the same: see `differing`."""
    return not differing(then, now)


def _has_limit(row: Result) -> bool:
    return row.lower_limit is not None or row.upper_limit is not None


def _is_of_bench(check: str) -> bool:
    with suppress(KeyError):  # of a package that is not here
        return find_check(check).of_bench
    return False


def compared(
    then: Iterable[tuple[int, Result]], now: Iterable[tuple[int, Result]], lost: Collection[int]
) -> list[Compared]:
    """Return each result of then beside the one of now, by check; those of checks that are ``lost`` count for nothing now."""
    left: dict[tuple[object, ...], list[tuple[int, Result]]] = defaultdict(list)
    for index, one in now:
        left[_key(index, one)].append((index, one))
    found = []
    for index, one in then:
        if one.check == BENCH_HEALTH:  # what was known of the bench on that day, and is not in the trace
            continue
        mine = left[_key(index, one)]
        other = mine.pop(0)[1] if mine else None
        found.append(Compared(index=index, then=one, now=other, fate=_fate(one, other, index in lost)))
    new = [
        Compared(index=index, then=None, now=one, fate=Fate.NEW)
        for rest in left.values()
        for index, one in rest
        if index not in lost
    ]
    return sorted([*found, *new], key=lambda one: one.index)


def _fate(then: Result, now: Result | None, lost: bool) -> Fate:
    if lost:
        return Fate.LOST
    if now is None:
        return Fate.GONE
    return Fate.SAME if same_result(then, now) else Fate.DIFFERS


def _key(index: int, one: Result) -> tuple[object, ...]:
    return index, one.check, one.quantity, one.channel, one.stage, one.axis_value
