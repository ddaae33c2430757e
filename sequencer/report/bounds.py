"""Draw a value that is a bound only: an arrow from where it stands into what it leaves open, at most or at least so much."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sequencer.results.model import Result
from sequencer.uncertainty.decision import Bound

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LONG = 16.0  # points of the paper


def mark_bound(axes: Axes, x: float, y: float, bound: Bound, colour: str) -> None:
    """Draw the arrow of a bound at a place; nothing at a value that was measured."""
    if not bound:
        return
    axes.annotate(
        "",
        xy=(x, y),
        xytext=(0.0, -_LONG if bound == "at most" else _LONG),
        textcoords="offset points",
        arrowprops={"arrowstyle": "<-", "color": colour, "linewidth": 1.1, "shrinkA": 0.0, "shrinkB": 0.0},
        zorder=4,
    )


def bounds_text(rows: Sequence[Result]) -> str:
    """Return for a caption what arrows say, to follow it; nothing where none is drawn."""
    said = [one for one in ("at most", "at least") if any(row.bound == one for row in rows)]
    return f"; arrows: bounds, {' or '.join(said)} so much" if said else ""
