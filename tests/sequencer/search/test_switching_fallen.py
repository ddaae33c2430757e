"""A line or a bar that falls far below what lower levels gave: the signal was away, whatever the level.

Units are drawn here, and not by the search: a bar with hysteresis, jitter and lag that goes dark for single readings.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.search.protocol import Settling, Status, SwitchingCrossing, find_crossing
from sequencer.search.switching import Shown, SwitchingSearch
from sequencer.search.switching_fallen import Fallen
from sequencer.search.switching_grid import BAR

SPACING_DB, WANTED, SEGMENTS, VOLTS = 4.5, 6, 10, 0.25


class DimBar:
    """A bar on a line, V, that stands ``lapses`` of its readings at nought, its segments out, and lights up anew."""

    def __init__(self, on_db: float, apart_db: float, rng: np.random.Generator, lapses: float) -> None:
        self.on_db, self.apart_db, self.rng, self.lapses = on_db, apart_db, rng, lapses
        self.lit, self.came_db, self.away = 0, -140.0, 0

    def measure(self, ask) -> int:
        """Set, wait, look."""
        if self.rng.random() < self.lapses:
            self.lit, self.came_db = 0, -140.0
            self.away += 1
            return 0
        self.came_db = ask.level_db + (self.came_db - ask.level_db) * math.exp(
            -(ask.wait_s + ask.reading_s) / 0.3
        )
        seen_db = self.came_db + 0.3 * float(self.rng.standard_normal())
        while self.lit < SEGMENTS and seen_db > self.on_db + (self.lit + 1 - WANTED) * SPACING_DB:
            self.lit += 1
        while self.lit and seen_db < self.on_db - self.apart_db + (self.lit - WANTED) * SPACING_DB:
            self.lit -= 1
        return self.lit


def searched(kind: str, unit: DimBar) -> SwitchingCrossing:
    """Return what the search makes of a bar."""
    search = SwitchingSearch(
        window_db=(-130.0, -20.0),
        settling=Settling(rise_s=0.3, fall_s=0.3, doubt=0.5),
        manner=BAR,
        segment=WANTED if kind == "pattern" else None,
    )

    def read(ask):
        lit = unit.measure(ask)
        if kind == "pattern":
            return [k < lit for k in range(SEGMENTS)]
        return Shown(VOLTS * (lit - WANTED + 0.4) + 0.004 * float(unit.rng.standard_normal()))

    return find_crossing(search, read)


@pytest.mark.parametrize("kind", ["volts", "pattern"])
def test_a_bar_that_goes_dark_in_a_fifth_of_its_readings_is_named_and_its_levels_hold(kind: str) -> None:
    """A third of them were named while only on and off were told."""
    named, went, held = 0, 0, []
    for k in range(24):
        rng = np.random.default_rng([61, k])
        unit = DimBar(rng.uniform(-90.0, -60.0), rng.uniform(1.0, 2.0), rng, 0.2)
        got = searched(kind, unit)
        went += unit.away > 0
        named += got.status is Status.INTERMITTENT
        for level, truth_db in ((got.rising, unit.on_db), (got.falling, unit.on_db - unit.apart_db)):
            held.append(abs(level.level_db - truth_db) <= level.half_width_db)
    assert went >= 20
    assert named >= went - 4
    assert np.mean(held) >= 0.85  # binomial: of 48 that hold by 95 % fewer than 41 come once in 100


@pytest.mark.parametrize("kind", ["volts", "pattern"])
def test_of_a_sound_bar_nothing_falls_away(kind: str) -> None:
    """Its hysteresis, jitter and lag are no lapses."""
    for k in range(24):
        rng = np.random.default_rng([62, k])
        unit = DimBar(rng.uniform(-90.0, -60.0), rng.uniform(0.5, 4.0), rng, 0.0)
        got = searched(kind, unit)
        assert got.status is Status.FOUND
        assert abs(got.rising.level_db - unit.on_db) < 1.5


def told(*readings: tuple[float, float]) -> list[bool]:
    """Return which of some readings (level, above) fell away."""
    fallen = Fallen()
    return [fallen.take(level_db, above) for level_db, above in readings]


def test_what_is_told_as_on_or_off_alone_never_falls_away() -> None:
    """A person's yes or no."""
    fallen = Fallen()
    assert not any(fallen.take(level_db, None) for level_db in (-80.0, -70.0, -60.0))
    assert fallen.count == 0


def test_a_line_of_two_voltages_never_falls_away_though_it_was_on_at_a_lower_level() -> None:
    """A squelch's hysteresis: still on at -85 dBm, off at -80 when it comes from below."""
    assert told((-70.0, 0.5), (-85.0, 0.5), (-90.0, -0.1), (-80.0, -0.1), (-75.0, -0.1001)) == [False] * 5


def test_nothing_falls_away_before_the_line_was_seen_on() -> None:
    """How far the line spans is not known before."""
    assert told((-90.0, -0.4), (-80.0, -2.0)) == [False, False]


def test_off_far_below_what_a_lower_level_gave_has_fallen_away() -> None:
    """Two volts below the edge, where 10 dB lower it stood 0.4 V below."""
    assert told((-70.0, 0.3), (-90.0, -0.4), (-80.0, -2.0)) == [False, False, True]


@pytest.mark.parametrize(
    ("lower_db", "above", "falls"),
    [
        (1.9, -0.71, False),  # nearer than any hysteresis
        (2.1, -0.71, True),  # of a span of 0.6 half is 0.3: 0.31 lower
        (2.1, -0.69, False),
        (4.9, -0.56, False),  # a quarter is 0.15
        (5.1, -0.56, True),
        (5.1, -0.54, False),
    ],
)
def test_how_far_is_far_depends_on_how_much_lower_the_other_level_was(
    lower_db: float, above: float, falls: bool
) -> None:
    """Half of the span from 2 dB on, a quarter from 5 dB."""
    assert told((-60.0, 0.2), (-80.0 - lower_db, -0.4), (-80.0, above))[-1] is falls


def test_a_line_that_falls_away_in_most_readings_goes_its_own_way() -> None:
    """Not more than half of the readings are called lapses."""
    fallen = told((-70.0, 0.3), (-90.0, -0.4), *[(-80.0, -2.0)] * 6)
    assert fallen[2:4] == [True, False]
    assert sum(fallen) <= len(fallen) / 2


def test_on_and_off_are_told_by_the_sign() -> None:
    """At the edge itself it is off."""
    assert Shown(0.01).on
    assert not Shown(0.0).on
