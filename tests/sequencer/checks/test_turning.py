"""What is worked out of live readings, by arithmetic alone: no bench, no terminal."""

from __future__ import annotations

import pytest

from sequencer.checks.adjusting.turning import Goal, Trend

BAND = Goal(
    preset="power", text="RV4", quantity="power", unit="W", aim="band", low=3.7, high=3.9, quiet=0.002
)
PEAK = Goal(preset="input", text="L3", quantity="SINAD", unit="dB", aim="maximum", quiet=0.2)


def seen(goal: Goal, figures: list[float]) -> Trend:
    """Return what readings five a second say."""
    trend = Trend(goal)
    for number, figure in enumerate(figures):
        trend.add(0.2 * number, figure)
    return trend


def test_nothing_is_known_of_a_figure_that_stands() -> None:
    """Readings that stand still say no way, no speed to speak of, and that they are steady."""
    trend = seen(BAND, [3.0, 3.001, 3.0, 3.001, 3.0])
    assert (trend.way, trend.steady) == ("", True)
    assert trend.rate_per_s == pytest.approx(0.0, abs=0.01)


def test_towards_the_band_is_on_and_away_from_it_is_back() -> None:
    """Rising from below the band is the right way, on beyond it the wrong one; both are told with the speed."""
    rising = [3.0, 3.1, 3.2, 3.3, 3.4]
    assert seen(BAND, rising).way == "on"
    assert seen(BAND, rising).rate_per_s == pytest.approx(0.5)
    assert seen(BAND, [*rising, 3.8, 4.2, 4.6, 5.0]).way == "back"
    assert not seen(BAND, rising).steady


def test_one_odd_reading_turns_nobody_round() -> None:
    """A single reading far off, a contact touched, is no movement and no best: the middle one of three counts."""
    trend = seen(PEAK, [10.0, 10.1, 10.0, 25.0, 10.1, 10.0])
    assert trend.way == ""
    assert trend.best == pytest.approx(10.1, abs=0.1)


def test_past_a_peak_it_says_by_how_much() -> None:
    """Up to 14 dB and back to 12 dB: the best is 14 dB and 2 dB lie behind it; at the best nothing does."""
    up = [10.0, 11.0, 12.0, 13.0, 14.0, 14.0, 14.0]
    assert seen(PEAK, up).past_best == 0.0
    trend = seen(PEAK, [*up, 13.0, 12.0, 12.0, 12.0])
    assert trend.best == 14.0
    assert trend.past_best == pytest.approx(2.0)
    assert trend.way == "back"


def test_a_minimum_is_the_other_way_round() -> None:
    """Of what is brought down the lowest is the best."""
    low = Goal(preset="bias", text="R1", quantity="current", unit="A", aim="minimum", quiet=0.002)
    trend = seen(low, [1.0, 0.8, 0.6, 0.6, 0.6, 0.7, 0.7, 0.7])
    assert trend.best == pytest.approx(0.6)
    assert trend.past_best == pytest.approx(0.1)


def test_a_rest_is_no_movement() -> None:
    """What moved while nobody watched, a stage that cooled, is not taken for a turning."""
    trend = seen(BAND, [3.0, 3.0, 3.0])
    trend.forget()
    trend.add(20.0, 3.3)
    assert trend.way == ""
    assert trend.rate_per_s is None
