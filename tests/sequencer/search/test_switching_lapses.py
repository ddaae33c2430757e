"""Which answers were almost surely not those of the unit, against a sum over every course of on and off."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import norm

from sequencer.search.switching_grid import LAPSE, SWITCHED_OFF, FineGrid, Manner, Trial
from sequencer.search.switching_lapses import SURE_OF_LAPSE, count_lapses

MANNER = Manner(hysteresis_db=2.5, jitter_db=0.4, jitter_doubt=1.5)


def by_every_course(fine: FineGrid, trials: list[Trial]) -> int:
    """Return how many answers are not those of the state, each course of it weighed by itself."""
    rising_db, falling_db = (fine.belief(rising=rising).level_db for rising in (True, False))
    jitter_db, dropped = fine.jitter_mean_db(), max(fine.dropped_mean(), LAPSE)
    on_at = np.zeros(len(trials))
    total = 0.0
    for course in itertools.product((False, True), repeat=len(trials) + 1):
        chance = 0.5
        for (was, now), trial in zip(itertools.pairwise(course), trials, strict=True):
            on = norm.cdf((trial.level_db - (falling_db if was else rising_db)) / jitter_db)
            on *= 1 - SWITCHED_OFF if trial.gone else 1.0
            chance *= on if now else 1 - on
            if trial.on is not None:
                right = 1 - dropped if now else 1 - LAPSE
                chance *= right if trial.on is now else 1 - right
        total += chance
        on_at += chance * np.array(course[1:])
    likely_on = on_at / total
    return sum(
        trial.on is not None and (1 - on if trial.on else on) > SURE_OF_LAPSE
        for trial, on in zip(trials, likely_on, strict=True)
    )


def drawn(seed: int) -> list[Trial]:
    """Return tests of a unit that drops a third of its answers, some of them unanswered or gone."""
    rng, on, trials = np.random.default_rng([71, seed]), False, []
    for _ in range(9):
        level_db = float(rng.choice((4.0, 1.5, 0.1, -1.2, -4.0)))
        on = bool(level_db + 0.4 * rng.standard_normal() > (-2.5 if on else 0.0))
        gone = rng.random() < 0.1
        answer = None if gone or rng.random() < 0.1 else on and rng.random() > 0.33
        on = on and not gone
        trials.append(Trial(None, level_db, answer, gone=gone))
    return trials


@pytest.mark.parametrize("seed", range(12))
def test_lapses_are_those_of_a_sum_over_every_course_of_the_state(seed: int) -> None:
    """512 courses of nine tests."""
    trials = drawn(seed)
    fine = FineGrid(trials, ((-6.0, 1.0), (-3.0, 4.0)), MANNER)
    assert count_lapses(fine, trials) == by_every_course(fine, trials)


def test_an_off_between_two_ons_that_hold_it_is_a_lapse() -> None:
    """On at a level that holds it and does not switch it on: between, it cannot have been off."""
    settled = [Trial(None, level_db, on) for level_db, on in ((5.0, True), (-5.0, False)) * 6]
    held = [Trial(None, 5.0, True), Trial(None, -1.2, False), Trial(None, -1.2, True)]
    known = [*settled, *([Trial(None, -0.3, False), Trial(None, 0.4, True), Trial(None, -2.9, False)] * 4)]
    fine = FineGrid([*known, *held], ((-4.0, -1.0), (-1.0, 2.0)), MANNER)
    assert count_lapses(fine, [*known, *held]) == 1
    assert count_lapses(fine, known) == 0
