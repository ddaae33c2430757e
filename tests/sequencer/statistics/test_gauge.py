"""Gauge studies, against a published study, a reference library and simulation."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from sequencer.statistics.gauge import UnbalancedStudy, find_gauge_study
from sequencer.statistics.gauge_intervals import find_gauge_intervals

# Ten parts, three operators, three trials: the published example of the automotive industry's handbook.
PUBLISHED = """
.29 .41 .64 .08 .25 .07 .04 -.11 -.15
-.56 -.68 -.58 -.47 -1.22 -.68 -1.38 -1.13 -.96
1.34 1.17 1.27 1.19 .94 1.34 .88 1.09 .67
.47 .50 .64 .01 1.03 .20 .14 .20 .11
-.80 -.92 -.84 -.56 -1.20 -1.28 -1.46 -1.07 -1.45
.02 -.11 -.21 -.20 .22 .06 -.29 -.67 -.49
.59 .75 .66 .47 .55 .83 .02 .01 .21
-.31 -.20 -.17 -.63 .08 -.34 -.46 -.56 -.49
2.26 1.99 2.01 1.80 2.12 2.19 1.77 1.45 1.87
-1.36 -1.25 -1.31 -1.68 -1.62 -1.50 -1.49 -1.77 -2.16
"""


def _as_readings(table):
    """Turn an array (units, operators, trials) into readings."""
    units, operators, _ = table.shape
    return {
        (f"unit {u}", f"operator {o}"): table[u, o].tolist()
        for u, o in itertools.product(range(units), range(operators))
    }


@pytest.fixture(scope="module")
def published():
    """Return it as an array (parts, operators, trials)."""
    return np.array([float(one) for one in PUBLISHED.split()]).reshape(10, 3, 3)


def test_analysis_of_the_published_study(published):
    """SS 88.36193, 3.16726, 0.35898, 2.75893; F 492.291, 79.406, 0.434 (p 0.974, so that the interaction is pooled)."""
    study = find_gauge_study(_as_readings(published))
    assert [row.dof for row in study.full] == [9, 2, 18, 60]
    squares = [row.sum_of_squares for row in study.full]
    assert squares == pytest.approx([88.36193, 3.16726, 0.35898, 2.75893], abs=6e-6)
    assert [row.f for row in study.full[:3]] == pytest.approx([492.291, 79.406, 0.434], abs=6e-4)
    assert study.full[2].p == pytest.approx(0.974, abs=6e-4)
    assert study.is_pooled
    assert [row.name for row in study.rows] == ["unit", "operator", "repeatability"]
    assert study.rows[2].dof == 78


def test_variances_of_the_published_study(published):
    """Pooled: repeatability 0.03997, reproducibility 0.05146, unit 1.08645; 27.86 % of study, 22.68 % of a tolerance of 8."""
    study = find_gauge_study(_as_readings(published))
    variances = (study.repeatability, study.reproducibility, study.measuring, study.unit, study.total)
    assert variances == pytest.approx((0.03997, 0.05146, 0.09143, 1.08645, 1.17788), abs=6e-6)
    assert study.share_of_study == pytest.approx(0.2786, abs=6e-5)
    assert study.share_of_tolerance(8.0) == pytest.approx(0.2268, abs=6e-5)
    assert study.distinct_categories == 4
    with pytest.raises(ValueError, match="above 0"):
        study.share_of_tolerance(0.0)


def test_sums_of_squares_as_a_reference_library_has_them():
    """statsmodels' anova_lm with C() on both factors, on readings with an interaction; only the sums of squares are comparable there."""
    random = np.random.default_rng(3)
    table = random.normal(0, 1, (4, 1, 1)) + random.normal(0, 1, (1, 3, 1)) + random.normal(0, 1, (4, 3, 1))
    table = 1e4 + table + random.normal(0, 0.2, (4, 3, 2))
    rows = [
        {"part": u, "operator": o, "y": y}
        for u, o in itertools.product(range(4), range(3))
        for y in table[u, o]
    ]
    reference = anova_lm(ols("y ~ C(part) * C(operator)", pd.DataFrame(rows)).fit())
    study = find_gauge_study(_as_readings(table))
    assert not study.is_pooled
    assert [row.sum_of_squares for row in study.full] == pytest.approx(reference["sum_sq"].tolist(), rel=1e-6)
    unit, operator, both, rest = study.full
    assert unit.f == pytest.approx(unit.mean_square / both.mean_square)
    assert study.interaction == pytest.approx((both.mean_square - rest.mean_square) / 2)
    assert study.unit == pytest.approx(max(0.0, (unit.mean_square - both.mean_square) / 6))
    assert study.operator == pytest.approx(max(0.0, (operator.mean_square - both.mean_square) / 8))


def test_variance_found_below_nothing_counts_as_nothing():
    """Operators whose means are alike vary less than chance would make them."""
    table = np.random.default_rng(0).normal(0, 1, (5, 3, 3))
    table -= table.mean(axis=(0, 2), keepdims=True)  # operators alike to the last digit
    study = find_gauge_study(_as_readings(table))
    assert study.operator == 0.0
    assert study.distinct_categories >= 1


@pytest.mark.parametrize("pooled", [True, False])
def test_intervals_cover_what_they_say(pooled):
    """1,500 simulated studies with known variances: the 95 % intervals cover in 93 to 97.5 % (they are conservative approximations)."""
    random = np.random.default_rng(11)
    unit, operator, both, rest = 1.0, 0.3, 0.0 if pooled else 0.2, 0.1
    covered = np.zeros(3)
    runs = 1500
    for _ in range(runs):
        table = (
            random.normal(0, math.sqrt(unit), (10, 1, 1))
            + random.normal(0, math.sqrt(operator), (1, 3, 1))
            + random.normal(0, math.sqrt(both), (10, 3, 1))
            + random.normal(0, math.sqrt(rest), (10, 3, 2))
        )
        study = find_gauge_study(_as_readings(table), pool_above=0.0 if pooled else 1.0)
        found = find_gauge_intervals(study)
        truths = (rest, operator + both + rest, unit)
        intervals = (found.repeatability, found.measuring, found.unit)
        covered += [one.lower <= truth <= one.upper for one, truth in zip(intervals, truths, strict=True)]
    assert covered / runs == pytest.approx(0.95, abs=0.022)


def test_an_interval_needs_a_confidence(published):
    """Certainty has no interval."""
    with pytest.raises(ValueError, match="between 0 and 1"):
        find_gauge_intervals(find_gauge_study(_as_readings(published)), confidence=1.0)


def test_a_missing_cell_is_said_and_not_worked_round(published):
    """A reference library goes on with other degrees of freedom and says nothing; here the cell is named."""
    readings = _as_readings(published)
    readings["unit 3", "operator 1"] = readings["unit 3", "operator 1"][:2]
    del readings["unit 7", "operator 2"]
    with pytest.raises(UnbalancedStudy, match=r"unit 3 by operator 1: 2 of 3; unit 7 by operator 2: 0 of 3"):
        find_gauge_study(readings)


@pytest.mark.parametrize("shape", [(1, 3, 3), (3, 1, 3), (3, 3, 1), (0, 0, 0)])
def test_a_study_needs_two_of_each(shape):
    """One unit, operator or trial tells nothing of how they differ."""
    with pytest.raises(ValueError, match="two or more of each"):
        find_gauge_study(_as_readings(np.zeros(shape)))


def test_readings_that_cannot_be_studied():
    """Readings that do not differ have no shares; one that is not finite is refused."""
    table = np.ones((3, 2, 2))
    study = find_gauge_study(_as_readings(table))
    assert study.total == 0.0
    assert math.isnan(study.share_of_study)
    with pytest.raises(ValueError, match="do not differ"):
        _ = study.distinct_categories
    table[0, 0, 0] = math.nan
    with pytest.raises(ValueError, match="not finite"):
        find_gauge_study(_as_readings(table))


@pytest.mark.parametrize("values", [(0.1, 0.2, 0.3, 0.7), (3.1, 3.2, 3.3, 3.9), (-10.0, 0.0, 7.0, 29.0)])
def test_rounding_of_the_arithmetic_is_no_scatter(values):
    """A meter that reads whole steps: each unit reads alike by all, so that nothing but the units varies, and no F follows."""
    study = find_gauge_study(_as_readings(np.array(values)[:, None, None] * np.ones((4, 2, 2))))
    assert (study.operator, study.interaction, study.repeatability) == (0.0, 0.0, 0.0)
    assert study.scatter_hidden
    assert study.is_pooled
    assert [(row.f, row.p) for row in study.full] == [(None, None)] * 4
    assert study.unit == pytest.approx(np.var(values, ddof=1))


def test_small_differences_are_a_scatter():
    """A frequency to 13 digits is no rounding."""
    table = 27.185e6 + 1e-6 * np.random.default_rng(2).normal(0, 1, (3, 2, 2))
    assert find_gauge_study(_as_readings(table)).repeatability > 0.0
