"""Look for play in a meter: from which sides the crossing was approached, and how far apart both ways put it.

A meter with play, or hysteresis, shows less after the level has risen than after it has fallen. Readings from one side agree with each
other and are all off by half of it, so the crossing is approached from both.
"""

from __future__ import annotations

import math

from sequencer.search.curve_belief import Belief
from sequencer.search.curve_state import Note, State, held_levels
from sequencer.search.protocol import Ask

PLAYS_DB = ((0.5, 0.05), (1.0, 0.05), (1.8, 0.03), (3.0, 0.02))
"""How much play a meter may have, dB, each with its weight before any reading: common practice, no source."""
TRAVEL_DB = 4.0  # away from the crossing and back, so that a play of up to 3 dB is taken up
TRAVEL_WAIT = 0.7  # time constants waited there: the meter, too, must have travelled
TAKEN_UP_DB = 3.0
APPROACH_DB = (
    0.6  # moved by so much in one direction it counts as approached from there: the smallest play would show
)
BESIDE_DB = 2.0  # of the crossing: from a reading so near, too, it shows, for by then the slope is known
LONG_RUN = 3
MATTERS_DB = 1.0  # where less accuracy is asked for, half a dB or so is not looked for
STEP_SHARE = 0.3  # of a dB: coarser readings do not show it
LIKELY = 0.8
UNLIKELY = 0.1


def plays(state: State) -> tuple[tuple[float, float], ...]:
    """Return the plays to believe in, dB, with their weights."""
    if state.known_play_db is not None:
        return ((state.known_play_db, 1.0),)
    if not matters(state):
        return ((0.0, 1.0),)
    return ((0.0, 1.0 - sum(weight for _, weight in PLAYS_DB)), *PLAYS_DB)


def matters(state: State) -> bool:
    """Whether play is looked for: in a meter of which it is not known, where the accuracy asked for and the reading's steps let it show."""
    family = state.family
    if family is None or family.ratio or state.known_play_db is not None or len(state.reading_s) < 2:
        return False
    return state.accuracy_db <= MATTERS_DB and state.step() <= STEP_SHARE * family.scale


def one_sided(state: State, belief: Belief) -> bool:
    """Whether the crossing is still to be approached from its other side, where play matters and the window has room."""
    if not matters(state) or len(set(_approaches(state, belief))) > 1:
        return False
    return abs(_turning_db(state, belief) - belief.level_db) >= TAKEN_UP_DB


def _turning_db(state: State, belief: Belief) -> float:
    """Return a level away from the crossing, on the side from which it was not approached last: on the nearer one, where on neither."""
    from_sides = _approaches(state, belief)
    nearer = 1.0 if state.notes[-1].ask.level_db > belief.level_db else -1.0
    side = -from_sides[-1] if from_sides else nearer
    return state.clip(belief.level_db + side * TRAVEL_DB)


def travel(state: State, belief: Belief, near: list[Note]) -> Ask | None:
    """Return a reading away from the crossing, so that it can be approached from there; None where the last one was taken there."""
    level_db = _turning_db(state, belief)
    side = math.copysign(1.0, level_db - belief.level_db)
    if not near or side * (state.notes[-1].ask.level_db - belief.level_db) >= TAKEN_UP_DB:
        return None
    wait_s = max(state.settling.least_s, TRAVEL_WAIT * state.slowest_s)
    return Ask(level_db=level_db, wait_s=wait_s, reading_s=state.reading_s[0], purpose="proof")


def worn_out(state: State) -> bool:
    """Whether readings from one side go on and on without telling if the meter has play: the other side has more to say."""
    last = [n.ask.purpose for n in state.notes[-LONG_RUN:]]
    return matters(state) and state.play_db != 0.0 and last == ["near"] * LONG_RUN


def _approaches(state: State, belief: Belief) -> list[float]:
    """Return from where the crossing was approached by the readings beside it, in their order: -1 below, 1 above."""
    held = held_levels([n.made_db for n in state.notes], APPROACH_DB)
    return [
        -1.0 if n.made_db > at else 1.0
        for n, at in zip(state.notes, held, strict=True)
        if n.ask.purpose == "near"
        and abs(n.level_db - belief.level_db) <= BESIDE_DB
        and abs(n.made_db - at) > 0.49 * APPROACH_DB
    ]


def measured_play_db(belief: Belief, assumed: list[float]) -> float | None:
    """Return the play, dB: 0 where there is hardly any, None where the readings do not tell; ``assumed`` is that of each set."""
    chance = sum(share for play, share in zip(assumed, belief.of_sets, strict=True) if play > 0.0)
    if chance < UNLIKELY:
        return 0.0
    if chance < LIKELY:
        return None
    moment = sum(play * share for play, share in zip(assumed, belief.of_sets, strict=True))
    return moment / chance
