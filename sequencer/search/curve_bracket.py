"""Jump, in the coarse part of a curve search, until the crossing is bracketed and a reading is near it."""

from __future__ import annotations

import itertools
import math

from sequencer.search.curve_state import State
from sequencer.search.curve_verdict import Verdict, classified
from sequencer.search.protocol import Ask, Status

JUMPS_UP_DB = (8.0, 12.0, 18.0, 20.0)
LARGEST_JUMP_DB = 20.0
WIDEST_GAP_DB = 20.0
MOST_SILENT = 8


def arrived(state: State) -> bool:
    """Say whether the last reading is near enough to fit a line through."""
    note, slope = state.notes[-1], state.slope()
    if slope is None or not math.isfinite(note.excess):
        return False
    near = abs(note.excess) < 2.25 * slope
    if state.below_db is None or state.above_db is None:
        return near
    if state.given and near:
        return True
    return state.above_db - state.below_db < (12.0 if near else 4.0)


def next_coarse(state: State) -> Ask | Verdict:
    """Return the next coarse reading, or why there is none."""
    (low, high), note = state.window_db, state.notes[-1]
    level_db = note.ask.level_db
    if math.isnan(note.excess):
        return _after_no_measurement(state)
    if state.below_db is None and level_db <= low:
        return at_end(state, low)
    if state.above_db is None:
        if any(n.ask.level_db >= high for n in state.notes):
            return at_end(state, high)
        return state.ask_far(level_db + _jump_up(state))
    if state.below_db is None:
        return state.ask_far(level_db - _jump_down(state))
    return state.ask_far(_between(state, state.below_db, state.above_db))


def _after_no_measurement(state: State) -> Ask | Verdict:
    """Read once more where nothing was measured, then look elsewhere: up first, where the signal is."""
    (low, high), level_db = state.window_db, state.notes[-1].ask.level_db
    silent = [n for n in state.notes if math.isnan(n.excess)]
    if len(silent) >= MOST_SILENT:
        return Status.NO_RESPONSE, f"no measurement in {len(silent)} of {len(state.notes)} readings"
    if sum(n.ask.level_db == level_db for n in silent) == 1:
        return state.ask_far(level_db, "again")
    if level_db < high and len(silent) < MOST_SILENT - 2:
        return state.ask_far(level_db + LARGEST_JUMP_DB)
    return state.ask_far((low + high) / 2 if level_db != (low + high) / 2 else low)


def _jump_up(state: State) -> float:
    ups = sum(n.excess <= 0 for n in state.notes)
    jump_db = JUMPS_UP_DB[min(max(ups, 1), len(JUMPS_UP_DB)) - 1]
    slope, excess = state.slope(), state.notes[-1].excess
    if slope and math.isfinite(excess) and ups == 1:
        jump_db = min(jump_db, max(2.0, -1.3 * excess / slope))
    return jump_db


def _jump_down(state: State) -> float:
    """Return how far to go down; further each time the reading did not follow."""
    slope, excess = state.slope(), state.notes[-1].excess
    jump_db = LARGEST_JUMP_DB
    if slope and math.isfinite(excess):
        jump_db = min(LARGEST_JUMP_DB, max(2.0, excess / (0.8 * slope)))
    elif not state.last_jump_db:
        jump_db = 12.0
    if state.last_jump_db and len(state.notes) > 1:
        fell = state.notes[-2].excess - excess
        if not (slope and fell > 0.3 * slope * state.last_jump_db):
            jump_db = max(jump_db, min(40.0, 1.6 * state.last_jump_db))
    state.last_jump_db = jump_db
    return jump_db


def _between(state: State, below_db: float, above_db: float) -> float:
    """Interpolate between the bracket's ends, kept in its middle; halve it when interpolation came down on one side twice."""
    below = [n.excess for n in state.notes if n.level_db == below_db][-1]
    above = [n.excess for n in state.notes if n.level_db == above_db][-1]
    share = 0.5
    same_side = len(state.notes) > 2 and state.notes[-1].excess * state.notes[-2].excess > 0
    if math.isfinite(below) and math.isfinite(above) and above > below and not same_side:
        share = -below / (above - below)
    return below_db + (above_db - below_db) * min(max(share, 0.35), 0.75)


def at_end(state: State, end_db: float) -> Ask | Verdict:
    """At an end of the window on the wrong side: read again, look into the gaps, then say so."""
    if sum(n.ask.level_db == end_db for n in state.notes) < 2:
        return state.ask_far(end_db, "again")
    if end_db >= state.window_db[1]:
        edges = sorted({*state.window_db, *(n.ask.level_db for n in state.notes)})
        bottom, top = max(itertools.pairwise(edges), key=lambda pair: pair[1] - pair[0])
        if top - bottom > WIDEST_GAP_DB:
            return state.ask_far((bottom + top) / 2, "proof")
    elif state.given is None and sum(n.ask.level_db == end_db for n in state.notes) < 3:
        return state.ask_far(end_db, "again")
    return classified(state)
