"""The order in which results beside each other are numbered: what their limits ask for, and who is certainly ahead of whom."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from sequencer.analysis.estimates import Estimate, differences
from sequencer.frozen import dataclass
from sequencer.results.stored import StoredResult
from sequencer.units.format import format_quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

LOWEST_IS_BEST = "best first: lowest"
HIGHEST_IS_BEST = "best first: highest"
LOWEST_FIRST = "lowest first"
EXPLAINED = (
    "Groups are numbered best first where the limits say what is best: lowest under an upper limit, highest over a lower one, and between "
    "two limits nearest to the nominal value, or to the middle where no nominal value is stated. Without a limit, or with limits that are "
    "not all the same kind, lowest first. An = marks a number beside which the results cannot tell another group apart."
)
"""What the numbers mean, for a reader."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """An order in words; ``aim`` is the value that the best lies nearest to, None where one end is the best."""

    words: str
    aim: float | None = None

    def ahead(self, estimates: Sequence[Estimate]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return for every pair whether the results tell the two apart, and whether the first comes before the second."""
        if self.aim is not None:
            return _nearer(estimates, self.aim)
        pairs = differences(estimates)
        before = pairs.difference < 0 if self.words == HIGHEST_IS_BEST else pairs.difference > 0
        return np.abs(pairs.difference) > pairs.expanded, before


def order_of(rows: Sequence[StoredResult]) -> Order:
    """Return the order that the limits of all these results ask for."""
    ends = {(row.lower_limit is not None, row.upper_limit is not None) for row in rows}
    if len(ends) != 1:
        return Order(words=LOWEST_FIRST)
    match ends.pop():
        case (False, True):
            return Order(words=LOWEST_IS_BEST)
        case (True, False):
            return Order(words=HIGHEST_IS_BEST)
        case (True, True):
            return _nearest(rows)
    return Order(words=LOWEST_FIRST)


def _nearest(rows: Sequence[StoredResult]) -> Order:
    """Return the order by distance from the nominal value of all the results, or from the middle of their limits, if that is one value."""
    unit = rows[0].unit
    nominal = {row.nominal for row in rows}
    if len(nominal) == 1 and (aim := nominal.pop()) is not None:
        return Order(words=f"best first: nearest to {format_quantity(aim, unit)}, the nominal value", aim=aim)
    limits = {(row.lower_limit, row.upper_limit) for row in rows}
    lower, upper = limits.pop()
    if limits or lower is None or upper is None:
        return Order(words=LOWEST_FIRST)
    aim = (lower + upper) / 2
    return Order(
        words=f"best first: nearest to {format_quantity(aim, unit)}, the middle of the limits", aim=aim
    )


def _nearer(estimates: Sequence[Estimate], aim: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return as `Order.ahead` does, for distances from ``aim``.

    On one side of it an error that two results share cancels in the difference of their distances; on opposite sides it counts twice. A
    value that may lie on either side, because its uncertainty reaches across, is held against both.
    """
    count = len(estimates)
    turned = [
        replace(one, value=-one.value, shared={key: -size for key, size in one.shared.items()})
        for one in estimates
    ]
    expanded = differences([*estimates, *turned]).expanded
    alike, opposite = expanded[:count, :count], expanded[:count, count:]
    off = np.array([one.value - aim for one in estimates])
    either = np.abs(off) < np.array([one.expanded for one in estimates])
    same_side = np.sign(off)[:, None] == np.sign(off)[None, :]
    uncertain = np.where(same_side, alike, opposite)
    uncertain = np.where(either[:, None] | either[None, :], np.maximum(alike, opposite), uncertain)
    np.fill_diagonal(uncertain, 0.0)
    distance = np.abs(off)
    farther = distance[None, :] - distance[:, None]
    return np.abs(farther) > uncertain, farther > 0
