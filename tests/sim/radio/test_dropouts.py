"""The intermittent joint."""

from __future__ import annotations

import numpy as np
import pytest

from sim.radio.dropouts import DropoutTimes
from sim.radio.unit import Dropouts

STEP_S = 0.02


def lost(dropouts: Dropouts, side: str, seed: int, steps: int = 200_000) -> list[bool]:
    """Return, in steps of 20 ms, whether the joint is open."""
    times = DropoutTimes(dropouts, 0.0, np.random.default_rng(seed))
    return [times.loss_db(step * STEP_S, side) > 0 for step in range(steps)]


def test_share_of_time_lost() -> None:
    """The joint is open for duration/(interval+duration) of the time (alternating renewal process)."""
    share = np.mean(lost(Dropouts(interval_s=8.0, duration_s=0.5), "receive", 3))
    assert share == pytest.approx(0.5 / 8.5, rel=0.15)


def test_times_are_fixed_by_the_seed() -> None:
    """The same seed fails at the same times, another seed at others, however often it is looked at."""
    joint = Dropouts(interval_s=2.0)
    assert lost(joint, "receive", 1, 5_000) == lost(joint, "receive", 1, 5_000)
    assert lost(joint, "receive", 1, 5_000) != lost(joint, "receive", 2, 5_000)
    rare = DropoutTimes(joint, 0.0, np.random.default_rng(1))
    often = lost(joint, "receive", 1, 5_000)
    assert [rare.loss_db(step * STEP_S, "receive") > 0 for step in range(0, 5_000, 50)] == often[::50]


def test_other_side_and_sound_units_never_fail() -> None:
    """A fault of the receive side leaves the transmit side alone; interval 0 never fails."""
    assert not any(lost(Dropouts(interval_s=1.0, side="receive"), "transmit", 1, 5_000))
    assert not any(lost(Dropouts(), "receive", 1, 5_000))
