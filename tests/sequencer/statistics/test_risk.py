"""Global risks of a decision rule, against JCGM 106 and published tables."""

from __future__ import annotations

import math
import random

import pytest

from sequencer.statistics.risk import (
    guard_band_for,
    guard_factor_for,
    managed_guard_band_factor,
    normal_risk,
    process_risk,
    symmetric_risk,
)
from sequencer.uncertainty.decision import GUARDED, SIMPLE, Decision, Limits, Rule, decide

RESISTOR = Limits(lower=1499.8, upper=1500.2)


@pytest.mark.parametrize(
    ("guard_band", "consumer", "producer"),
    [(0.0, 0.0189422, 0.0372078), (0.02, 0.0098783, 0.0690265), (0.08, 0.00046863, 0.247670)],
)
def test_resistor_lot_of_jcgm_106(guard_band, consumer, producer):
    """JCGM 106 resistor lot: process N(1500, .12), u .04; the guarded case prints 1 % and 7 % (from memory).

    The digits were recomputed by Simpson's rule on four million points.
    """
    risk = normal_risk(1500.0, 0.12, 0.04, RESISTOR, guard_band)
    assert risk.false_accept == pytest.approx(consumer, rel=2e-5)
    assert risk.false_reject == pytest.approx(producer, rel=2e-5)
    assert risk.conforming == pytest.approx(0.90442, abs=5e-6)


TUR = (1, 1.5, 2, 3, 4, 10)
GRID = {
    0.80: "5.419/13.477 4.238/8.097 3.458/5.688 2.513/3.524 1.969/2.541 .852/.944",
    0.85: "4.447/13.714 3.563/7.997 2.952/5.510 2.184/3.341 1.728/2.383 .762/.867",
    0.90: "3.251/13.645 2.680/7.602 2.264/5.083 1.714/2.981 1.374/2.089 .622/.737",
    0.95: "1.801/12.957 1.541/6.625 1.337/4.178 1.049/2.294 .858/1.554 .406/.516",
}


@pytest.mark.parametrize("in_tolerance", GRID)
def test_grid_of_false_accepts_and_rejects(in_tolerance):
    """PFA and PFR in % over in-tolerance probability and TUR (Z540.3 convention; computed with scipy)."""
    for ratio, cell in zip(TUR, GRID[in_tolerance].split(), strict=True):
        risk = symmetric_risk(in_tolerance, ratio)
        accept, reject = (float(x) for x in cell.split("/"))
        assert 100 * risk.false_accept == pytest.approx(accept, abs=5.1e-4)
        assert 100 * risk.false_reject == pytest.approx(reject, abs=5.1e-4)
        assert risk.conforming == pytest.approx(in_tolerance, abs=1e-9)


@pytest.mark.parametrize(
    ("in_tolerance", "joint", "conditional"),
    [
        (0.6, 4.838603, 8.260082),
        (0.7, 3.922341, 5.723220),
        (0.8, 2.855830, 3.632271),
        (0.9, 1.599953, 1.798804),
        (0.95, 0.871009, 0.923897),
        (0.99, 0.199917, 0.202438),
    ],
)
def test_sigma_ratio_convention(in_tolerance, joint, conditional):
    """Published table for a process sigma of 4 test sigmas: joint and conditional false accepts in %.

    The source truncates its sixth decimal or integrates coarsely: Simpson's rule agrees with us to 1e-12.
    """
    from scipy.special import ndtri

    sigma = 1 / ndtri((1 + in_tolerance) / 2)
    risk = normal_risk(0.0, sigma, sigma / 4, Limits(lower=-1.0, upper=1.0))
    assert 100 * risk.false_accept == pytest.approx(joint, abs=1.5e-6)
    assert 100 * risk.false_accept_of_accepted == pytest.approx(conditional, abs=1.5e-6)


def test_more_published_risks():
    """Published: TUR 3 with a guard factor, limits at 2 sigma (.008, .015), and TUR 2 (.008, .066)."""
    assert symmetric_risk(0.9, 3).false_accept == pytest.approx(0.0171415, abs=6e-8)
    assert symmetric_risk(0.9, 3, guard_band=0.1).false_accept == pytest.approx(0.0076132, abs=6e-8)
    two_sigma = Limits(lower=-2.0, upper=2.0)
    risk = normal_risk(0.0, 1.0, 0.25, two_sigma)
    assert (round(risk.false_accept, 3), round(risk.false_reject, 3)) == (0.008, 0.015)
    guarded = normal_risk(0.0, 1.0, 0.5, two_sigma, guard_band=2 * (1 - 0.91))
    assert (round(guarded.false_accept, 3), round(guarded.false_reject, 3)) == (0.008, 0.066)
    off_centre = normal_risk(9.5, 0.3, 0.1, Limits(lower=9.0, upper=10.0))
    assert 1 - off_centre.conforming == pytest.approx(0.0955807, abs=6e-8)


def test_process_that_is_not_normal():
    """A gamma process (4, scale .25), u .1, limits 0...1.75: PFA .0072389 in a public package."""
    scale = 0.25

    def density(x):
        return x**3 * math.exp(-x / scale) / (math.gamma(4) * scale**4)

    risk = process_risk(density, (0.0, 20.0), 0.1, Limits(lower=0.0, upper=1.75))
    assert risk.false_accept == pytest.approx(0.0072389, abs=6e-8)


def test_guard_band_for_half_a_percent():
    """A guard band of .0920660 brings N(9.5, .3), u .1, 9...10 down to .5 % PFA (public package)."""
    limits = Limits(lower=9.0, upper=10.0)
    band = guard_band_for(lambda w: normal_risk(9.5, 0.3, 0.1, limits, w), 0.005, 0.5)
    assert band == pytest.approx(0.0920660, abs=6e-8)
    assert guard_band_for(lambda w: normal_risk(9.5, 0.3, 0.1, limits, w), 0.5, 0.5) == 0.0
    with pytest.raises(ValueError, match="allow a wider one"):
        guard_band_for(lambda w: normal_risk(9.5, 0.3, 0.1, limits, w), 0.001, 0.01)


def test_guard_factors_for_specific_risks():
    """1.645 u, 1.96 u and 2.326 u as multiples of U = 2u (Eurachem; ILAC-G8)."""
    assert guard_factor_for(0.05) == pytest.approx(0.8224, abs=5e-5)
    assert guard_factor_for(0.025) == pytest.approx(0.9800, abs=5e-5)
    assert guard_factor_for(0.01) == pytest.approx(1.1632, abs=5e-5)


@pytest.mark.parametrize(
    ("ratio", "factor"), [(1.5, 0.75988), (2, 0.85918), (2.5, 0.91419), (3, 0.94823), (4, 0.98672)]
)
def test_managed_guard_band(ratio, factor):
    """The "method 6" factors, and that they keep the worst process below 2 % false accepts (Z540.3)."""
    assert managed_guard_band_factor(ratio) == pytest.approx(factor, abs=5.1e-6)
    worst = max(symmetric_risk(p / 50, ratio, 1 - factor).false_accept for p in range(10, 50, 2))
    assert 0.015 < worst < 0.0201


@pytest.mark.parametrize(("ratio", "worst_percent"), [(1.5, 5.33), (2, 4.18), (3, 2.91), (4, 2.24)])
def test_worst_process_without_a_guard_band(ratio, worst_percent):
    """The worst false accepts over all processes, near an in-tolerance probability of .65."""
    worst = max(symmetric_risk(p / 100, ratio).false_accept for p in range(50, 82, 2))
    assert 100 * worst == pytest.approx(worst_percent, abs=0.006)


@pytest.mark.parametrize("rule", [SIMPLE, Rule(guard_factor=0.5), GUARDED])
def test_simulated_production_agrees_with_the_global_risk(rule):
    """Of 20,000 simulated resistors of known truth as many are decided wrongly as the integral says."""
    rng = random.Random(106)
    u, units = 0.04, 20_000
    wrong_accepts = wrong_rejects = 0
    for _ in range(units):
        truth = rng.gauss(1500.0, 0.12)
        passed = decide(rng.gauss(truth, u), 2 * u, RESISTOR, rule).decision is Decision.PASS
        conforms = RESISTOR.contains(truth)
        wrong_accepts += passed and not conforms
        wrong_rejects += conforms and not passed
    risk = normal_risk(1500.0, 0.12, u, RESISTOR, rule.guard_band(2 * u))
    for count, share in ((wrong_accepts, risk.false_accept), (wrong_rejects, risk.false_reject)):
        assert abs(count / units - share) < 4 * math.sqrt(share * (1 - share) / units)
    assert wrong_accepts / units <= rule.specific_risk()


def test_measurement_without_error_makes_no_wrong_decision():
    """With u = 0 nothing is decided wrongly, and a guard band costs exactly the units inside it."""
    exact = normal_risk(0.0, 1.0, 0.0, Limits(upper=1.0))
    assert (exact.false_accept, exact.false_reject) == (0.0, pytest.approx(0.0, abs=1e-15))
    guarded = normal_risk(0.0, 1.0, 0.0, Limits(upper=1.0), 0.5)
    assert guarded.false_reject == pytest.approx(0.8413447 - 0.6914625, abs=1e-6)  # any normal table


def test_step_far_narrower_than_the_process_is_not_missed():
    """With u a millionth of the process the risk is 2 f(T) u / sqrt(2 pi)."""
    u = 1e-6
    risk = normal_risk(0.0, 1.0, u, Limits(lower=-1.0, upper=1.0))
    expected = 2 * math.exp(-0.5) / math.sqrt(2 * math.pi) * u / math.sqrt(2 * math.pi)
    assert risk.false_accept == pytest.approx(expected, rel=1e-3)


def test_guard_bands_that_overlap_accept_nothing():
    """Where the guard bands use up the tolerance no unit passes: no false accept, and every good unit is lost."""
    risk = normal_risk(0.0, 1.0, 0.3, Limits(lower=-1.0, upper=1.0), 1.5)
    assert (risk.accepted, risk.false_accept) == (0.0, 0.0)
    assert risk.false_reject == pytest.approx(0.6826895, abs=1e-6)  # one sigma, any normal table
    assert math.isnan(risk.false_accept_of_accepted)


def test_bad_arguments_are_named():
    """Impossible processes, uncertainties and targets are refused by name."""
    one = Limits(upper=1.0)
    for call, text in (
        (lambda: normal_risk(0.0, 0.0, 0.1, one), "standard deviation 0"),
        (lambda: normal_risk(0.0, 1.0, -0.1, one), "standard uncertainty is -0.1"),
        (lambda: normal_risk(0.0, 1.0, 0.1, Limits()), "no limit"),
        (lambda: process_risk(lambda x: 1.0, (1.0, 0.0), 0.1, one), "support"),
        (lambda: normal_risk(math.nan, 1.0, 0.1, one), "process mean nan"),
        (lambda: symmetric_risk(1.0, 2.0), "in-tolerance probability"),
        (lambda: symmetric_risk(0.5, 0.0), "uncertainty ratio"),
        (lambda: guard_factor_for(0.0), "specific risk"),
        (lambda: managed_guard_band_factor(0.5), "uncertainty ratio"),
    ):
        with pytest.raises(ValueError, match=text):
            call()
