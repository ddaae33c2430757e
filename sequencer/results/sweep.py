"""Fold a channel sweep for a reader: of each quantity the worst channel stands for all."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from typing import Any, TypeVar

from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision, Limits
from sequencer.units.format import counted, ranges_text

SWEEP = "channel_sweep"
"""The check whose results are folded."""
FOLDED_FROM = 3
"""Results of one quantity and decision from which on one stands for all."""
R = TypeVar("R", bound=Result)


def folded(rows: Iterable[R]) -> list[R]:
    """Return the results as a reader is shown them, with a line per quantity and decision of a channel sweep.

    The line is the result of the worst channel: with the least room to its limits. Without limits there are two, lowest and highest. It
    says in its quantity of how many it is the worst, and in its note on which channels. Everything else stays as it is.
    """
    shown: list[R] = []
    for is_sweep, found in groupby(rows, key=_sweep_of):
        block = list(found)
        shown += _folded_sweep(block) if is_sweep else block
    return shown


def is_folded(rows: Sequence[Result], shown: Sequence[Result]) -> bool:
    """Say whether `folded` left anything out."""
    return len(shown) < len(rows)


def _sweep_of(row: Result) -> tuple[Any, ...]:
    """Return what the results of one sweep share; nothing for another check's."""
    return (row.run, row.mode, row.settings, row.counts) if row.check == SWEEP else ()


def _folded_sweep(rows: Sequence[R]) -> Iterator[R]:
    groups: dict[tuple[Any, ...], list[R]] = {}
    for row in rows:
        answer = row.value if row.unit == "" else None
        key = (row.quantity, row.unit, row.decision, row.lower_limit, row.upper_limit, answer)
        groups.setdefault(key, []).append(row)
    for group in groups.values():
        if group[0].unit == "" and len(group) > 1:
            yield _one_answer(group)
        elif len(group) < FOLDED_FROM or group[0].unit == "":
            yield from group
        else:
            yield from _worst(group)


def _one_answer(rows: Sequence[R]) -> R:
    return replace(rows[0], quantity=f"{rows[0].quantity}, {_channels(rows)}", channel=None, note="")


def _worst(rows: Sequence[R]) -> Iterator[R]:
    """Yield the result that stands for all, or the two ends of a quantity without limits."""
    measured = [row for row in rows if row.value is not None]
    if rows[0].decision is Decision.NOT_MEASURED or not measured:
        why = "; ".join(dict.fromkeys(row.note for row in rows if row.note))
        yield _standing_for(rows[0], rows, "on", why)
    elif rows[0].lower_limit is None and rows[0].upper_limit is None:
        for word, pick in (("lowest", min), ("highest", max)):
            end = pick(measured, key=_value)
            yield _standing_for(end, rows, f"{word} of", end.note)
    else:
        worst = min(measured, key=_room)
        yield _standing_for(worst, rows, "worst of", worst.note)


def _standing_for(row: R, rows: Sequence[R], word: str, note: str) -> R:
    quantity = f"{row.quantity}, {word} {counted(len(rows), 'channel')}"
    return replace(row, quantity=quantity, note="; ".join(part for part in (_channels(rows), note) if part))


def _channels(rows: Sequence[Result]) -> str:
    return f"channels {ranges_text([row.channel for row in rows if row.channel is not None])}"


def _value(row: Result) -> float:
    assert row.value is not None
    return row.value


def _room(row: Result) -> float:
    """Return how far inside the nearer of its limits a result lies."""
    return min(Limits(lower=row.lower_limit, upper=row.upper_limit).room(_value(row)))
