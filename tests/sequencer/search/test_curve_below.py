"""The look below the crossing of an FM receiver: when it is taken, and what it tells."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected
from sequencer.search.curve_below import BELOW_DB, COUNTS_DB, LOOK_S, look_below, looked_below
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


def state_of(**changed: Any) -> Any:
    """Return as much of a search's state as a look below needs."""
    state = SimpleNamespace(
        is_unhurried=False, accuracy_db=0.5, looks_below=0, reading_s=(0.1, 0.2, 0.5), family=fm()
    )
    state.ask_far = lambda level_db, purpose, reading_s: (level_db, purpose, reading_s)
    return SimpleNamespace(**{**vars(state), **changed})


def belief_of(apart_db: float) -> Any:
    """Return a crossing at -118 dBm that the curves put so far apart."""
    return SimpleNamespace(level_db=-118.0, apart_db=apart_db)


@pytest.mark.parametrize(
    ("changed", "apart_db", "wanted_s", "is_taken"),
    [
        ({}, 0.26, 0.1, True),
        ({}, 0.25, 0.1, False),  # no more than half of the accuracy
        ({"accuracy_db": 0.25}, 0.13, 0.1, True),
        ({"is_unhurried": True}, 2.0, 0.1, False),
        ({"looks_below": 1}, 2.0, 0.5, False),  # one is enough where no more is wanted at the crossing
        ({"looks_below": 1}, 2.0, 0.51, True),
        ({"looks_below": 2}, 2.0, 9.0, False),
    ],
)
def test_a_look_is_taken_where_the_curves_lie_apart_and_twice_at_the_most(
    changed: dict[str, Any], apart_db: float, wanted_s: float, *, is_taken: bool
) -> None:
    """It is 2 dB lower, 0.2 s long, and counted."""
    state = state_of(**changed)
    before = state.looks_below
    ask = look_below(state, belief_of(apart_db), wanted_s, 2.0)
    assert ask == ((-120.0, "near", 0.2) if is_taken else None)
    assert state.looks_below == before + is_taken


@pytest.mark.parametrize(
    ("offered_s", "longest_s", "read_s"),
    [((0.1, 0.2, 0.5), 0.1, 0.1), ((0.1, 0.3, 0.5), 1.0, 0.3), ((0.05, 0.1), 1.0, 0.1)],
    ids=["no longer than at the crossing", "the next longer offered", "the longest offered"],
)
def test_how_long_a_look_is(offered_s: tuple[float, ...], longest_s: float, read_s: float) -> None:
    """0.2 s, as the instrument offers it, and no longer than what would be read at the crossing."""
    assert look_below(state_of(reading_s=offered_s), belief_of(1.0), 0.1, longest_s) == (
        -120.0,
        "near",
        read_s,
    )


@pytest.mark.parametrize(
    ("level_db", "purpose", "family", "counts"),
    [
        (-120.2, "near", fm(), True),
        (-120.4, "near", fm(), False),
        (-115.8, "near", fm(), True),
        (-120.0, "coarse", fm(), False),
        (-120.0, "near", ratio_family(target_db=12.0, slope=1.0, slope_sd=0.25, relative=0.07), False),
    ],
)
def test_which_readings_are_looks(level_db: float, purpose: str, family: Family, *, counts: bool) -> None:
    """Within 2.3 dB of the crossing, asked for near it, of a receiver that clicks."""
    note = SimpleNamespace(level_db=level_db, ask=SimpleNamespace(purpose=purpose))
    assert looked_below(state_of(family=family), belief_of(1.0), cast("Any", note)) is counts
