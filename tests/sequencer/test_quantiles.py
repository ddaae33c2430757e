"""Quantiles against a library of special functions and a printed table."""

from __future__ import annotations

import math

import pytest
from scipy.special import ndtri, stdtrit

from sequencer.quantiles import normal_quantile, student_quantile

PROBABILITIES = (1e-6, 1e-4, 0.003, 0.05, 0.3, 0.49, 0.6, 0.9, 0.975, 0.9995, 1 - 1e-5, 1 - 5e-6)
TABLE_G2 = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 8: 2.31, 10: 2.23, 20: 2.09, 50: 2.01, 100: 1.984}
"""t for 95 %, from JCGM 100:2008 (GUM), table G.2."""


@pytest.mark.parametrize(
    "dof", [0.3, 0.5, 1, 1.7, 2, 3, 4.5, 7, 10, 30, 49, 100, 345.6, 999, 1001, 1e4, 1e6, 1e9]
)
def test_student_agrees_with_a_library(dof: float) -> None:
    """To eleven digits, for every tail and any degrees of freedom (scipy.special.stdtrit)."""
    found = [student_quantile(dof, probability) for probability in PROBABILITIES]
    assert found == pytest.approx([float(stdtrit(dof, one)) for one in PROBABILITIES], rel=1e-11)


@pytest.mark.parametrize(("dof", "factor"), TABLE_G2.items())
def test_student_agrees_with_the_printed_table(dof: int, factor: float) -> None:
    """To the digits printed."""
    digits = 3 if dof == 100 else 2
    assert round(student_quantile(dof, 0.975), digits) == factor


def test_student_is_symmetric_and_becomes_the_normal_distribution() -> None:
    """The middle is 0; endless degrees of freedom give scipy's normal quantile."""
    assert student_quantile(3.0, 0.5) == 0.0
    assert student_quantile(3.0, 0.05) == pytest.approx(-student_quantile(3.0, 0.95), rel=1e-12)
    assert student_quantile(math.inf, 0.975) == pytest.approx(float(ndtri(0.975)), rel=1e-14)
    assert normal_quantile(1e-9) == pytest.approx(float(ndtri(1e-9)), rel=1e-14)


@pytest.mark.parametrize(
    ("dof", "probability"),
    [(0.0, 0.9), (-1.0, 0.9), (math.nan, 0.9), (3.0, 0.0), (3.0, 1.0), (3.0, math.nan)],
)
def test_what_has_no_quantile_is_refused(dof: float, probability: float) -> None:
    """Degrees of freedom above 0, a probability between 0 and 1."""
    with pytest.raises(ValueError, match="no quantile"):
        student_quantile(dof, probability)
