"""Following the level at which something switches, on a switch of the test's own: hysteresis, a preset that moves, ends of the window."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.roles import RangeState
from sequencer.checks.adjusting.following import SwitchFollower


class Switch:
    """Goes on at ``on_dbm`` and off ``hysteresis_db`` below; its own generator."""

    def __init__(self, on_dbm: float, hysteresis_db: float = 3.0) -> None:
        self.on_dbm, self.hysteresis_db = on_dbm, hysteresis_db
        self.level_dbm = on_dbm + 1.0
        self.is_on = True
        self.waited_s = 0.0
        self.levels: list[float] = []

    def set_level_dbm(self, level_dbm: float) -> float:
        """Set the generator, to a tenth of a decibel."""
        self.level_dbm = round(level_dbm, 1)
        self.levels.append(self.level_dbm)
        return self.level_dbm

    def wait_s(self, seconds: float) -> None:
        """Let time pass."""
        self.waited_s += seconds

    def look(self) -> bool:
        """Say whether it is on now."""
        off_dbm = self.on_dbm - self.hysteresis_db
        self.is_on = self.level_dbm > (off_dbm if self.is_on else self.on_dbm)
        return self.is_on


def _follower(switch: Any, bounds_dbm: tuple[float, float] = (-130.0, -20.0)) -> SwitchFollower:
    return SwitchFollower(
        switch, switch.look, start_dbm=switch.level_dbm, bounds_dbm=bounds_dbm, rise_s=0.1, fall_s=0.2
    )


@pytest.mark.parametrize("hysteresis_db", [0.0, 1.5, 6.0])
def test_it_tells_where_it_goes_on_within_half_a_step(hysteresis_db: float) -> None:
    """Whatever the hysteresis, the figure lies within a quarter of a decibel, and the tenth the generator rounds to."""
    switch = Switch(-117.3, hysteresis_db)
    follower = _follower(switch)
    seen = [follower.look() for _ in range(60)]
    assert seen[0].state is RangeState.NO_MEASUREMENT
    assert seen[-1].number == pytest.approx(-117.3, abs=0.36)
    assert switch.waited_s > 0.0


def test_it_follows_a_preset_that_was_moved_far() -> None:
    """Thirty decibels in fewer looks than thirty decibels of fine steps: the steps grow on the way, and are fine again behind it."""
    switch = Switch(-117.0)
    follower = _follower(switch)
    for _ in range(20):
        follower.look()
    switch.on_dbm = -87.0
    seen = [follower.look().number for _ in range(50)]
    assert seen[-1] == pytest.approx(-87.0, abs=0.36)
    steps = [
        abs(after - before) for before, after in zip(switch.levels[-4:], switch.levels[-3:], strict=False)
    ]
    assert steps == pytest.approx([0.5] * 3, abs=0.11)


@pytest.mark.parametrize(
    ("on_dbm", "state"), [(-200.0, RangeState.UNDER_RANGE), (50.0, RangeState.OVER_RANGE)]
)
def test_what_never_switches_in_the_window_is_no_number(on_dbm: float, state: RangeState) -> None:
    """A squelch that stands open is on at the lowest level, one that never opens is off at the highest; no level outside is set."""
    switch = Switch(-100.0)
    follower = _follower(switch, (-130.0, -60.0))
    switch.on_dbm = on_dbm
    reading = [follower.look() for _ in range(80)][-1]
    assert (reading.number, reading.state) == (None, state)
    assert all(-130.0 <= level <= -60.0 for level in switch.levels)
    assert follower.find().state is state


def test_after_a_setting_was_written_nothing_old_is_told() -> None:
    """`find` looks until it has gone on anew."""
    switch = Switch(-117.0)
    follower = _follower(switch)
    assert follower.find().number == pytest.approx(-117.0, abs=0.36)
    switch.on_dbm = -105.0
    assert follower.find().number == pytest.approx(-105.0, abs=0.36)


def test_a_look_without_a_reading_moves_nothing() -> None:
    """The analyser gave no number: the level stays, and there is none to show."""
    switch = Switch(-117.0)
    follower = SwitchFollower(
        switch,  # type: ignore[arg-type]
        lambda: None,
        start_dbm=-116.0,
        bounds_dbm=(-130.0, -20.0),
        rise_s=0.1,
        fall_s=0.1,
    )
    assert follower.look().number is None
    assert switch.levels == []
    assert follower.find().number is None
