"""Fold results for a reader: of a channel sweep the worst channel stands for all, of a check over several conditions the worst point."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from typing import Any, TypeVar

from sequencer.frozen import dataclass
from sequencer.results.at_point import KEPT_AS, AtPoint, name_at
from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision, Limits
from sequencer.units.format import counted, ranges_text

SWEEP = "channel_sweep"
"""The check whose results are folded."""
FOLDED_FROM = 3
"""Results of one quantity and decision from which on one stands for all."""
MOST_NOTES = 2
"""What others' notes say is named so often; the rest is counted."""
_FIGURE = re.compile(r"[-+−±]?\d[\d.]*(?: [pnµumkMG]?(?:Hz|V|W|A|s|ohm)\b)?")
R = TypeVar("R", bound=Result)


def folded(rows: Iterable[R]) -> list[R]:
    """Return the results as a reader is shown them, with a line per quantity and decision of a channel sweep, or of a check with `at`.

    The line is the result of the worst channel or point: with the least room to its limits. Without limits there are two, lowest and
    highest. It says in its quantity of how many it is the worst, and in its note of which, and what the notes of the others say that
    its own does not. Everything else stays as it is.
    """
    shown: list[R] = []
    for what, found in groupby(rows, key=_folded_by):
        block = list(found)
        if what:
            shown += _folded_block(block, _CHANNELS if block[0].check == SWEEP else _POINTS)
        else:
            shown += block
    return shown


def is_folded(rows: Sequence[Result], shown: Sequence[Result]) -> bool:
    """Say whether `folded` left anything out."""
    return len(shown) < len(rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """What results are folded over: what one is called, and which ones they are, in words."""

    word: str
    which: Callable[[Sequence[Result]], str]


def _folded_by(row: Result) -> tuple[Any, ...]:
    """Return what the results share that are folded together; nothing for a check that goes through nothing."""
    if AtPoint.of(row.settings) is not None:
        assert row.settings is not None
        told = tuple(one for one in row.settings if one.name != KEPT_AS)
        return (row.run, row.check, told, row.counts)
    return (row.run, row.mode, row.settings, row.counts) if row.check == SWEEP else ()


def _folded_block(rows: Sequence[R], kind: _Kind) -> Iterator[R]:
    groups: dict[tuple[Any, ...], list[R]] = {}
    for row in rows:
        answer = row.value if row.unit == "" else None
        name = name_at(row.quantity, AtPoint.of(row.settings))
        key = (name, row.unit, row.decision, row.lower_limit, row.upper_limit, answer)
        groups.setdefault(key, []).append(row)
    for group in groups.values():
        if group[0].unit == "" and len(group) > 1:
            yield _one_answer(group, kind)
        elif len(group) < FOLDED_FROM or group[0].unit == "":
            yield from group
        else:
            yield from _worst(group, kind)


def _one_answer(rows: Sequence[R], kind: _Kind) -> R:
    name = name_at(rows[0].quantity, AtPoint.of(rows[0].settings))
    return replace(rows[0], quantity=f"{name}, {kind.which(rows)}", channel=None, note="")


def _worst(rows: Sequence[R], kind: _Kind) -> Iterator[R]:
    """Yield the result that stands for all, or the two ends of a quantity without limits."""
    measured = [row for row in rows if row.value is not None]
    if rows[0].decision is Decision.NOT_MEASURED or not measured:
        why = "; ".join(dict.fromkeys(row.note for row in rows if row.note))
        yield _standing_for(rows[0], rows, kind, "on", why)
    elif rows[0].lower_limit is None and rows[0].upper_limit is None:
        ends = (min(measured, key=_value), max(measured, key=_value))
        others = "; ".join(filter(None, (ends[1].note, _of_others(ends, rows, kind))))
        yield _standing_for(ends[0], rows, kind, "lowest of", ends[0].note)
        yield _standing_for(ends[1], rows, kind, "highest of", others)
    else:
        worst = min(measured, key=_room)
        note = "; ".join(filter(None, (worst.note, _of_others((worst,), rows, kind))))
        yield _standing_for(worst, rows, kind, "worst of", note)


def _of_others(shown: Sequence[Result], rows: Sequence[Result], kind: _Kind) -> str:
    """Return what notes of ``rows`` say that those ``shown`` do not, with of how many: what differs in figures only is not named."""
    known = {_in_kind(part) for one in shown for part in one.note.split("; ")}
    said: dict[str, tuple[str, list[int]]] = {}  # by its kind: its first words, and whose it is
    for at, row in enumerate(rows):
        for part in row.note.split("; "):
            if part and (in_kind := _in_kind(part)) not in known:
                said.setdefault(in_kind, (part, []))[1].append(at)
    by_rows: dict[tuple[int, ...], list[str]] = {}
    for part, whose in said.values():
        by_rows.setdefault(tuple(dict.fromkeys(whose)), []).append(part)
    told = [
        f"of {counted(len(whose), f'other {kind.word}')}: {'; '.join(parts)}"
        for whose, parts in by_rows.items()
    ]
    more = len({at for whose in list(by_rows)[MOST_NOTES:] for at in whose})
    return "; ".join(
        told[:MOST_NOTES] + ([f"of {counted(more, f'other {kind.word}')} yet another note"] if more else [])
    )


def _in_kind(part: str) -> str:
    return _FIGURE.sub("#", part)


def _standing_for(row: R, rows: Sequence[R], kind: _Kind, word: str, note: str) -> R:
    name, count = row.quantity, counted(len(rows), kind.word)
    if word == "on":  # it stands for all of them alike
        name = name_at(name, AtPoint.of(row.settings))
    told = "; ".join(part for part in (kind.which(rows), note) if part)
    return replace(row, quantity=f"{name}, {word} {count}", note=told)


def _channels(rows: Sequence[Result]) -> str:
    return (
        f"channels {ranges_text(list(dict.fromkeys(row.channel for row in rows if row.channel is not None)))}"
    )


def _points(rows: Sequence[Result]) -> str:
    """Return the values of each axis in words: `channels 1, 20, 40; 10.8, 15.6 V; -10, 55 °C`."""
    points = [one for row in rows if (one := AtPoint.of(row.settings)) is not None]
    modes = dict.fromkeys(one.mode for one in points if one.mode is not None)
    supplies = dict.fromkeys(f"{one.supply_v:g}" for one in points if one.supply_v is not None)
    temperatures = dict.fromkeys(f"{one.temperature_c:g}" for one in points if one.temperature_c is not None)
    told = [
        _channels(rows) if any(one.channel is not None for one in points) else "",
        ", ".join(modes),
        f"{', '.join(supplies)} V" if supplies else "",
        f"{', '.join(temperatures)} °C" if temperatures else "",
    ]
    return "; ".join(one for one in told if one)


_CHANNELS = _Kind(word="channel", which=_channels)
_POINTS = _Kind(word="point", which=_points)


def _value(row: Result) -> float:
    assert row.value is not None
    return row.value


def _room(row: Result) -> float:
    """Return how far inside the nearer of its limits a result lies."""
    return min(Limits(lower=row.lower_limit, upper=row.upper_limit).room(_value(row)))
