"""When runs begin: the grid of starts holds whatever runs take, and no start lies in the past."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from sequencer.run.series.timetable import LATE_S, Start, Timetable

EVERY = Timetable(every_s=1800.0)


def test_without_an_interval_the_next_begins_at_once() -> None:
    """`--repeat 3` alone: three runs, one after another."""
    table = Timetable(repeat=3)
    assert table.next_start(run=3, last=1, passed_s=99.0) == Start(number=2, wait_s=0.0, left_out=0)
    assert table.next_start(run=4, last=2, passed_s=99.0) is None


def test_a_start_that_falls_into_a_run_is_left_out() -> None:
    """A run of 65 minutes every 30: the starts at 30 and 60 are left out, the next is at 90, not at once."""
    assert EVERY.next_start(run=2, last=0, passed_s=3900.0) == Start(number=3, wait_s=1500.0, left_out=2)
    assert EVERY.next_start(run=3, last=3, passed_s=5500.0) == Start(number=4, wait_s=1700.0, left_out=0)


def test_a_run_that_takes_just_the_interval_leaves_nothing_out() -> None:
    """What its closing takes beyond does not cost the next half hour."""
    start = EVERY.next_start(run=2, last=0, passed_s=1800.0 + LATE_S / 2)
    assert start == Start(number=1, wait_s=0.0, left_out=0)


@given(
    every_s=st.floats(1.0, 604_800.0),
    last=st.integers(0, 1000),
    took=st.floats(0.0, 5.0),
)
def test_starts_stay_on_their_grid(every_s: float, last: int, took: float) -> None:
    """Whatever a run takes, the next begins a whole number of intervals after the first, the soonest that is not past."""
    passed_s = (last + took) * every_s
    start = Timetable(every_s=every_s).next_start(run=2, last=last, passed_s=passed_s)
    assert start is not None
    assert start.number > last
    assert start.left_out == start.number - last - 1
    begins_s = passed_s + start.wait_s
    on_grid_s = start.number * every_s
    assert on_grid_s - 1e-6 <= begins_s <= on_grid_s + LATE_S + 1e-6
    assert start.wait_s < every_s or start.left_out == 0


def test_the_end_is_held_against_the_forecast() -> None:
    """A run has room if it ends by then, to the second."""
    until = datetime(2026, 11, 28, 6, 0, tzinfo=UTC)
    table = Timetable(until=until)
    assert table.has_room(until - timedelta(seconds=64), 64.0)
    assert not table.has_room(until - timedelta(seconds=63), 64.0)
    assert Timetable().has_room(until, 1e6)
