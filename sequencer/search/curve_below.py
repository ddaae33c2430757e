"""Look below the crossing of an FM receiver for the clicks that tell its curve."""

from __future__ import annotations

from sequencer.search.curve_belief import Belief
from sequencer.search.curve_state import Note, State
from sequencer.search.protocol import Ask

BELOW_DB, LOOK_S = 2.0, 0.2
"""Where clicks are rare at the crossing, 2 dB lower there are ten times as many: 0.2 s holds some of one curve and none of another, and
where it holds none tells as much of the level as a reading at the crossing [1.5 and 2.5 dB, 0.1 and 0.3 s: no better]."""
APART = 0.5
"""Of the accuracy asked for: from so much on that the curves' crossings lie apart, a look is worth it."""
LOOKS, AGAIN_S = 2, 0.5
"""A second look, where more than this is still wanted at the crossing."""
COUNTS_DB = 2.3  # from the crossing: a look below agrees with it or not, as a reading beside it does


def look_below(state: State, belief: Belief, wanted_s: float, longest_s: float) -> Ask | None:
    """Return a short reading below the crossing where the curves that are left put it apart; None where it would tell no more.

    At the crossing itself, readings without a click are alike on all of them. ``wanted_s`` is what would be wanted there in all,
    ``longest_s`` the reading that would be taken there next. A person is not asked for it.
    """
    if state.is_unhurried or belief.apart_db <= APART * state.accuracy_db:
        return None
    if state.looks_below >= (LOOKS if wanted_s > AGAIN_S else 1):
        return None
    state.looks_below += 1
    reading_s = next((t for t in state.reading_s if t >= LOOK_S), state.reading_s[-1])
    return state.ask_far(belief.level_db - BELOW_DB, "near", min(longest_s, reading_s))


def looked_below(state: State, belief: Belief, note: Note) -> bool:
    """Whether a reading is such a look, at the crossing as it is believed since."""
    assert state.family is not None
    near = state.family.clicks is not None and note.ask.purpose == "near"
    return near and abs(note.level_db - belief.level_db) <= COUNTS_DB
