"""The look below the crossing of an FM receiver: when it is taken, and what it tells."""

from __future__ import annotations

import pytest

from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected
from sequencer.search.curve_below import BELOW_DB, COUNTS_DB, LOOK_S
from sequencer.search.curve_family import Family, fm_family, ratio_family
from sequencer.search.protocol import Ask

SLOPE = 0.93
"""SINAD over level of a receiver that does not click, dB per dB: above the threshold the noise falls by a dB for each [from memory]."""


def fm(deviation_hz: float = 1300.0) -> Family:
    """Return the family of a receiver that is told to have no de-emphasis."""
    return fm_family(
        deviation_hz=deviation_hz, deemphasis=False, bandwidth_hz=None, tone_hz=1000.0, target_db=12.0
    )


def searching(family: Family, *, accuracy_db: float = 0.5, by_hand: bool = False) -> CurveSearch:
    """Return a search that expects the crossing at -118 dBm."""
    return CurveSearch(
        target=12.0,
        window_db=(-137.0, -20.0),
        accuracy_db=accuracy_db,
        prior=family,
        expected=Expected(level_db=-118.0, sd_db=5.0),
        by_hand=by_hand,
    )


def line(ask: Ask) -> float:
    """Return what a receiver reads that does not click, its crossing at -118 dBm."""
    return 12.0 + SLOPE * (ask.level_db + 118.0)


def until_near(search: CurveSearch) -> Ask:
    """Tell readings on the line until one is asked for near the crossing; return that ask."""
    while (ask := search.ask) is not None and ask.purpose != "near":
        search.tell(line(ask))
    assert ask is not None
    return ask


def test_readings_on_a_line_without_clicks_are_followed_by_a_look_below() -> None:
    """A receiver that clicks now and then gives them too, and at the crossing it would go on doing so for tenths of a second."""
    ask = until_near(searching(fm()))
    assert ask.level_db == pytest.approx(-118.0 - BELOW_DB, abs=0.7)
    assert ask.reading_s <= LOOK_S


def test_a_look_that_clicks_moves_the_crossing_up_and_one_that_does_not_leaves_it() -> None:
    """A click holds most of a short reading's noise: some 3 dB less, read 2 dB below, and 12 dB lie higher than the line has them."""
    levels_db = []
    for clicks_db in (0.0, 3.0):
        search = searching(fm())
        ask = until_near(search)
        search.tell(line(ask) - clicks_db)
        level_db = search.result.level_db
        assert level_db is not None
        levels_db.append(level_db)
    assert levels_db[0] == pytest.approx(-118.0, abs=0.25)
    assert levels_db[1] > levels_db[0] + 0.4


def test_a_look_without_clicks_leaves_less_to_read_at_the_crossing() -> None:
    """One look settles it; the rest is read at the crossing, and all of it takes 0.4 s at the most."""
    search = searching(fm())
    while (ask := search.ask) is not None:
        search.tell(line(ask))
    near = [one.ask for one in search.result.history if one.ask.purpose == "near"]
    assert search.result.found
    assert [ask.level_db < -119.0 for ask in near] == [True, *[False] * (len(near) - 1)]
    assert sum(ask.reading_s for ask in near) <= 0.4
    low_db, high_db = search.result.interval_db
    assert low_db < -118.0 < high_db


@pytest.mark.parametrize(
    ("family", "by_hand"),
    [
        pytest.param(
            ratio_family(target_db=12.0, slope=1.0, slope_sd=0.25, relative=0.07), False, id="does not click"
        ),
        pytest.param(fm(), True, id="a person sets the levels"),
    ],
)
def test_no_look_is_taken_where_it_would_tell_nothing_or_cost_a_persons_time(
    family: Family, *, by_hand: bool
) -> None:
    """Every reading near the crossing is taken within 1 dB of where it turns out to lie."""
    search = searching(family, by_hand=by_hand)
    while (ask := search.ask) is not None:
        search.tell(line(ask))
    near = [one.ask.level_db for one in search.result.history if one.ask.purpose == "near"]
    assert near
    assert min(near) > -118.0 - COUNTS_DB / 2
