"""The values every search shares, and the loop between a search and a meter."""

import math

import pytest

from sequencer.search.curve import CurveSearch
from sequencer.search.protocol import (
    Ask,
    Crossing,
    SearchInputError,
    Settling,
    Status,
    find_crossing,
    require_finite,
    require_window,
)


def test_find_crossing_asks_until_the_search_ends():
    """The loop hands every ask to the meter and returns the search's result."""
    asked: list[Ask] = []

    def measure(ask: Ask) -> float:
        asked.append(ask)
        return 12.0 + 1.5 * (ask.level_db + 117.0)

    found = find_crossing(CurveSearch(target=12.0, window_db=(-130.0, -90.0)), measure)
    assert found.status is Status.FOUND
    assert [taken.ask for taken in found.history] == asked
    assert found.readings == len(asked)


def test_what_the_meter_raises_passes_through():
    """A fault of an instrument is not swallowed by the loop."""

    def measure(_ask: Ask) -> float:
        raise TimeoutError("no answer")

    with pytest.raises(TimeoutError, match="no answer"):
        find_crossing(CurveSearch(target=12.0, window_db=(-130.0, -90.0)), measure)


def test_interval_is_unbounded_when_nothing_is_known():
    """Without a level the interval is the whole axis and the level may not be used."""
    crossing = Crossing(status=Status.NEVER_REACHED, level_db=None, half_width_db=math.inf)
    assert crossing.interval_db == (-math.inf, math.inf)
    assert not crossing.found


def test_interval_is_level_plus_and_minus_half_width():
    """The interval is symmetric about the level."""
    assert Crossing(status=Status.FOUND, level_db=-117.0, half_width_db=0.5).interval_db == (-117.5, -116.5)


def test_statuses_are_the_words_of_the_trade():
    """A status prints as the words in the design, not as a Python name."""
    assert str(Status.NEVER_REACHED) == "never reached"
    assert {s.value for s in Status} >= {"found", "already past", "not monotonic", "drifting", "budget spent"}


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf, "12", None, True])
def test_what_is_no_finite_number_is_refused_by_name(number: object):
    """NaN, infinity, text, nothing and a bool are named in the complaint."""
    with pytest.raises(SearchInputError, match=r"target is .* must be a finite number"):
        require_finite("target", number)  # type: ignore[arg-type]


@pytest.mark.parametrize("window_db", [(-90.0, -90.0), (-90.0, -130.0), (math.nan, 0.0), (1.0, 2.0, 3.0)])
def test_a_window_without_width_is_refused(window_db: tuple[float, ...]):
    """Zero width, turned round, NaN and a third number are refused."""
    with pytest.raises(SearchInputError, match="window_db"):
        require_window(window_db)  # type: ignore[arg-type]


def test_a_negative_time_constant_is_refused():
    """Settling times are 0 or more."""
    with pytest.raises(SearchInputError, match="rise_s is -1; it must be 0 or more"):
        Settling(rise_s=-1.0)
