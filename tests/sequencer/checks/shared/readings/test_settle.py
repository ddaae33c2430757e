"""Odd readings among those that are averaged."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np
import pytest

from drivers.faults import NotSettled
from drivers.roles import RangeState, Reading
from sequencer.checks.shared.readings.settle import OUT, SUSPECT, agreeing, odd_one, read_pair
from sequencer.uncertainty.decision import Limits


def _taken(numbers: Sequence[float]) -> list[Reading]:
    return [Reading(number=one, raw=f"{one:+.8E}") for one in numbers]


def _reader(*numbers: float) -> tuple[Callable[[], Reading], list[float]]:
    """Return what gives these numbers one after the other, and what is left of them."""
    left = list(numbers)
    return (lambda: _taken([left.pop(0)])[0]), left


@pytest.mark.parametrize(("shares", "quantile"), [(SUSPECT, 0.80), (OUT, 0.95)])
def test_the_shares_are_those_of_normal_readings(shares: Mapping[int, float], quantile: float) -> None:
    """What is said to hold of 80 and 95 of 100 normal series, does, of 100 000 drawn by lot."""
    lot = np.random.default_rng(20261127)
    for count, share in shares.items():
        drawn = np.sort(lot.normal(size=(100_000, count)), axis=1)
        gaps = np.maximum(drawn[:, 1] - drawn[:, 0], drawn[:, -1] - drawn[:, -2])
        found = float(np.quantile(gaps / (drawn[:, -1] - drawn[:, 0]), quantile))
        assert share == pytest.approx(found, abs=0.005)


@pytest.mark.parametrize("at", range(4))
def test_one_odd_reading_is_left_out_for_one_more(at: int) -> None:
    """Four readings of which one stands out, less than by far: one more is taken, and the odd one is gone."""
    numbers = [35.70, 35.701, 35.70, 35.702]
    numbers[at] += 0.09
    read, left = _reader(35.701, 99.0)
    found = [one.number for one in agreeing(_taken(numbers), read, within=0.02)]
    assert numbers[at] not in found
    assert len(found) == 4
    assert left == [99.0]


def test_readings_that_scatter_cost_nothing() -> None:
    """Where none stands out, nothing more is read."""
    numbers = [35.70, 35.71, 35.69, 35.72]
    assert [one.number for one in agreeing(_taken(numbers), _reader()[0], within=0.02)] == numbers


def test_two_values_in_turn_both_stand() -> None:
    """One more that is as odd as the first: there are two truths, and their scatter shows it."""
    read, _ = _reader(35.79)
    found = agreeing(_taken([35.70, 35.70, 35.70, 35.79]), read, within=0.02)
    assert sorted(one.number or 0.0 for one in found) == [35.70, 35.70, 35.70, 35.79, 35.79]


def test_the_last_digit_of_a_coarse_display_is_not_odd() -> None:
    """A counter or a person between two digits takes one or the other: no reading more."""
    typed = [Reading(number=number, raw=f"{number:g} W") for number in (3.6, 3.6, 3.6, 3.7)]
    assert odd_one(typed, SUSPECT, least=0.001) is None


def _pairs() -> Iterator[tuple[str, list[float], Limits, list[float], int]]:
    yield "far from a limit", [3.0, 3.09], Limits(upper=4.0), [3.0, 3.09], 0
    yield "no limit", [3.0, 3.09], Limits(), [3.0, 3.09], 0
    yield "the second is odd", [3.0, 3.09, 3.001], Limits(upper=3.02), [3.0, 3.001], 0
    yield "the first is odd", [3.09, 3.0, 3.001], Limits(upper=3.02), [3.0, 3.001], 0
    yield "none is odd", [3.0, 3.01, 3.005], Limits(lower=3.0), [3.0, 3.01, 3.005], 0


@pytest.mark.parametrize(
    ("numbers", "limits", "kept", "left"), [one[1:] for one in _pairs()], ids=[one[0] for one in _pairs()]
)
def test_a_pair_beside_a_limit_has_a_third(
    numbers: list[float], limits: Limits, kept: list[float], left: int
) -> None:
    """Two readings decide alone only where a limit is farther than they are apart."""
    read, unread = _reader(*numbers)
    assert [one.number for one in read_pair(read, within=0.02, limits=limits)] == kept
    assert len(unread) == left


def test_a_third_that_agrees_with_neither_is_told() -> None:
    """Three readings of three things are none."""
    read, _ = _reader(3.0, 3.09, 5.0)
    with pytest.raises(NotSettled, match="disagree"):
        read_pair(read, within=0.02, limits=Limits(upper=3.02))


def test_a_third_that_is_none_comes_alone() -> None:
    """No number is its own answer."""
    given = [*_taken([3.0, 3.09]), Reading(number=None, state=RangeState.OVER_RANGE)]
    (found,) = read_pair(lambda: given.pop(0), within=0.02, limits=Limits(upper=3.02))
    assert found.state is RangeState.OVER_RANGE
