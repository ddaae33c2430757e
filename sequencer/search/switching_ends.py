"""Tell how a search for what switches ends: with levels, with answers that lapsed, or with what never switches."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.search.protocol import Status
from sequencer.search.switching_grid import FineGrid, Trial
from sequencer.search.switching_lapses import count_lapses

LAPSES_LIKELY = 0.3


def dead_end(
    trials: Sequence[Trial],
    asked_db: Sequence[float],
    counts: Sequence[int],
    *,
    window_db: tuple[float, float],
    segment: int | None,
    level_unit: str,
) -> tuple[Status, str] | None:
    """Return how the search ends, in words: off at the top thrice, on at the bottom twice, a segment skipped twice; None for none of these.

    ``asked_db`` (one a trial) are the levels asked, ``counts`` how many segments were lit wherever that was told.
    """
    low, high = window_db
    if _segment_missing(trials, counts, segment):
        return Status.SEGMENT_MISSING, f"segment {segment} stays dark while higher ones are lit"
    last, asked = [t.on for t in trials[-2:]], asked_db[-2:]
    if len(last) < 2:
        return None
    same = len(counts) >= 3 and len(set(counts)) == 1
    thrice = [t.on for t in trials[-3:]] == [False] * 3 and asked_db[-3] >= high
    if all(a >= high for a in asked) and thrice:
        if same and counts[-1] > 0:
            return Status.STUCK, f"{counts[-1]} segments stay lit up to {high:g} {level_unit}"
        return Status.NEVER_REACHED, f"it stayed off up to {high:g} {level_unit}"
    if all(a <= low for a in asked) and all(last):
        if same:
            return Status.STUCK, f"{counts[-1]} segments stay lit down to {low:g} {level_unit}"
        return Status.ALREADY_PAST, f"it stayed on down to {low:g} {level_unit}"
    return None


def _segment_missing(trials: Sequence[Trial], counts: Sequence[int], segment: int | None) -> bool:
    if segment is None or any(t.on for t in trials):
        return False
    return sum(count > segment for count in counts) >= 2


def found(fine: FineGrid, trials: Sequence[Trial], fallen: int, *, readings: int) -> tuple[Status, str]:
    """Return that both levels are found, and in words that answers lapsed: ``fallen`` are readings that fell away from the signal."""
    if lapses := fallen + count_lapses(fine, trials):
        return Status.INTERMITTENT, f"{lapses} of {readings} answers had nothing to do with the level"
    if fine.dropping() > LAPSES_LIKELY:
        return Status.INTERMITTENT, f"some of {readings} answers had nothing to do with the level"
    return Status.FOUND, ""
