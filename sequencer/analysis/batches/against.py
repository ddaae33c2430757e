"""Two batches beside each other: did fewer units pass, and has a quantity moved?"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from sequencer.analysis.batches.quantities import Quantity, quantities_of
from sequencer.analysis.batches.units import BatchUnits, read_batch_units
from sequencer.analysis.batches.yields import Yields, find_yields
from sequencer.frozen import dataclass
from sequencer.results.line import BatchRecord
from sequencer.results.store.store import Store
from sequencer.statistics.two_samples import MeanDifference, find_mean_difference, shares_alike

LITTLE = 0.05
"""Below this probability shares count as different (95 %, as every interval here)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """One quantity of both batches; ``difference`` is None where it has too few values or another unit in one of them."""

    quantity: Quantity
    other: Quantity
    difference: MeanDifference | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """A batch laid beside another: ``alike`` is how probable yields so far apart are by chance; None where one has no verdict."""

    units: BatchUnits
    other: BatchUnits
    yields: Yields
    other_yields: Yields
    alike: float | None
    moved: tuple[Moved, ...]
    missing: tuple[str, ...]

    @property
    def seen(self) -> tuple[Moved, ...]:
        """The quantities whose means differ by more than their scatter would do, the clearest first."""
        found = [one for one in self.moved if one.difference is not None and one.difference.is_seen]
        return tuple(sorted(found, key=lambda one: -_times(one.difference)))

    def sentence(self) -> str:
        """Return what the comparison rests on."""
        judged = sum(one.difference is not None for one in self.moved)
        by_chance = f" Of {judged} quantities about {max(1, round(LITTLE * judged))} would be called moved if nothing had."
        return (
            "First pass of each unit. A mean has moved if the difference is larger than its expanded uncertainty from the units' own "
            "scatter (Welch, 95 %). Units and bench are not told apart: what moved may be the bench, and an error that both batches share "
            "is in neither." + (by_chance if judged >= 20 else "")
        )


def _times(one: MeanDifference | None) -> float:
    return 0.0 if one is None else abs(one.difference) / one.expanded


def find_against(record: BatchRecord, other: BatchRecord, store: Store) -> Against:
    """Return both batches beside each other, from the store."""
    units, others = read_batch_units(store, record), read_batch_units(store, other)
    yields, other_yields = find_yields(units), find_yields(others)
    first, second = yields.first_pass, other_yields.first_pass
    known = {_key(one): one for one in quantities_of(others)}
    moved, missing = [], []
    for one in quantities_of(units):
        if (alike := known.pop(_key(one), None)) is None:
            missing.append(one.title)
        else:
            moved.append(
                Moved(quantity=one, other=alike, difference=find_mean_difference(one.values, alike.values))
            )
    return Against(
        units=units,
        other=others,
        yields=yields,
        other_yields=other_yields,
        alike=None
        if first is None or second is None
        else shares_alike(first.count, first.of, second.count, second.of),
        moved=tuple(moved),
        missing=(*missing, *(one.title for one in known.values())),
    )


def _key(one: Quantity) -> tuple[Any, ...]:
    axis_values = {row.axis_value for row in one.rows}
    return (one.check, one.name, one.channel, one.mode, one.unit, *sorted(axis_values, key=repr))


def against_as_plain(found: Against) -> dict[str, Any]:
    """Return the comparison for JSON."""
    return {
        "batch": found.units.record.batch,
        "against": found.other.record.batch,
        "first_pass": [
            None if one.first_pass is None else {**asdict(one.first_pass), "share": one.first_pass.share}
            for one in (found.yields, found.other_yields)
        ],
        "alike_by_chance": found.alike,
        "quantities": [
            {
                "check": one.quantity.check,
                "quantity": one.quantity.name,
                "channel": one.quantity.channel,
                "mode": one.quantity.mode,
                "unit": one.quantity.unit,
                "n": [len(one.quantity.rows), len(one.other.rows)],
                "difference": None if one.difference is None else one.difference.difference,
                "expanded": None if one.difference is None else one.difference.expanded,
                "moved": one.difference is not None and one.difference.is_seen,
            }
            for one in found.moved
        ],
        "only_in_one": list(found.missing),
        "says": found.sentence(),
    }
