"""Whole numbers that meet a target, by arithmetic alone: bends, directions and steps of every kind, and each way of failing by its name."""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.search.whole import Outcome, WholeSearch


def searched(
    law: Callable[[int], float],
    target: float,
    tolerance: float,
    *,
    start: int = 204,
    quiet: float = 0.0,
    **other: float,
) -> WholeSearch:
    """Search a law over 0 to 255 and return the ended search."""
    search = WholeSearch(target=target, tolerance=tolerance, lowest=0, highest=255, start=start, quiet=quiet)
    while search.ask is not None:
        search.tell(law(search.ask), **other)
    return search


@given(st.floats(0.2, 3.0), st.booleans(), st.floats(0.05, 0.95), st.integers(0, 255))
def test_a_law_that_rises_or_falls_is_found_wherever_it_begins(
    power: float, falling: bool, share: float, start: int
) -> None:
    """Of a law x to the power p, either way round, the number found is one whose true figure lies in the band, where there is one."""

    def law(number: int) -> float:
        figure = (number / 255.0) ** power
        return 1.0 - figure if falling else figure

    search = searched(law, share, 0.02, start=start)
    there = [number for number in range(256) if abs(law(number) - share) <= 0.02]
    best = search.best
    assert best is not None
    if there:
        assert search.outcome is Outcome.FOUND
        assert best.number in there
    else:
        assert search.outcome is Outcome.NEAREST
        assert best.number == min(range(256), key=lambda number: abs(law(number) - share))


def test_eight_readings_suffice_in_the_median() -> None:
    """Over bent laws, targets and starts drawn by lot, half of the searches take 8 readings or fewer to 2 % of the range."""
    lot = random.Random(1)
    counts = []
    for _ in range(300):
        power, share, start = lot.uniform(0.3, 3.0), lot.uniform(0.1, 0.9), lot.randrange(256)
        counts.append(searched(lambda n, p=power: (n / 255.0) ** p, share, 0.02, start=start).readings)
    assert statistics.median(counts) <= 8


@pytest.mark.parametrize(
    ("law", "outcome"),
    [
        (lambda number: 1.0, Outcome.DEAD),
        (lambda number: min(number, 100) / 255.0, Outcome.SATURATED),
        (lambda number: 0.2 * number / 255.0, Outcome.OUT_OF_REACH),
        (lambda number: 0.6 - abs(number - 150) / 255.0, Outcome.NOT_MONOTONIC),
    ],
)
def test_what_cannot_be_found_is_named(law: Callable[[int], float], outcome: Outcome) -> None:
    """A dead setting, one that saturates, one that ends short, and one that turns round are each called by their name."""
    assert searched(law, 0.7, 0.02, start=60, quiet=0.001).outcome is outcome


@pytest.mark.parametrize(
    "law",
    [
        lambda number: max(0, number - 200) / 55.0,  # stands still where it begins, and moves near an end
        lambda number: 0.5 + 0.004 * max(0, 100 - number) - 0.004 * max(0, number - 200),
    ],
)
def test_what_stands_still_in_the_middle_is_looked_for_at_the_ends(law: Callable[[int], float]) -> None:
    """A setting is not dead because it does nothing between two numbers; one that moves away at one end is followed to the other."""
    search = searched(law, 0.7, 0.02, start=100, quiet=0.001)
    assert search.outcome is Outcome.FOUND
    assert search.best is not None
    assert search.best.figure == law(search.best.number) == pytest.approx(0.7, abs=0.02)


def test_scatter_beyond_the_band_is_named() -> None:
    """Readings at one number that lie further apart than the band is wide decide nothing."""
    assert searched(lambda number: number / 255.0, 0.5, 0.01, scatter=0.05).outcome is Outcome.NOISY


def test_no_reading_ends_it() -> None:
    """Where nothing can be read nothing is guessed."""
    search = WholeSearch(target=1.0, tolerance=0.1, lowest=0, highest=255, start=10)
    search.tell(None)
    assert (search.outcome, search.best, search.ask) == (Outcome.NO_READING, None, None)


def test_a_coarse_setting_gives_its_nearest_number() -> None:
    """Where neighbours jump over the band the nearer one is taken, and said to be no more than that."""
    search = searched(float, 100.4, 0.1)
    assert search.outcome is Outcome.NEAREST
    assert search.best is not None
    assert search.best.number == 100


def test_the_first_step_is_a_quarter_of_the_range_wherever_the_range_lies() -> None:
    """Upwards where there is room, else downwards, and never beyond an end."""
    for start, then in ((100, 125), (175, 200), (176, 151), (200, 175)):
        search = WholeSearch(target=1.0, tolerance=0.1, lowest=100, highest=200, start=start)
        search.tell(0.0)
        assert search.ask == then
    for start, then in ((5, 6), (6, 5)):
        narrow = WholeSearch(target=1.0, tolerance=0.1, lowest=5, highest=6, start=start)
        narrow.tell(0.0)
        assert narrow.ask == then


def test_a_search_has_an_end() -> None:
    """Of a jump somewhere in a milliard of numbers, which each look can only halve, sixteen are read and the nearest is said to be that."""
    search = WholeSearch(target=0.0, tolerance=0.1, lowest=0, highest=10**9, start=0)
    while search.ask is not None:
        search.tell((1.0 if search.ask > 123_456_789 else -1.0) + 1e-12 * search.ask)
    assert (search.readings, search.outcome) == (16, Outcome.NEAREST)
    with pytest.raises(ValueError, match="has ended"):
        search.tell(0.0)


@pytest.mark.parametrize(
    ("figure", "scatter", "outcome"),
    [
        (1.06, 0.0, Outcome.FOUND),
        (0.94, 0.2, Outcome.FOUND),
        (1.07, 0.0, None),
        (1.0, 0.21, Outcome.NOISY),
    ],
)
def test_well_inside_the_band_is_found_at_once(
    figure: float, scatter: float, outcome: Outcome | None
) -> None:
    """Within 0.6 of the half-width it ends; further out it goes on; readings further apart than the band is wide decide nothing."""
    search = WholeSearch(target=1.0, tolerance=0.1 + 1e-9, lowest=0, highest=255, start=100)
    search.tell(figure, scatter=scatter)
    assert search.outcome is outcome


def test_nonsense_is_refused() -> None:
    """An empty range, a start outside it and a band without width raise."""
    for wrong in ({"highest": 0}, {"start": 300}, {"tolerance": 0.0}, {"tolerance": math.nan}):
        with pytest.raises(ValueError, match="nothing to search"):
            WholeSearch(
                **{"target": 1.0, "tolerance": 0.1, "lowest": 0, "highest": 255, "start": 10, **wrong}
            )


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize(
    ("law", "outcome"),
    [
        (lambda number: 13.0 * (1.0 - math.exp(-number / 60.0)), Outcome.SATURATED),
        (lambda number: 20.0 * number / 255.0, Outcome.OUT_OF_REACH),
    ],
)
def test_saturated_is_told_from_out_of_reach_in_spite_of_scatter(
    law: Callable[[int], float], outcome: Outcome, seed: int
) -> None:
    """The last two numbers may lie close together, and their readings scatter: what lies an eighth of the range back decides."""
    lot = random.Random(seed)
    search = WholeSearch(target=24.0, tolerance=1.0, lowest=0, highest=255, start=26, quiet=0.1)
    while (number := search.ask) is not None:
        both = [law(number) + lot.uniform(-0.15, 0.15) for _ in range(2)]
        search.tell(statistics.fmean(both), scatter=max(both) - min(both))
    assert search.outcome is outcome
