"""How the true values of a batch's units spread, as far as their results tell: what the measuring adds by itself is taken off."""

from __future__ import annotations

import math
import statistics

from sequencer.analysis.batches.quantities import Quantity
from sequencer.analysis.estimates import estimate_of
from sequencer.frozen import dataclass
from sequencer.statistics.rule_risks import Process
from sequencer.units.format import counted

FEWEST = 5
MOSTLY = 0.5
"""Share of the variance seen that the measuring may make up before it is said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueSpread:
    """``process`` is None where nothing can be said, and ``note`` says why; otherwise ``note`` says what the spread rests on."""

    quantity: Quantity
    process: Process | None
    note: str


def true_spread_of(quantity: Quantity) -> TrueSpread:
    """Return how the units spread in a quantity: the variance seen, less the mean of what is new in each reading (its own part of U)."""

    def nothing(why: str) -> TrueSpread:
        return TrueSpread(quantity=quantity, process=None, note=why)

    values = quantity.values
    if quantity.limits is None:
        return nothing("the units had different limits" if quantity.several_limits else "it has no limits")
    if len(values) < FEWEST:
        return nothing(f"{counted(len(values), 'value')}; {FEWEST} or more are needed")
    if quantity.uncertainty is None or not math.isfinite(quantity.uncertainty):
        return nothing("its uncertainty is not stated")
    seen = statistics.variance(values)
    own = statistics.fmean(estimate_of(row).own_variance for row in quantity.rows)
    if not seen > own:
        return nothing("the values spread no more than the measuring does by itself")
    note = f"The values spread by {math.sqrt(seen):.3g}, of which the measuring's own scatter, {math.sqrt(own):.2g}, is taken off."
    if own > MOSTLY * seen:
        note += " That is most of it: the spread of the units is hardly known."
    spread = math.sqrt(seen - own)
    process = Process(mean=statistics.fmean(values), spread=spread, units=len(values))
    return TrueSpread(quantity=quantity, process=process, note=note)
