"""Two samples beside each other, against scipy.stats (Welch's interval, Fisher's exact test)."""

from __future__ import annotations

import random

import pytest
import scipy.stats

from sequencer.statistics.two_samples import find_mean_difference, shares_alike


@pytest.mark.parametrize(("n", "m", "scale"), [(5, 40, 3.0), (2, 2, 1.0), (300, 280, 0.1)])
def test_the_interval_of_a_difference_is_welchs(n: int, m: int, scale: float) -> None:
    """Difference and both ends of its 95 % interval, for scatters that are not alike."""
    chance = random.Random(n)
    one = [chance.gauss(10.0, 1.0) for _ in range(n)]
    other = [chance.gauss(10.5, scale) for _ in range(m)]
    found = find_mean_difference(one, other)
    assert found is not None
    reference = scipy.stats.ttest_ind(other, one, equal_var=False).confidence_interval(0.95)
    assert found.difference - found.expanded == pytest.approx(reference.low, rel=1e-9)
    assert found.difference + found.expanded == pytest.approx(reference.high, rel=1e-9)


def test_too_little_gives_no_difference() -> None:
    """One value has no scatter, nor have values that are all the same."""
    assert find_mean_difference([1.0], [1.0, 2.0]) is None
    assert find_mean_difference([1.0, 1.0], [2.0, 2.0]) is None


@pytest.mark.parametrize(
    "table", [(8, 10, 1, 10), (1960, 2000, 1948, 2000), (0, 5, 5, 5), (20, 20, 20, 20), (3, 7, 4, 9)]
)
def test_the_probability_of_two_shares_is_fishers(table: tuple[int, int, int, int]) -> None:
    """Both sides, also where one share is none or all."""
    count, of, other, other_of = table
    reference = scipy.stats.fisher_exact([[count, of - count], [other, other_of - other]]).pvalue
    assert shares_alike(*table) == pytest.approx(reference, rel=1e-6)


def test_what_is_no_share_is_refused() -> None:
    """More than all, or none tested."""
    with pytest.raises(ValueError, match="no two shares"):
        shares_alike(6, 5, 1, 5)
