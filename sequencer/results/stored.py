"""What the store gives to a reader, and its JSON: results, runs and exchanges as frozen values.

The keys of the JSON are what other programs read (`results --json`, `trace --json`, an export): one function makes each of them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import fields
from datetime import datetime
from operator import attrgetter
from typing import Any

from typing_extensions import override

from drivers.trace import Exchange
from sequencer.frozen import dataclass
from sequencer.results.model import (
    BenchInstrument,
    Point,
    Result,
    RunRecord,
    nested_as_plain,
    row_of,
    run_cells,
)
from sequencer.results.stored_budget import budget_as_plain
from sequencer.units.format import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredResult(Result):
    """A result in the store. ``id`` is its number there, ``check_index`` the number of its check in the run, from 0.

    ``replaced_by`` names the run whose repeat counts instead; empty if this one counts.
    """

    id: int
    check_index: int
    replaced_by: str = ""

    @property
    @override
    def counts(self) -> bool:
        return self.replaced_by == ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRun(RunRecord):
    """A run in the store. ``instruments`` stood on its bench, in order.

    ``decisions`` counts by decision those of its results that count; ``replaced`` says how many a repeat has replaced.
    ``results`` and ``repeats`` are filled where they were asked for.
    """

    instruments: tuple[BenchInstrument, ...] = ()
    decisions: Mapping[str, int]
    replaced: int = 0
    results: tuple[StoredResult, ...] = ()
    repeats: tuple[StoredRun, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredUnit:
    """A unit that runs were made of, with its model as last named."""

    serial: str
    model: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredExchange(Exchange):
    """A message in the store: of which check of which run it was part."""

    id: int
    run: str
    check_index: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearedTrace:
    """What was kept of a trace that was cleared: when, and how many messages it had."""

    time: datetime
    messages: int

    def __str__(self) -> str:
        """Return it as a sentence's end, in the reader's zone."""
        return (
            f"was cleared on {self.time.astimezone():%Y-%m-%d %H:%M %z} ({counted(self.messages, 'message')})"
        )


_WHO_NAMES = tuple(one.name for one in fields(BenchInstrument) if one.name != "name")
_who_cells = attrgetter(*_WHO_NAMES)
_POINT_NAMES = tuple(one.name for one in fields(Point))
_point_cells = attrgetter(*_POINT_NAMES)


def result_as_plain(result: StoredResult) -> dict[str, Any]:
    """Return a result for JSON; times are ISO 8601 with offset."""
    return {
        **cells_as_plain(result),
        **nested_as_plain(result),
        "points": points_as_plain(result.points),
        "budget": None if result.budget is None else budget_as_plain(result.budget),
        "settings": None if result.settings is None else result.settings.as_plain(),
    }


def cells_as_plain(result: StoredResult) -> dict[str, str | float | int | bool | None]:
    """Return what of a result fits into cells of a table."""
    return {
        "id": result.id,
        "check_index": result.check_index,
        **row_of(result),
        "counts": result.counts,
        "replaced_by": result.replaced_by,
    }


def points_as_plain(points: Iterable[Point]) -> list[dict[str, Any]]:
    """Return readings for JSON; a level that is no number is None."""
    found = [dict(zip(_POINT_NAMES, _point_cells(point), strict=True)) for point in points]
    for one in found:
        one["level_db"] = one["level_db"] if math.isfinite(one["level_db"]) else None
    return found


def run_as_plain(run: StoredRun, *, results: bool = False) -> dict[str, Any]:
    """Return a run for JSON; with its ``results`` where they were read."""
    return {
        **run_cells(run),
        "instruments": instruments_as_plain(run.instruments),
        "decisions": dict(run.decisions),
        "replaced": run.replaced,
        **({"results": [result_as_plain(one) for one in run.results]} if results else {}),
    }


def instruments_as_plain(instruments: Iterable[BenchInstrument]) -> dict[str, dict[str, str]]:
    """Return instruments for JSON by their names on the bench; calibration where there is one."""
    found = {}
    for one in instruments:
        record = zip(_WHO_NAMES, _who_cells(one), strict=True)
        found[one.name] = {key: text for key, text in record if text or key not in ("certificate", "due")}
    return found


def instruments_text(instruments: Iterable[BenchInstrument]) -> str:
    """Return who stood on a bench as one text, the same for the same instruments in any order; empty for none."""
    plain = instruments_as_plain(instruments)
    return json.dumps(plain, sort_keys=True) if plain else ""


def exchange_as_plain(exchange: StoredExchange) -> dict[str, Any]:
    """Return a message for JSON; bytes that are no ASCII are spelt out."""
    return {
        "id": exchange.id,
        "run": exchange.run,
        "check_index": exchange.check_index,
        "time_s": exchange.time_s,
        "instrument": exchange.instrument,
        "direction": exchange.direction.value,
        "content": exchange.content.decode("ascii", "backslashreplace"),
        "fault": exchange.fault,
    }
