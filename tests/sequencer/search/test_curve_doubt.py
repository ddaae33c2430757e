"""Whether a ratio that seems to follow the level may do so by chance: by the odds of a family of its slope, near its target."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sequencer.search.curve_doubt import is_doubted
from sequencer.search.curve_family import ratio_family
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.curve_state import Note, State
from sequencer.search.protocol import Ask, Settling

PRIOR = CurvePrior(slope=1.6, slope_sd=0.2, bend_sd=0.05, sd_db=0.31, ratio_db=True)
LEVELS_DBM = (-114.0, -106.0, -112.0, -108.0, -110.2, -109.6)
CROSSING_DBM = -110.0


def _state(slope: float, *, seed: int = 1, blank: int = 0, count: int = 6, **other: Any) -> State:
    """Return a search for 10 dB that read so many levels of a receiver whose ratio changes by ``slope`` per dB, or not at all.

    Each reading scatters by half a decibel; ``blank`` further ones gave nothing.
    """
    rng = np.random.default_rng([7, seed])
    how = {"rising": True, "given": PRIOR, "reading_s": (0.1, 0.3), **other}
    state = State(
        target=10.0,
        window_db=(-130.0, -90.0),
        accuracy_db=1.0,
        settling=Settling(),
        known_step=0.1,
        reading_range=None,
        budget=30,
        **how,
    )
    for level_dbm in LEVELS_DBM[:count]:
        excess = slope * (level_dbm - CROSSING_DBM) + 0.5 * float(rng.standard_normal())
        state.notes.append(_note(level_dbm, excess))
    state.notes.extend(_note(-100.0, math.nan) for _ in range(blank))
    return state


def _note(level_dbm: float, excess: float) -> Note:
    ask = Ask(level_db=level_dbm, wait_s=0.0, reading_s=0.1)
    return Note(ask=ask, raw=excess, excess=excess, level_db=level_dbm, at_s=0.0, made_db=level_dbm)


def test_a_ratio_that_follows_is_believed_and_one_that_does_not_is_doubted() -> None:
    """Of 20 receivers whose ratio follows none is doubted; of 20 that follow nothing, each is."""
    assert [is_doubted(_state(1.6, seed=seed)) for seed in range(20)] == [False] * 20
    assert [is_doubted(_state(0.0, seed=seed)) for seed in range(20)] == [True] * 20


def test_few_readings_that_follow_are_doubted_still() -> None:
    """One reading, or none, may be of any receiver."""
    assert is_doubted(_state(1.6, count=1))
    assert is_doubted(_state(1.6, count=0))


def test_a_reading_that_gave_nothing_says_nothing() -> None:
    """Neither for a response nor against one."""
    assert not is_doubted(_state(1.6, blank=3))
    assert is_doubted(_state(0.0, blank=3))


@pytest.mark.parametrize(
    "other",
    [
        {"given": None},
        {"given": replace(PRIOR, ratio_db=False)},
        {"rising": False},
        {"reading_s": (0.1,)},
        {"by_hand": True},
        {"gave_up_family": True},
        {"family": ratio_family(target_db=10.0, slope=1.6, slope_sd=0.2, relative=0.1)},
    ],
)
def test_what_is_foretold_otherwise_or_waits_for_a_person_is_not_doubted_here(other: dict[str, Any]) -> None:
    """A family of its own weighs itself; a needle's readings and a person's are proved otherwise."""
    assert is_doubted(_state(0.0))
    assert not is_doubted(_state(0.0, **other))


def test_curves_that_bend_more_are_allowed_to_stray_more() -> None:
    """With a bend that nobody foretold, readings of one that levels off count for a response; of a straight family they do not."""
    levels = {-114.0: -8.8, -112.0: -4.5, -110.5: -1.1, -109.5: 0.5, -106.0: 1.9, -104.0: 2.1}

    def odd(bend_sd: float) -> bool:
        state = _state(1.6, count=0, given=replace(PRIOR, bend_sd=bend_sd))
        state.notes.extend(_note(level_dbm, excess) for level_dbm, excess in levels.items())
        return is_doubted(state)

    assert (odd(0.01), odd(0.3)) == (True, False)
