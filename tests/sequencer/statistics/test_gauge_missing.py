"""Gauge studies with missing readings, against the analysis of variance where nothing is missing, a reference library, and known truth."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
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
