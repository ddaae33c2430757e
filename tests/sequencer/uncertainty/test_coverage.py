"""How a coverage factor of dominant parts is found: the same whichever way, in few steps. What it is, stands in the tests of budgets."""

from __future__ import annotations

import math

import pytest

from sequencer.uncertainty import coverage
from sequencer.uncertainty.coverage import Part, shape_factor
from sequencer.uncertainty.distributions import Shape


def test_the_root_is_met_in_few_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each step asks 80,000 sums: an end is held back only where it stays for the second time, or three times as many are needed."""
    calls = 0
    asked = coverage.distribution_function

    def counted(*arguments: object, **options: object) -> object:
        nonlocal calls
        calls += 1
        return asked(*arguments, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(coverage, "distribution_function", counted)
    parts = (
        Part(shape=Shape.U_SHAPED, standard=0.61, top=0.0),
        Part(shape=Shape.RECTANGULAR, standard=0.4, top=0.0),
    )
    factor = shape_factor(0.9545, parts, math.sqrt(0.61**2 + 0.4**2 + 0.0813**2))
    assert 1.0 < factor < 2.0
    assert 3 <= calls <= 25


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
    assert shape_factor(probability, parts, standard) == pytest.approx(reach / standard, rel=2e-4)
