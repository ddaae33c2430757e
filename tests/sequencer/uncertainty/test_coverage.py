"""How a coverage factor of dominant parts is found: the same whichever way, in few steps. What it is, stands in the tests of budgets."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from sequencer.uncertainty import coverage
from sequencer.uncertainty.coverage import Part, shape_factor
from sequencer.uncertainty.distributions import Shape


@pytest.mark.parametrize(
    ("function", "second"),
    [("summed_distribution", Shape.RECTANGULAR), ("distribution_function", Shape.TRIANGULAR)],
)
def test_the_root_is_met_in_few_steps(monkeypatch: pytest.MonkeyPatch, function: str, second: Shape) -> None:
    """Each step asks hundreds of sums, of a part that is no rectangle 80,000: an end is held back only where it stays for the second
    time, or three times as many steps are needed.
    """
    calls = 0
    asked = getattr(coverage, function)

    def counted(*arguments: object, **options: object) -> object:
        nonlocal calls
        calls += 1
        return asked(*arguments, **options)

    monkeypatch.setattr(coverage, function, counted)
    parts = (Part(shape=Shape.U_SHAPED, standard=0.61), Part(shape=second, standard=0.4))
    factor = shape_factor(0.9545, parts, math.sqrt(0.61**2 + 0.4**2 + 0.0813**2))
    assert 1.0 < factor < 2.0
    assert 3 <= calls <= 25


@pytest.mark.parametrize("first", [Shape.U_SHAPED, Shape.TRIANGULAR, Shape.TRAPEZOIDAL, Shape.RECTANGULAR])
@pytest.mark.parametrize("rest", [0.0, 0.1])
@pytest.mark.parametrize("probability", [0.5, 0.9545])
def test_a_rectangle_with_another_part_is_what_trials_give(
    first: Shape, rest: float, probability: float
) -> None:
    """Sums of 400 000 draws (JCGM 101:2008, 5.2), whose own scatter of the 95 % point is below 0.2 %."""
    draw = np.random.default_rng(9)
    at, top = draw.random(400_000), 0.4
    standard = math.sqrt(0.5**2 + 0.3**2 + rest**2)
    parts = [Part(shape=first, standard=0.5, top=top), Part(shape=Shape.RECTANGULAR, standard=0.3)]
    sums = parts[0].half_width * _drawn(first, top, at, draw) + 0.3 * math.sqrt(3.0) * draw.uniform(
        -1, 1, at.size
    )
    sums += rest * draw.standard_normal(at.size)
    trials = float(np.quantile(np.abs(sums), probability)) / standard
    assert shape_factor(probability, parts, standard) == pytest.approx(trials, rel=6e-3)
    narrow = [parts[0], Part(shape=Shape.RECTANGULAR, standard=1e-9)]
    alone = shape_factor(probability, narrow, 0.5)
    assert alone == pytest.approx(shape_factor(probability, parts[:1], 0.5), rel=1e-6)


def _drawn(shape: Shape, top: float, at: Any, draw: np.random.Generator) -> Any:
    """Return draws of half-width 1: a U from a phase, a trapezoid as the sum of two rectangles (GUM 4.3.9)."""
    if shape is Shape.U_SHAPED:
        return np.cos(2 * np.pi * at)
    if shape is Shape.RECTANGULAR:
        return 2 * at - 1
    ratio = top if shape is Shape.TRAPEZOIDAL else 0.0
    return (1 + ratio) / 2 * (2 * at - 1) + (1 - ratio) / 2 * draw.uniform(-1, 1, at.size)


@pytest.mark.parametrize("probability", [0.5, 0.95, 0.9545, 0.99])
def test_a_rectangle_alone_covers_as_much_as_it_is_wide(probability: float) -> None:
    """Half-width times probability is its interval (GUM 4.3.7), so that k is the root of 3 times the probability."""
    rectangle = Part(shape=Shape.RECTANGULAR, standard=0.3)
    assert shape_factor(probability, [rectangle], 0.3) == pytest.approx(
        math.sqrt(3.0) * probability, abs=1e-9
    )


@pytest.mark.parametrize("probability", [0.5, 0.9, 0.95, 0.99])
def test_two_rectangles_make_a_trapezoid(probability: float) -> None:
    """EA-4/02 S10.13, from memory: half-width a(1 - sqrt((1 - p)(1 - b^2))) of a trapezoid whose top to base ratio is b."""
    wide, narrow = 1.0, 0.35
    parts = [Part(shape=Shape.RECTANGULAR, standard=one / math.sqrt(3.0)) for one in (wide, narrow)]
    standard = math.hypot(*(part.standard for part in parts))
    base, ratio = wide + narrow, (wide - narrow) / (wide + narrow)
    if probability >= 2.0 * ratio / (1.0 + ratio):
        reach = base * (1.0 - math.sqrt((1.0 - probability) * (1.0 - ratio**2)))
    else:
        reach = probability * base * (1.0 + ratio) / 2.0
    assert shape_factor(probability, parts, standard) == pytest.approx(reach / standard, rel=1e-9)
