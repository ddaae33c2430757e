"""What is stated of both levels at the end: by a jitter that may be several times the usual, where that is needed."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.search.switching_grid import SQUELCH, CoarseGrid, FineGrid, Trial
from sequencer.search.switching_stated import as_stated, elsewhere


def drawn(jitter_db: float, seed: int, *, count: int = 30) -> list[Trial]:
    """Return tests near the levels (0 and -4 dB) of a squelch."""
    rng, on, trials = np.random.default_rng([72, seed]), False, []
    for _ in range(count):
        level_db = float((-4.0 if on else 0.0) + rng.uniform(-1.0, 1.0))
        on = bool(level_db + jitter_db * rng.standard_normal() > (-4.0 if on else 0.0))
        trials.append(Trial(None, level_db, on))
    return trials


def searched(trials: list[Trial]) -> FineGrid:
    """Return what a search goes by."""
    return FineGrid(trials, ((-8.0, 0.0), (-4.0, 4.0)), SQUELCH)


def test_what_the_search_went_by_is_stated_of_a_steady_one() -> None:
    """Its answers do not ask for more than the usual jitter."""
    for seed in range(6):
        fine = searched(trials := drawn(0.3, seed))
        assert as_stated(fine, trials, 0.5) is fine


def test_of_one_that_flutters_wider_intervals_are_stated() -> None:
    """Answers on either side of each level, 1 dB off: by the usual jitter such are not to be had."""
    wider, jitters = [], []
    for seed in range(6):
        fine = searched(trials := drawn(2.0, seed))
        stated = as_stated(fine, trials, 0.3)
        assert stated is not fine
        jitters.append(stated.jitter_mean_db() / fine.jitter_mean_db())
        wider += [
            stated.belief(rising=rising).half_width_db / fine.belief(rising=rising).half_width_db
            for rising in (False, True)
        ]
    assert np.median(jitters) > 1.4
    assert np.median(wider) > 1.2


def test_what_is_stated_is_as_wide_as_the_answers_leave_it_and_as_fine_as_the_search() -> None:
    """Its span reaches beyond all that is believed, and its cells are no coarser than a third of the interval."""
    fine = searched(trials := drawn(0.6, 3))
    stated = as_stated(fine, trials, 0.1)
    assert stated.belief(rising=True).level_db == pytest.approx(0.0, abs=1.5)
    assert stated.belief(rising=False).level_db == pytest.approx(-4.0, abs=1.5)
    for rising, (low_db, high_db) in zip((False, True), stated.spans_db, strict=True):
        belief = stated.belief(rising=rising)
        assert low_db < belief.low_db < belief.high_db < high_db
        assert (high_db - low_db) / 63 < belief.half_width_db / 3


@pytest.mark.parametrize(("accuracy_db", "is_same"), [(0.01, False), (50.0, True)])
def test_how_wide_is_too_wide_depends_on_the_accuracy_asked(accuracy_db: float, *, is_same: bool) -> None:
    """A tenth more than asked may be stated by what the search went by."""
    fine = searched(trials := drawn(0.5, 1))
    assert (as_stated(fine, trials, accuracy_db) is fine) is is_same


@pytest.mark.parametrize("rising", [False, True])
def test_one_level_less_sure_than_asked_is_enough(*, rising: bool) -> None:
    """Thirty tests of one level, three of the other."""
    well, hardly = [(0.4, True), (-0.4, False), (0.1, True), (-0.1, False), (0.2, True)] * 6, [(1.5, True)]
    trials = [
        Trial(not up, (0.0 if up else -4.0) + (off_db if up else -off_db), on is up)
        for up, told in ((rising, hardly), (not rising, well))
        for off_db, on in told
    ]
    fine = searched(trials)
    known, unknown = (fine.belief(rising=one).half_width_db for one in (not rising, rising))
    assert known < 0.6 < unknown
    assert as_stated(fine, trials, 0.6) is not fine


def test_a_level_lies_elsewhere_by_as_much_weight_as_is_farther_than_5_db() -> None:
    """Worked out from the coarse weights one by one, the likelier of both levels counted."""
    coarse = CoarseGrid((-30.0, 30.0), SQUELCH)
    fine = searched(trials := drawn(0.4, 2, count=6))
    for trial in trials[:2]:
        coarse.learn(trial)
    beyond = []
    for rising in (False, True):
        at_db, weights = fine.belief(rising=rising).level_db, coarse.weights(rising=rising)[0]
        levels_db = coarse.levels_db(rising=rising)
        beyond.append(
            sum(w for w, level_db in zip(weights, levels_db, strict=True) if abs(level_db - at_db) > 5.0)
        )
    assert elsewhere(fine, coarse) == pytest.approx(max(beyond))
    assert min(beyond) < max(beyond)
    assert 0.05 < max(beyond) < 1.0
