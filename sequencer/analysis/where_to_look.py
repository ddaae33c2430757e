"""Where to look when a golden unit's results have moved: which of them, beside what the bench's own check found.

Neither tells by itself whether the bench has changed or the unit. Together they part what both go through: the generator and its cable
are in the receive results and in the bench's check, the power meter and its cable in the transmit results and in that check; what lies
between switch and unit, and the unit itself, is in the unit's results alone.
"""

from __future__ import annotations

from typing import Literal

BenchFound = Literal["as it was", "changed", "unknown"]
"""What the bench's own last check found; unknown where none was made lately."""

_AT = {"receive": "the generator and its cable", "transmit": "the power meter and its cable"}
_BEYOND = {
    "receive": "the receive path between switch and unit, the unit's connection, then at the golden unit's receiver",
    "transmit": "load and pads of the transmit path, the unit's connection, then at the golden unit's transmitter",
}


def where_to_look(bench: BenchFound, *, receive: bool, transmit: bool) -> str:
    """Return where to look, in order; ``receive`` and ``transmit`` say of which results of the golden unit some have moved."""
    sides = [side for side, moved in (("receive", receive), ("transmit", transmit)) if moved]
    if bench == "unknown":
        which = " or ".join(_AT[side] for side in sides) or "the bench"
        return (
            f"whether it is bench or golden unit its results alone cannot tell: let the bench check itself; look at cables, {which}, "
            "then at the golden unit, in that order"
        )
    if bench == "changed":
        if len(sides) == 1:
            return f"the bench's own check has moved too, and the unit's other results have not: look at {_AT[sides[0]]}"
        return "the bench's own check has moved too: put that right first, then measure the golden unit again"
    if len(sides) == 1:
        return (
            f"the bench's own check found generator and power meter as they were: look at {_BEYOND[sides[0]]}"
        )
    return (
        "the bench's own check found generator and power meter as they were: look at the unit's supply and connection, then at the "
        "golden unit itself"
    )
