"""Capability, against the NIST/SEMATECH e-Handbook, published examples, a reference library and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import nct
from statsmodels.stats.diagnostic import normal_ad

from sequencer.statistics.capability import (
    cp_index,
    cpk_index,
    find_capability,
    moving_range_dof,
    normality,
    one_sided_cpk_bound,
    percentile_index,
)
from sequencer.statistics.charts import individuals_and_moving_range
from sequencer.uncertainty.decision import Limits

NIST = Limits(lower=8.0, upper=20.0)


def test_indices_of_the_nist_handbook():
    """NIST/SEMATECH 6.1.6: limits 8 and 20, mean 16, s 2: Cp 1.0, Cpk 0.6667."""
    assert cp_index(NIST, 2.0, 49).value == pytest.approx(1.0)
    assert cpk_index(16.0, NIST, 2.0, 50, 49).value == pytest.approx(2 / 3)


@pytest.mark.parametrize(
    ("n", "cp", "cpk"),
    [(50, (0.80248, 1.19713), (0.50555, 0.82778)), (100, (0.86083, 1.13894), (0.55313, 0.78021))],
)
def test_intervals_of_the_indices(n, cp, cpk):
    """The 95 % intervals of that example: chi-squared for Cp, Bissell's for Cpk (NIST/SEMATECH 6.1.6, computed elsewhere)."""
    found = cp_index(NIST, 2.0, n - 1)
    assert (found.lower, found.upper) == pytest.approx(cp, abs=6e-6)
    bissell = cpk_index(16.0, NIST, 2.0, n, n - 1)
    assert (bissell.lower, bissell.upper) == pytest.approx(cpk, abs=6e-6)


def test_short_series_with_moving_range():
    """A published fixture: 10 12 11 13 12 within 6 and 16, with its sigma from the moving range and its four indices."""
    found = find_capability([10.0, 12.0, 11.0, 13.0, 12.0], Limits(lower=6.0, upper=16.0))
    assert found.cp is not None
    assert found.pp is not None
    indices = (found.sigma_within, found.cp.value, found.cpk.value, found.pp.value, found.ppk.value)
    assert indices == pytest.approx((1.3293404, 1.2537546, 1.1033041, 1.4617634, 1.2863518), abs=6e-8)
    assert found.outside.count == 0
    assert found.percentile_ppk is None


# A published data set for capability, limits 740 and 760: mean 749.7625, s 2.104196, Pp 1.584136, Ppk 1.54651309711296.
PUBLISHED = (
    "755.81 750.54 751.05 749.52 749.21 748.38 748.11 753.07 749.56 750.08 "
    "747.16 747.53 749.22 746.76 747.64 750.46 749.27 750.33 750.26 751.29"
)


def test_indices_of_a_published_data_set():
    """The figures above it, to the last digit that was published."""
    found = find_capability([float(one) for one in PUBLISHED.split()], Limits(lower=740.0, upper=760.0))
    assert (found.mean, found.sigma_overall) == pytest.approx((749.7625, 2.104196), abs=6e-7)
    assert found.pp is not None
    assert found.pp.value == pytest.approx(1.584136, abs=6e-7)
    assert found.ppk.value == pytest.approx(1.54651309711296, rel=1e-13)


def test_one_limit_leaves_no_cp():
    """Cpk and Ppk are of the one limit that stands."""
    found = find_capability([1.0, 2.0, 1.5, 1.2, 1.9, 1.4], Limits(upper=4.0))
    assert (found.cp, found.pp) == (None, None)
    assert found.cpk.value == pytest.approx((4.0 - 1.5) / (3 * found.sigma_within))
    below = find_capability([1.0, 2.0, 1.5, 1.2, 1.9, 1.4], Limits(lower=1.1))
    assert below.outside.count == 1
    assert below.ppk.value == pytest.approx((1.5 - 1.1) / (3 * below.sigma_overall))


def test_exact_one_sided_bound():
    """Cpk 1.33 of 30 units: lower 95 % bound 1.0216, by the noncentral t of a reference library (scipy.stats.nct and a root)."""
    bound = one_sided_cpk_bound(1.33, 30)
    assert bound == pytest.approx(1.0216, abs=6e-5)
    root = 3 * math.sqrt(30)
    assert nct.cdf(root * 1.33, 29, root * bound) == pytest.approx(0.95, abs=1e-6)


def test_values_from_a_moving_range_have_fewer_degrees_of_freedom():
    """Against simulation: 40,000 series of 12 normal values; the relative variance of their sigma gives the degrees of freedom."""
    series = np.random.default_rng(7).standard_normal((40_000, 12))
    sigmas = np.abs(np.diff(series, axis=1)).mean(axis=1) / (2 / math.sqrt(math.pi))
    simulated = 1.0 / (2.0 * float(sigmas.var()) / float(sigmas.mean()) ** 2)
    assert moving_range_dof(12) == pytest.approx(simulated, rel=0.03)
    assert individuals_and_moving_range(series[0].tolist()).sigma == pytest.approx(float(sigmas[0]), rel=1e-9)
    assert moving_range_dof(2) == pytest.approx(1 / (2 * (math.pi / 2 - 1)), rel=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_normality_as_a_reference_library_has_it(seed):
    """statsmodels' Anderson-Darling test with estimated parameters, on values of five shapes and sizes."""
    random = np.random.default_rng(seed)
    shapes = [
        random.standard_normal(8 + 10 * seed),
        random.uniform(size=40),
        random.exponential(size=12 + 3 * seed),
        random.standard_t(3, size=30),
        np.concatenate([random.standard_normal(30), [9.0]]),
    ]
    for values in shapes:
        assert normality(values.tolist()) == pytest.approx(float(normal_ad(values)[1]), rel=1e-6, abs=1e-12)


def test_a_gross_outlier_is_not_called_normal():
    """The published polynomial turns round at 13 and would call it normal again."""
    assert normality([*np.random.default_rng(1).standard_normal(300).tolist(), *[80.0] * 30]) == 0.0


def test_percentiles_need_values_that_show_them():
    """Of a uniform process 0...1 within 0...1: (1 - 0.5) / (0.99865 - 0.5) = 1.0027."""
    values = np.linspace(0.0, 1.0, 2001).tolist()
    assert percentile_index(values, Limits(lower=0.0, upper=1.0)) == pytest.approx(1.0027, abs=2e-4)
    assert percentile_index(values[:700], Limits(lower=0.0, upper=1.0)) is None
    assert percentile_index([1.0] * 800, Limits(upper=2.0)) is None


@pytest.mark.parametrize(
    ("values", "limits", "words"),
    [
        ([1.0, 2.0, 3.0, 4.0], Limits(upper=5.0), "5 or more"),
        ([1.0] * 8, Limits(upper=5.0), "do not scatter"),
        ([1.0, 2.0, 3.0, 4.0, 5.0], Limits(), "no limit"),
        ([1.0, 2.0, 3.0, 4.0, math.inf], Limits(upper=5.0), "finite"),
    ],
)
def test_what_has_no_capability_is_refused(values, limits, words):
    """Each complaint says what is lacking."""
    with pytest.raises(ValueError, match=words):
        find_capability(values, limits)
    with pytest.raises(ValueError, match="both limits"):
        cp_index(Limits(upper=1.0), 1.0, 5)
