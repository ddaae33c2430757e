"""Gauge studies with missing readings, against the analysis of variance where nothing is missing, a reference library, and known truth."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from statsmodels.regression.mixed_linear_model import MixedLM

from sequencer.statistics.gauge import find_gauge_study
from sequencer.statistics.gauge_missing import find_incomplete_study
from tests.sequencer.statistics.test_gauge import PUBLISHED, _as_readings


def _with_interaction():
    random = np.random.default_rng(3)
    table = random.normal(0, 1, (6, 1, 1)) + random.normal(0, 1, (1, 4, 1)) + random.normal(0, 1, (6, 4, 1))
    return _as_readings(1e4 + table + random.normal(0, 0.2, (6, 4, 2)))


def _published():
    return _as_readings(np.array([float(one) for one in PUBLISHED.split()]).reshape(10, 3, 3))


@pytest.mark.parametrize("readings", [_with_interaction(), _published()], ids=["interaction", "published"])
def test_nothing_missing_gives_what_the_analysis_of_variance_gives(readings):
    """Restricted maximum likelihood and the moments agree on balanced readings where no variance comes out below 0."""
    whole, found = find_gauge_study(readings), find_incomplete_study(readings)
    assert found.is_pooled == whole.is_pooled
    assert (found.repeatability, found.operator, found.interaction, found.unit) == pytest.approx(
        (whole.repeatability, whole.operator, whole.interaction, whole.unit), rel=3e-6
    )
    assert found.distinct_categories == whole.distinct_categories


@pytest.mark.filterwarnings("ignore")
def test_missing_readings_as_a_reference_library_has_them():
    """statsmodels' MixedLM, crossed by variance components in one group, with Powell's method (its default ends elsewhere)."""
    readings = _with_interaction()
    del readings["unit 3", "operator 1"]
    readings["unit 0", "operator 0"].pop()
    rows = [(unit, operator, one) for (unit, operator), cell in readings.items() for one in cell]
    frame = pd.DataFrame(rows, columns=["unit", "operator", "y"])
    frame["y"] -= 1e4
    components = {"unit": "0 + C(unit)", "operator": "0 + C(operator)", "both": "0 + C(unit):C(operator)"}
    model = MixedLM.from_formula("y ~ 1", frame, groups=np.ones(len(frame)), vc_formula=components)
    fit = model.fit(reml=True, method="powell")
    found = find_incomplete_study(readings)
    ours = {"unit": found.unit, "operator": found.operator, "both": found.interaction}
    assert dict(zip(model.exog_vc.names, fit.vcomp, strict=True)) == pytest.approx(ours, rel=0.02)
    assert fit.scale == pytest.approx(found.repeatability, rel=0.02)


def test_the_truth_is_found_with_a_tenth_missing():
    """Ten simulated studies with known variances, a tenth of the readings gone at random: the mean comes out within 3 of its errors."""
    random = np.random.default_rng(5)
    found = []
    for _ in range(10):
        table = (
            random.normal(0, 1, (6, 1, 1))
            + random.normal(0, 0.5, (1, 3, 1))
            + random.normal(0, 0.3, (6, 3, 2))
        )
        readings = {
            key: [one for one in cell if random.random() > 0.1] for key, cell in _as_readings(table).items()
        }
        study = find_incomplete_study(readings)
        found.append((study.unit, study.repeatability + study.interaction))
    values = np.array(found)
    error = values.std(axis=0, ddof=1) / math.sqrt(len(values))
    assert np.all(np.abs(values.mean(axis=0) - (1.0, 0.09)) < 3.0 * error)


def _plain_log_likelihood(readings, variances):
    """Return the restricted log likelihood of variances of unit, operator, both and rest, from its definition, reading by reading."""
    rows = [(unit, operator, one) for (unit, operator), cell in readings.items() for one in cell]
    y, ones = np.array([one for _, _, one in rows]), np.ones((len(rows), 1))
    names = [[row[0] for row in rows], [row[1] for row in rows], [row[:2] for row in rows]]
    v = variances[3] * np.eye(len(y))
    for variance, effect in zip(variances, names, strict=False):
        v += variance * np.array([[one == other for other in effect] for one in effect], dtype=float)
    inverse = np.linalg.inv(v)
    weight = ones.T @ inverse @ ones
    beyond = y - np.linalg.solve(weight, ones.T @ inverse @ y)
    logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(weight)[1]
    return -0.5 * (logs + beyond @ inverse @ beyond)


def _by_simplex(readings):
    """Return the largest plain likelihood that a search without slopes finds from two starts."""
    spread = np.concatenate([np.array(cell) for cell in readings.values() if cell]).var()
    starts = ((0.9, 0.1, 0.1, 0.1), (0.5, 0.5, 0.5, 0.05))

    def downhill(roots):
        return -_plain_log_likelihood(readings, (*(roots[:3] ** 2 * spread), math.exp(roots[3]) * spread))

    tried = [
        minimize(
            downhill,
            np.array([*one[:3], math.log(one[3])]),
            method="Nelder-Mead",
            options={"fatol": 1e-9, "xatol": 1e-6, "maxiter": 900},
        )
        for one in starts
    ]
    return -min(one.fun for one in tried)


@pytest.mark.parametrize("seed", [1, 3, 8, 21])
def test_no_component_stays_at_nothing_where_the_likelihood_is_larger_elsewhere(seed):
    """A power meter's readings (3.5 W) with an interaction, some missing: as likely as what another search finds."""
    random = np.random.default_rng(seed)
    table = (
        3.5
        + random.normal(0, 0.2, (3, 1, 1))
        + random.normal(0, 0.03, (1, 2, 1))
        + random.normal(0, 0.03, (3, 2, 1))
        + random.normal(0, 0.02, (3, 2, 5))
    )
    readings = _as_readings(table)
    del readings["unit 0", "operator 0"][3:], readings["unit 2", "operator 1"][4:]
    found = find_incomplete_study(readings, pool_above=1.0)
    variances = (found.unit, found.operator, found.interaction, found.repeatability)
    assert _plain_log_likelihood(readings, variances) > _by_simplex(readings) - 1e-5


def test_a_scatter_that_the_meter_hides_leaves_the_effects_exact():
    """Units of 0.1, 0.2, 0.3 and 0.7 read alike by all: their standard deviation is 0.26300 (by hand), the others' 0; p is not known."""
    readings = {
        (unit, operator): [float(unit)] * 2 for unit in ("0.1", "0.2", "0.3", "0.7") for operator in "AB"
    }
    readings["0.7", "B"].pop()
    found = find_incomplete_study(readings)
    assert math.sqrt(found.unit) == pytest.approx(0.2629956, rel=1e-6)
    assert (found.operator, found.interaction, found.repeatability) == (0.0, 0.0, 0.0)
    assert found.scatter_hidden
    assert found.is_pooled
    readings["0.1", "A"] = [0.5, 0.5]  # and one unit otherwise by one operator
    found = find_incomplete_study(readings)
    assert found.interaction > 0.01
    assert (found.repeatability, found.full[0].p) == (0.0, None)


def test_exact_readings_that_nothing_joins_are_refused():
    """Whether units or operators differ cannot be told where each operator has units of its own."""
    readings = {
        ("a", "x"): [1.0, 1.0],
        ("b", "x"): [2.0, 2.0],
        ("c", "y"): [3.0, 3.0],
        ("d", "y"): [5.0, 5.0],
    }
    with pytest.raises(ValueError, match="no unit joins"):
        find_incomplete_study(readings)


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        ({("a", "x"): [1.0, 2.0], ("b", "x"): [3.0]}, "two or more of each"),
        ({("a", "x"): [1.0], ("b", "x"): [3.0], ("a", "y"): [2.0]}, "measured a unit twice"),
        ({("a", "x"): [1.0, 1.0], ("b", "y"): [1.0]}, "do not differ"),
        ({("a", "x"): [1.0, math.nan], ("b", "y"): [1.0]}, "not finite"),
        ({("a", "x"): list(map(float, range(1001))), ("b", "y"): [1.0]}, "at most 1000"),
    ],
)
def test_what_cannot_be_studied_is_refused(readings, said):
    """Said which and why."""
    with pytest.raises(ValueError, match=said):
        find_incomplete_study(readings)
