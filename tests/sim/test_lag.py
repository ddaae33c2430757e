"""The lag against the textbook exponential, and against a fine-stepped integration."""

from __future__ import annotations

from math import exp

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.lag import Lag


def test_one_time_constant_leaves_37_percent() -> None:
    """After one time constant 1/e of the step is left, after five less than 1 % (elementary RC circuit)."""
    lag = Lag(start=0.0, attack_s=0.2, decay_s=0.5, now_s=0.0)
    lag.set_target(1.0, 0.0)
    assert lag.at(0.2) == pytest.approx(1.0 - 0.36788, abs=1e-5)
    assert lag.at(1.0) == pytest.approx(1.0 - exp(-5.0))


def test_falls_with_its_own_time_constant() -> None:
    """Decay is slower than attack when so stated, from wherever it had come to."""
    lag = Lag(start=0.0, attack_s=0.1, decay_s=0.5, now_s=0.0)
    lag.set_target(2.0, 0.0)
    lag.set_target(0.0, 0.1)
    reached = 2.0 * (1.0 - exp(-1.0))
    assert lag.at(0.6) == pytest.approx(reached * exp(-1.0))


@settings(deadline=None)
@given(span_s=st.floats(0.001, 5.0), start_s=st.floats(0.0, 2.0), target=st.floats(-100.0, 100.0))
def test_mean_is_the_integral(span_s: float, start_s: float, target: float) -> None:
    """The mean over a reading is the average of the curve (midpoint rule with 4000 steps)."""
    lag = Lag(start=10.0, attack_s=0.3, decay_s=0.7, now_s=0.0)
    lag.set_target(target, 0.0)
    steps = 4_000
    average = sum(lag.at(start_s + span_s * (k + 0.5) / steps) for k in range(steps)) / steps
    assert lag.mean(start_s, span_s) == pytest.approx(average, abs=1e-4)


@settings(deadline=None)
@given(looks=st.lists(st.floats(0.01, 1.0), max_size=8))
def test_looking_changes_nothing(looks: list[float]) -> None:
    """However often it is re-aimed at the same target, it arrives at the same place."""
    watched, alone = (Lag(start=0.0, attack_s=0.4, decay_s=0.4, now_s=0.0) for _ in range(2))
    watched.set_target(5.0, 0.0)
    alone.set_target(5.0, 0.0)
    now_s = 0.0
    for step_s in looks:
        now_s += step_s
        watched.set_target(5.0, now_s)
    assert watched.at(now_s) == pytest.approx(alone.at(now_s))
