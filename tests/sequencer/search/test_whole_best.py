"""The best whole number of a setting, by arithmetic alone: tops and nulls, scatter, and each way of failing by its name."""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Callable

import pytest

from sequencer.search.whole import Outcome
from sequencer.search.whole_best import BestSearch, parabola

QUIET = 0.2


def resonance(number: int, *, top: float, width: float = 0.2, floor_db: float = 15.0) -> float:
    """Return a single resonance in dB, 1/(1 + x²) in power (textbook form, from memory), of which no more than a floor is lost."""
    lost_db = 10.0 * math.log10(1.0 + ((number / 255.0 - top) / width) ** 2)
    return 12.0 - min(lost_db, floor_db)


def searched(
    law: Callable[[int], float], *, start: int = 204, noise: float = 0.0, seed: int = 1, aim: str = "maximum"
) -> BestSearch:
    """Search a law over 0 to 255, three readings a number or six, and return the ended search."""
    lot = random.Random(seed)
    search = BestSearch(
        aim="minimum" if aim == "minimum" else "maximum", lowest=0, highest=255, start=start, quiet=QUIET
    )
    count = 6 if noise > QUIET else 3
    while search.ask is not None:
        read = [law(search.ask) + lot.gauss(0.0, noise) for _ in range(count)]
        search.tell(statistics.fmean(read), scatter=statistics.stdev(read) / count**0.5)
    return search


@pytest.mark.parametrize(("noise", "allowed_db"), [(0.02, 0.3), (0.5, 1.5)])
def test_a_top_is_found_wherever_it_lies_and_whatever_scatters(noise: float, allowed_db: float) -> None:
    """Of 300 resonances drawn by lot nearly all are found, in 8 readings in the median, and what is given away stays small."""
    lot = random.Random(7)
    counts, lost = [], []
    for seed in range(300):
        top, width, start = lot.uniform(0.15, 0.85), lot.uniform(0.1, 0.3), lot.randrange(256)
        search = searched(
            lambda n, t=top, w=width: resonance(n, top=t, width=w), start=start, noise=noise, seed=seed
        )
        if search.outcome is Outcome.FOUND:
            assert search.best is not None
            counts.append(search.readings)
            lost.append(12.0 - resonance(search.best.number, top=top, width=width))
    assert len(counts) >= 285
    assert statistics.median(counts) <= 8
    assert max(lost) <= allowed_db
    assert statistics.median(lost) <= 0.05


def test_a_null_is_found_as_a_top_is() -> None:
    """What is brought to a minimum ends at the bottom of the same law turned over."""
    search = searched(lambda n: -resonance(n, top=0.4), aim="minimum")
    assert search.outcome is Outcome.FOUND
    assert search.best is not None
    assert search.best.number == pytest.approx(0.4 * 255, abs=5)


def test_a_number_that_stands_at_the_best_is_left() -> None:
    """Nothing is moved for less than the scatter: a memory of few write cycles keeps its number."""
    search = searched(lambda n: resonance(n, top=0.5), start=129)
    assert (search.outcome, search.best and search.best.number) == (Outcome.FOUND, 129)


@pytest.mark.parametrize(
    ("law", "outcome"),
    [
        (lambda n: 5.0, Outcome.DEAD),
        (lambda n: n / 20.0, Outcome.AT_END),
        (lambda n: -n / 20.0, Outcome.AT_END),
        (lambda n: min(n, 128) / 10.0, Outcome.LEVEL),
        (lambda n: 6.0 * math.cos(math.pi * (n - 162) / 32.0), Outcome.TWO_TOPS),
    ],
)
def test_what_has_no_top_is_named(law: Callable[[int], float], outcome: Outcome) -> None:
    """Dead, best at either end, flat to an end, and tops that are equal: each by its own name."""
    assert searched(law, start=130).outcome is outcome


def test_scatter_that_hides_the_top_is_named() -> None:
    """Where the readings scatter by more than the setting moves them nothing is chosen among them."""
    outcomes = {
        searched(lambda n: resonance(n, top=0.5, width=0.6), noise=6.0, seed=seed).outcome
        for seed in range(20)
    }
    assert Outcome.BURIED in outcomes
    noisy = BestSearch(aim="maximum", lowest=0, highest=255, start=9, quiet=QUIET, tolerance=1.0)
    noisy.tell(5.0, scatter=2.5)
    assert noisy.outcome is Outcome.NOISY


def test_no_reading_ends_it_and_nothing_is_told_afterwards() -> None:
    """What cannot be read is told; an ended search takes nothing more, and one over nothing is refused."""
    search = BestSearch(aim="maximum", lowest=0, highest=255, start=9)
    search.tell(None)
    assert (search.outcome, search.best, search.ask) == (Outcome.NO_READING, None, None)
    with pytest.raises(ValueError, match="ended"):
        search.tell(1.0)
    with pytest.raises(ValueError, match="nothing to search"):
        BestSearch(aim="maximum", lowest=9, highest=9, start=9)


def test_few_numbers_are_all_there_are() -> None:
    """A setting of four steps has its best among four readings."""
    search = BestSearch(aim="maximum", lowest=0, highest=3, start=0, quiet=0.01)
    while search.ask is not None:
        search.tell([1.0, 2.0, 4.0, 3.0][search.ask])
    assert (search.outcome, search.best and search.best.number) == (Outcome.FOUND, 2)
    assert search.readings <= 4


def test_a_parabola_through_three_points_has_its_top_where_algebra_puts_it() -> None:
    """y = 5 - 2(x - 3)²: top at 3, bend -2 (worked by hand); a straight line has no bend."""
    top, bend = parabola([(x, 5.0 - 2.0 * (x - 3.0) ** 2) for x in (0.0, 2.0, 7.0)])
    assert (top, bend) == pytest.approx((3.0, -2.0))
    assert parabola([(0.0, 0.0), (1.0, 0.0), (2.0, 0.0)]) == (1.0, 0.0)
