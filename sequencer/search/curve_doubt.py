"""Say how much likelier the readings of a search without a family are with a response than without one.

A signal-to-noise ratio read with the signal on and off, or one of quieting, follows no family of curves all the way: the AGC acts. Near its
target it does, more or less, so that the family of its slope says if readings that seem to follow the level may do so by chance.
"""

from __future__ import annotations

import math
from dataclasses import replace

from sequencer.search.curve_belief import Believer
from sequencer.search.curve_family import DB_PER_NEPER, ratio_family
from sequencer.search.curve_likelihood import Point
from sequencer.search.curve_state import State

SURE = 4.0
"""Natural logarithm: of sound receivers nine in ten lie above it, of dead ones that seemed to respond one in forty. With 6 half of the
sound ones pay a reading, and hardly fewer dead ones are found [measured]."""
FAMILY_BEND_SD = 0.05
"""The doubt of the bend, dB per square dB, with which curves stray as a family says: of a larger one (quieting) they stray more."""


def is_doubted(state: State) -> bool:
    """Whether a ratio that rises, of which only the slope was foretold, may follow nothing for all that its readings say."""
    given = state.given
    if given is None or not given.ratio_db or not state.rising or state.is_unhurried:
        return False
    if state.family is not None or state.gave_up_family:
        return False
    family = ratio_family(
        target_db=state.target,
        slope=given.slope,
        slope_sd=given.slope_sd,
        relative=given.sd_db * given.slope / DB_PER_NEPER,
    )
    family = replace(family, doubt=family.doubt * (given.bend_sd / FAMILY_BEND_SD))
    points = [
        Point(level_db=n.level_db, excess=n.excess, reading_s=n.ask.reading_s)
        for n in state.notes
        if not math.isnan(n.excess)
    ]
    believer = Believer(family, state.window_db, None, state.step())
    return believer.believe([(1.0, points)]).log_odds < SURE
