"""Work out what is stated of both switching levels at the end, their jitter perhaps several times the usual, and if they lie elsewhere."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.search.switching_grid import BESIDE_DB, CoarseGrid, FineGrid, Trial

STATED_WIDER = 1.1
"""How many times the accuracy asked for what is stated must be before it is stated in place of what the search went by."""
REACH_DB = 8.0  # on either side of a level


def as_stated(fine: FineGrid, trials: Sequence[Trial], accuracy_db: float) -> FineGrid:
    """Return the grid that both levels are stated by: one that knows of units which flutter, where by that a level is less sure than asked.

    To ask by it would cost a sound squelch four tests; to state by it costs none, and of squelches with a jitter of 1.2 dB 72 in 100
    intervals hold for 60 [measured].
    """
    spans = []
    for rising in (False, True):
        level_db = fine.belief(rising=rising).level_db
        spans.append((level_db - REACH_DB, level_db + REACH_DB))
    wide: FineGrid | None = FineGrid(trials, (spans[0], spans[1]), fine.manner, unsteady=True)
    made = fine
    while wide is not None:
        made = wide
        narrower = made.narrower()
        wide = FineGrid(trials, narrower, fine.manner, unsteady=True) if narrower else None
    widest_db = max(made.belief(rising=rising).half_width_db for rising in (False, True))
    return made if widest_db > STATED_WIDER * accuracy_db else fine


def elsewhere(fine: FineGrid, untold: CoarseGrid) -> float:
    """Return how likely, by all answers, a level lies outside the first fine part."""
    outside = 0.0
    for rising in (False, True):
        at_db = fine.belief(rising=rising).level_db
        away = abs(untold.levels_db(rising=rising) - at_db) > BESIDE_DB
        outside = max(outside, float(untold.weights(rising=rising)[:, away].sum()))
    return outside
