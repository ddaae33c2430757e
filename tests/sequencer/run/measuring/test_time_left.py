"""The time left of a run: counts down inside a check, and learns the bench's pace."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.run.measuring.time_left import TimeLeft

STEPS = {0: 0.0, 1: 10.0, 2: 20.0, 4: 30.0}


def test_it_counts_down_inside_a_check() -> None:
    """Second by second while a step goes on, not only where one ends."""
    left = TimeLeft(STEPS)
    assert left.left_s(0.0) == 60.0
    left.begin(1, 100.0)
    assert [left.left_s(100.0 + passed_s) for passed_s in (0.0, 1.0, 4.0)] == [60.0, 59.0, 56.0]


def test_what_is_overdue_is_not_said_to_be_done() -> None:
    """A step that takes longer than forecast is given a tenth more of what it took, and those that follow stay."""
    left = TimeLeft(STEPS)
    left.begin(1, 0.0)
    assert left.left_s(30.0) == pytest.approx(3.0 + 50.0)


def test_a_slow_bench_is_learnt() -> None:
    """Where steps take twice their forecasts, what follows is told accordingly; a wild one is not believed beyond bounds."""
    left = TimeLeft(STEPS)
    left.begin(1, 0.0)
    left.end(20.0)
    assert left.left_s(20.0) == pytest.approx(50.0 * 25.0 / 15.0)
    left.begin(2, 20.0)
    left.end(10_000.0)
    assert left.left_s(10_000.0) == 4.0 * 30.0


def test_a_confirmation_says_nothing_about_the_pace() -> None:
    """A person who takes a quarter of an hour to set knobs does not make the forecasts longer."""
    left = TimeLeft(STEPS)
    left.begin(0, 0.0)
    left.end(900.0)
    assert left.left_s(900.0) == 60.0


def test_steps_that_were_left_out_are_not_counted() -> None:
    """Those before the step that begins are over, whether they ended or not."""
    left = TimeLeft(STEPS)
    left.begin(4, 0.0)
    assert left.left_s(0.0) == 30.0
    left.end(30.0)
    assert left.left_s(30.0) == 0.0


@given(
    forecasts=st.lists(st.floats(0.0, 600.0), min_size=1, max_size=8),
    taken=st.lists(st.floats(0.0, 5000.0), min_size=8, max_size=8),
)
def test_it_is_never_negative_and_ends_at_nothing(forecasts: list[float], taken: list[float]) -> None:
    """Whatever the steps take, no time is told below 0, and none is left after the last."""
    left, now_s = TimeLeft(dict(enumerate(forecasts))), 0.0
    for index in range(len(forecasts)):
        left.begin(index, now_s)
        assert left.left_s(now_s) >= 0.0
        now_s += taken[index]
        assert left.left_s(now_s) >= 0.0
        left.end(now_s)
    assert left.left_s(now_s) == 0.0


def test_steps_in_another_order_than_their_numbers_are_counted_as_they_are_made() -> None:
    """A step with a higher number that is made before others does not take theirs away."""
    left = TimeLeft({0: 10.0, 3: 20.0, 1: 30.0})
    left.begin(0, 0.0)
    left.end(10.0)
    left.begin(3, 10.0)
    assert left.left_s(10.0) == 50.0
    left.end(30.0)
    left.begin(1, 30.0)
    assert left.left_s(30.0) == 30.0
