"""Uncertainty budgets, against the worked examples of the GUM, EA-4/02 and a TR 100 028 style text."""

from __future__ import annotations

import dataclasses
import itertools
import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.uncertainty.budget import Budget, Contribution, correlation, covariance
from sequencer.uncertainty.coverage import gum_factor, student_factor
from sequencer.uncertainty.distributions import Shape

sizes = st.floats(1e-6, 1e6)


def budget(*parts, **rest):
    """Return a budget of the given parts."""
    return Budget(**{"quantity": "length", "unit": "nm", "value": 0.0, **rest}, contributions=parts)


def rounded(number, digits):
    """Return a number as a handbook prints it, to significant digits."""
    return float(f"{number:.{digits}g}")


END_GAUGE = (
    Contribution.normal("standard", 25.0, dof=18),
    Contribution.normal("difference, observed", 5.8, dof=24),
    Contribution.normal("comparator, random", 3.9, dof=5),
    Contribution.normal("comparator, systematic", 6.7, dof=8),
    Contribution.bounded("difference in expansion", 1e-6, coefficient=50_000_623 * 0.1, dof=50),
    Contribution.bounded("difference in temperature", 0.05, coefficient=-50_000_623 * 11.5e-6, dof=2),
)


def test_end_gauge_of_gum_h1():
    """GUM H.1: u_c 32 nm (31.664), 16 effective degrees of freedom (16.752), U99 93 nm (92.5 unrounded)."""
    gauge = budget(*END_GAUGE, value=50_000_838.0, coverage=0.99)
    assert gauge.standard == pytest.approx(31.664, abs=5e-4)
    assert gauge.effective_dof == pytest.approx(16.752, abs=6e-4)
    assert gauge.coverage_factor == pytest.approx(2.92078, abs=5e-6)
    assert gauge.expanded == pytest.approx(92.5, abs=0.05)


def test_trap_of_gum_h1():
    """GUM H.1 prints 16.7; with u_c rounded to 32 it would be 17.47, so nothing is rounded on the way."""
    gauge = budget(*END_GAUGE)
    trapped = gauge.effective_dof * (32 / gauge.standard) ** 4
    assert trapped == pytest.approx(17.47, abs=0.01)
    assert gauge.effective_dof == pytest.approx(16.7, abs=0.1)


def test_nested_budget_of_gum_h1():
    """The difference d of GUM H.1 as a budget of its own (u 9.7 nm) leaves the total the same."""
    inner = budget(*END_GAUGE[1:4], quantity="difference", value=215.0)
    assert rounded(inner.standard, 2) == 9.7
    assert inner.effective_dof == pytest.approx(25.4473, abs=5e-5)  # printed 25.6, from rounded parts
    outer = budget(END_GAUGE[0], inner.as_contribution(), *END_GAUGE[4:])
    assert outer.standard == pytest.approx(budget(*END_GAUGE).standard, rel=1e-12)
    assert outer.effective_dof == pytest.approx(budget(*END_GAUGE).effective_dof, rel=1e-12)


def test_second_order_terms_of_gum_h1():
    """GUM H.1.7: with the second-order terms 11.73 and 1.67 nm u_c is 34 nm (33.81)."""
    more = (Contribution.normal("second order, 1", 11.73), Contribution.normal("second order, 2", 1.67))
    assert budget(*END_GAUGE, *more).standard == pytest.approx(33.81, abs=0.005)


T_TABLE = """
1 1.84 6.31 12.71 13.97 63.66 235.78
2 1.32 2.92 4.30 4.53 9.92 19.21
3 1.20 2.35 3.18 3.31 5.84 9.22
4 1.14 2.13 2.78 2.87 4.60 6.62
5 1.11 2.02 2.57 2.65 4.03 5.51
6 1.09 1.94 2.45 2.52 3.71 4.90
7 1.08 1.89 2.36 2.43 3.50 4.53
8 1.07 1.86 2.31 2.37 3.36 4.28
9 1.06 1.83 2.26 2.32 3.25 4.09
10 1.05 1.81 2.23 2.28 3.17 3.96
15 1.03 1.75 2.13 2.18 2.95 3.59
16 1.03 1.75 2.12 2.17 2.92 3.54
20 1.03 1.72 2.09 2.13 2.85 3.42
25 1.02 1.71 2.06 2.11 2.79 3.33
30 1.02 1.70 2.04 2.09 2.75 3.27
50 1.01 1.68 2.01 2.05 2.68 3.16
100 1.005 1.660 1.984 2.025 2.626 3.077
inf 1.000 1.645 1.960 2.000 2.576 3.000
"""


@pytest.mark.parametrize("line", T_TABLE.strip().splitlines())
def test_student_table(line):
    """GUM table G.2 (= NIST TN 1297 table B.1); its 235.80 at one degree of freedom is a known misprint."""
    dof, *printed = line.split()
    for probability, text in zip((0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973), printed, strict=True):
        k = student_factor(probability, float(dof))
        assert k == pytest.approx(float(text), abs=0.5001 * 10.0 ** -len(text.split(".")[1]))


ATTENUATOR_READINGS = (30.033, 30.058, 30.018, 30.052)


def attenuator():
    """Return the budget of EA-4/02 S7."""
    mean, s = 30.04025, 0.018264
    return Budget(
        quantity="attenuation",
        unit="dB",
        value=mean + 0.003,
        contributions=(
            Contribution.student("standard attenuator, readings", s / 2, 3, value=mean),
            Contribution.bounded("standard attenuator, calibration", 0.0025 * math.sqrt(3), value=0.003),
            Contribution.bounded("drift", 0.0011 * math.sqrt(2), Shape.U_SHAPED),
            Contribution.bounded("mismatch", 0.02 * math.sqrt(2), Shape.U_SHAPED),
            Contribution.bounded("leakage", 0.0017 * math.sqrt(2), Shape.U_SHAPED),
            Contribution.bounded("resolution before", 0.0003 * math.sqrt(3)),
            Contribution.bounded("resolution after", 0.0003 * math.sqrt(3), coefficient=-1),
            Contribution.normal("zero before", 0.0020),
            Contribution.normal("zero after", 0.0020, coefficient=-1),
        ),
    )


def test_step_attenuator_of_ea_4_02():
    """EA-4/02 S7 (30 dB at 10 GHz): 30.043 dB, u .0224 dB, 108 degrees of freedom, U .045 dB with k = 2."""
    result = attenuator()
    assert round(result.value, 3) == 30.043
    assert round(result.standard, 4) == 0.0224
    assert result.effective_dof == pytest.approx(108.7, abs=0.1)
    assert round(result.expanded, 3) == 0.045
    assert round(result.coverage_factor, 1) == 2.0


def correlations_of(readings):
    """Return the correlation coefficients of readings taken together (GUM 5.2.3)."""
    pairs = itertools.combinations(readings, 2)
    return [(one, other, statistics.correlation(readings[one], readings[other])) for one, other in pairs]


def impedance(which):
    """Return the budget of resistance, reactance or impedance from the five sets of readings of GUM H.2."""
    readings = {
        "V": (5.007, 4.994, 5.005, 4.990, 4.999),
        "I": (0.019663, 0.019639, 0.019640, 0.019685, 0.019678),
        "phi": (1.0456, 1.0438, 1.0468, 1.0428, 1.0433),
    }
    models = {
        "R": lambda x: x["V"] / x["I"] * math.cos(x["phi"]),
        "X": lambda x: x["V"] / x["I"] * math.sin(x["phi"]),
        "Z": lambda x: x["V"] / x["I"],
    }
    inputs = [
        Contribution.student(
            name,
            math.sqrt(sum((y - sum(column) / 5) ** 2 for y in column) / 4 / 5),
            4,
            value=sum(column) / 5,
        )
        for name, column in readings.items()
    ]
    return Budget.of_model(which, "ohm", models[which], inputs, correlations=correlations_of(readings))


def test_resistance_and_reactance_of_gum_h2():
    """GUM H.2 (correlated voltage, current, phase; figures from memory): R, X, Z, their u and correlations.

    It prints u(X) .295; its own readings give .29558, by this way and by its approach 2.
    """
    r, x, z = (impedance(which) for which in "RXZ")
    assert [round(part.value, 3) for part in (r, x, z)] == [127.732, 219.847, 254.260]
    assert [round(part.standard, 3) for part in (r, z)] == [0.071, 0.236]
    assert x.standard == pytest.approx(0.295, abs=6e-4)
    assert [round(item[2], 2) for item in r.correlations] == [-0.36, 0.86, -0.65]
    assert round(correlation(r, x), 3) == -0.588
    assert round(correlation(r, z), 3) == -0.485
    assert round(correlation(x, z), 3) == 0.993
    assert covariance(r, r) == pytest.approx(r.standard**2)


def test_readings_taken_together_keep_their_degrees_of_freedom():
    """Five sets of correlated readings leave four degrees of freedom, as five results would (GUM H.2)."""
    assert impedance("R").effective_dof == pytest.approx(4.0)


def test_thermometer_line_of_gum_h3():
    """GUM H.3 (from memory): y1 -.1712, y2 .00218, r -.930 give -.1494 and u .0041 at 30 °C."""
    line = Budget.of_model(
        "correction at 30 °C",
        "°C",
        lambda x: x["y1"] + x["y2"] * (30 - 20),
        [
            Contribution.student("y1", 0.0029, 9, value=-0.1712),
            Contribution.student("y2", 0.00067, 9, value=0.00218),
        ],
        correlations=[("y1", "y2", -0.930)],
    )
    assert round(line.value, 4) == -0.1494
    assert round(line.standard, 4) == 0.0041
    assert line.effective_dof == pytest.approx(9.0)


@pytest.mark.parametrize(
    ("shape", "top", "factor"),
    [
        (Shape.RECTANGULAR, 0.0, 1.645),
        (Shape.U_SHAPED, 0.0, 1.410),
        (Shape.TRIANGULAR, 0.0, 1.902),
        (Shape.TRAPEZOIDAL, 1 / 3, 1.834),
        (Shape.TRAPEZOIDAL, 0.43, 1.796),
    ],
)
def test_coverage_factor_of_a_single_shape(shape, top, factor):
    """EA-4/02 and the GUM: k95 of a single term that is not normal, here of a budget of nothing else."""
    alone = budget(Contribution.bounded("only", 3.0, shape, top=top), coverage=0.95)
    assert alone.coverage_factor == pytest.approx(factor, abs=6e-4)


def test_coverage_factor_of_a_dominant_rectangle():
    """EA-4/02 S9: a voltmeter whose resolution dominates by far has k 1.65 and U .05 V (from memory)."""
    meter = budget(
        Contribution.bounded("resolution", 0.05, coefficient=1.0),
        Contribution.normal("calibrator", 0.001),
        Contribution.bounded("other", 0.011 * math.sqrt(3) / 10),
        unit="V",
    )
    assert round(meter.standard, 3) == 0.029
    assert round(meter.coverage_factor, 2) == 1.65
    assert round(meter.expanded, 2) == 0.05


def test_coverage_factor_of_two_dominant_rectangles():
    """EA-4/02 S10: a caliper, 50 and 25 µm rectangular, has u 33 µm, k 1.83, U 60 µm (from memory)."""
    caliper = budget(
        Contribution.bounded("mechanical effects", 50.0),
        Contribution.bounded("resolution", 25.0),
        Contribution.normal("gauge block", 0.46),
        Contribution.bounded("temperature", 1.15 * math.sqrt(3)),
        unit="µm",
        coverage=0.95,
    )
    assert round(caliper.standard) in (32, 33)  # 32.3; the example adds 29 and 15, rounded, to 33
    assert caliper.coverage_factor == pytest.approx(1.83, abs=0.006)
    assert round(caliper.expanded, -1) == 60


BLOCK = (
    Contribution.normal("standard thermometer", 15.0),
    Contribution.normal("its resistance", 10.0),
    Contribution.bounded("its drift", 40.0),
    Contribution.bounded("resolution of the block's own thermometer", 50.0),
    Contribution.bounded("radial inhomogeneity", 100.0),
    Contribution.bounded("axial inhomogeneity", 250.0),
    Contribution.bounded("hysteresis", 50.0),
    Contribution.bounded("stability", 30.0),
)
"""EA-4/02 S11, the temperature block calibrator at 180 °C, mK (from memory)."""


def test_coverage_factor_of_one_rectangle_among_eight_parts():
    """EA-4/02 S11 as printed (from memory): u 164 mK, U 300 mK with k 1.81 (a trapezoid of edge parameter 0.43), never k = 2.

    The whole sum, worked out by four million trials with another generator (NumPy), has k 1.832 for 95 % and 1.858 for 95.45 %.
    """
    block = budget(*BLOCK, unit="mK", coverage=0.95)
    assert round(block.standard) == 164
    assert block.coverage_factor == pytest.approx(1.81, abs=0.03)
    assert block.coverage_factor == pytest.approx(1.832, abs=0.004)
    assert round(block.expanded, -1) == 300
    about_95 = budget(*BLOCK, unit="mK")
    assert about_95.coverage_factor == pytest.approx(1.858, abs=0.004)


def test_three_equal_rectangles_are_nearly_normal():
    """No part dominates where none outweighs the others together: k is 2 (EA-4/02, 5.7: three comparable parts or more)."""
    three = budget(*(Contribution.bounded(name, 1.0) for name in ("one", "two", "three")), coverage=0.9545)
    assert three.coverage_factor == pytest.approx(2.0, abs=0.001)


def test_budget_without_uncertainty():
    """A budget that is empty or all zero has no uncertainty and does not stumble."""
    for parts in ((), (Contribution.bounded("exact", 0.0),)):
        exact = budget(*parts)
        assert (exact.standard, exact.expanded) == (0.0, 0.0)
        assert exact.effective_dof == math.inf


def test_full_correlation_adds_or_cancels():
    """Fully correlated parts add like lengths, and of opposite sign they cancel (GUM 5.2.2)."""
    one, two = Contribution.normal("one", 3.0), Contribution.normal("two", 4.0)
    assert budget(one, two).standard == 5.0
    assert budget(one, two, correlations=(("one", "two", 1.0),)).standard == pytest.approx(7.0)
    assert budget(one, two, correlations=(("one", "two", -1.0),)).standard == pytest.approx(1.0)
    same = dataclasses.replace(one, source="two", coefficient=-1.0)
    assert budget(one, same, correlations=(("one", "two", 1.0),)).standard == pytest.approx(0.0, abs=1e-7)


def test_effective_dof_below_two_is_not_truncated_to_nothing():
    """At 1 degree of freedom k is 13.97 (table G.2); below 1 it grows further and stays finite."""
    assert budget(Contribution.normal("only", 1.0, dof=1.9)).coverage_factor == pytest.approx(13.97, abs=0.01)
    assert 13.97 < budget(Contribution.normal("only", 1.0, dof=0.9)).coverage_factor < 1e3


def test_correlated_contributions_take_the_fewest_degrees_of_freedom():
    """Correlated contributions count as one component with the fewer degrees of freedom, on the safe side."""
    parts = (Contribution.normal("one", 3.0, dof=5), Contribution.normal("two", 4.0, dof=50))
    assert budget(*parts, correlations=(("one", "two", 0.5),)).effective_dof == pytest.approx(5.0)


@pytest.mark.parametrize("dof", [3, 7, 49, 103])
def test_whole_degrees_of_freedom_survive(dof):
    """A whole number of degrees of freedom is not truncated to the one below by rounding in the machine."""
    only = budget(Contribution.normal("only", 0.1, dof=dof))
    assert only.coverage_factor == pytest.approx(student_factor(0.9545, dof))
    assert gum_factor(0.9545, math.nextafter(dof, 0)) == student_factor(0.9545, dof)


def test_slopes_of_a_model_are_found():
    """The sensitivity coefficients of a model are its partial derivatives, here of V^2/R (GUM 5.1.3)."""
    power = Budget.of_model(
        "power",
        "W",
        lambda x: x["V"] ** 2 / x["R"],
        [
            Contribution.normal("V", 0.01, value=14.14),
            Contribution.normal("R", 0.5, value=50.0),
            Contribution.normal("exact", 0.0),
        ],
    )
    slopes = [part.coefficient for part in power.contributions]
    assert slopes == pytest.approx([2 * 14.14 / 50, -(14.14**2) / 2500, 0.0], rel=1e-6)


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: Contribution.normal("generator", -0.1), "generator: uncertainty is -0.1"),
        (lambda: Contribution.normal("generator", math.nan), "generator: uncertainty is nan"),
        (lambda: Contribution.normal("generator", math.inf), "generator: uncertainty is inf"),
        (lambda: Contribution.normal("generator", 0.1, dof=0), "generator: degrees of freedom is 0"),
        (lambda: Contribution.normal("generator", 0.1, dof=math.nan), "degrees of freedom is nan"),
        (
            lambda: Contribution.normal("generator", 0.1, coefficient=math.nan),
            "sensitivity coefficient is nan",
        ),
        (lambda: Contribution.normal("generator", 0.1, value=math.inf), "value is inf"),
        (lambda: Contribution.expanded("path", 0.1, 0.0), "path: divisor is 0"),
        (lambda: Contribution.normal(" ", 0.1), "without a name"),
        (lambda: Contribution.bounded("x", 1.0, Shape.NORMAL), "no half-width"),
        (lambda: Contribution.bounded("x", 1.0, Shape.TRAPEZOIDAL, top=1.5), "top to base ratio is 1.5"),
        (lambda: budget(value=math.nan), "value is nan"),
        (lambda: budget(coverage=1.0), "coverage is 1.0"),
        (
            lambda: budget(Contribution.normal("a", 1), Contribution.normal("a", 1)),
            "two contributions are",
        ),
    ],
)
def test_bad_numbers_are_named(make, text):
    """A number that cannot be is refused with its source and what is allowed."""
    with pytest.raises(ValueError, match=text):
        make()


@pytest.mark.parametrize(
    ("correlations", "text"),
    [
        ((("a", "d", 0.5),), "correlation with 'd', which is no contribution; there are a, b, c"),
        ((("a", "b", 1.5),), "is 1.5; -1 to 1"),
        ((("a", "b", math.nan),), "is nan"),
        ((("a", "a", 0.5),), "with themselves"),
        ((("a", "b", 0.5), ("b", "a", 0.4)), "correlated twice"),
        ((("a", "b", 0.9), ("b", "c", 0.9), ("a", "c", -0.9)), "not positive semidefinite"),
    ],
)
def test_bad_correlations_are_named(correlations, text):
    """Correlations that cannot be, alone or together, are refused with the sources they name."""
    parts = [Contribution.normal(name, 1.0) for name in "abc"]
    with pytest.raises(ValueError, match=text):
        budget(*parts, correlations=correlations)


def test_an_exact_result_has_no_correlation():
    """A result without uncertainty is refused where a correlation is asked for."""
    with pytest.raises(ValueError, match="exact result"):
        correlation(budget(), budget(Contribution.normal("a", 1.0)))


@given(st.lists(sizes, min_size=1, max_size=6), st.floats(1e-3, 1e3))
def test_uncertainty_scales_with_the_unit(numbers, scale):
    """Changing the unit scales u and U and leaves factor and degrees of freedom alone."""
    parts = [Contribution.normal(str(i), x, dof=i + 3) for i, x in enumerate(numbers)]
    ours = budget(*parts)
    scaled = budget(*(dataclasses.replace(part, coefficient=scale) for part in parts))
    assert scaled.standard == pytest.approx(ours.standard * scale, rel=1e-9)
    assert scaled.effective_dof == pytest.approx(ours.effective_dof, rel=1e-9)


@given(st.lists(sizes, min_size=1, max_size=6))
def test_combined_uncertainty_lies_between_largest_and_sum(numbers):
    """Without correlation u_c is at least the largest part and at most their sum."""
    whole = budget(*(Contribution.normal(str(i), x) for i, x in enumerate(numbers)))
    assert max(numbers) * (1 - 1e-12) <= whole.standard <= sum(numbers) * (1 + 1e-12)


@given(st.lists(st.tuples(sizes, st.integers(1, 200)), min_size=1, max_size=6))
def test_effective_dof_lies_between_the_fewest_and_the_sum(parts):
    """Welch-Satterthwaite gives at least the fewest degrees of freedom and at most their sum (GUM G.4.1)."""
    whole = budget(*(Contribution.normal(str(i), u, dof=dof) for i, (u, dof) in enumerate(parts)))
    dofs = [dof for _, dof in parts]
    assert min(dofs) * (1 - 1e-9) <= whole.effective_dof <= sum(dofs) * (1 + 1e-9)
