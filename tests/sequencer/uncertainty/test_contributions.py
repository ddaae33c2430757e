"""The bench's own contributions, against published mismatch tables, conversions and a worked example."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import (
    DB_PER_RELATIVE_POWER,
    DB_PER_RELATIVE_VOLTAGE,
    TR_100_028_DB_PER_RELATIVE_VOLTAGE,
    connection,
    db_from_relative_power,
    db_from_relative_voltage,
    half_width_db,
    instrument_accuracy,
    mismatch,
    path_loss,
    relative_half_width,
    relative_power_from_db,
    relative_voltage_from_db,
    repeatability,
    resolution,
    search_interval,
)
from sequencer.uncertainty.distributions import Shape
from sequencer.units.convert import reflection_from_vswr


@pytest.mark.parametrize(
    ("one", "two", "gain", "loss", "u"),
    [
        (0.333, 0.333, 0.9134, -1.0209, 0.6818),
        (0.2, 0.2, 0.3407, -0.3546, 0.2460),
        (0.5, 0.1, 0.4238, -0.4455, 0.3074),
        (0.2, 0.091, 0.1567, -0.1595, 0.1119),
    ],
)
def test_mismatch_in_the_form_of_tr_100_028(one, two, gain, loss, u):
    """ETSI TR 100 028: limits in dB, and u = 100 G1 G2 / (sqrt 2 * 11.5) to four printed decimals."""
    assert db_from_relative_voltage(one * two) == pytest.approx(gain, abs=5.1e-5)
    assert db_from_relative_voltage(-one * two) == pytest.approx(loss, abs=5.1e-5)
    part = mismatch("m", one, two, db_per_relative_voltage=TR_100_028_DB_PER_RELATIVE_VOLTAGE)
    assert part.standard == pytest.approx(u, abs=5.1e-5)
    assert part.shape is Shape.U_SHAPED


@pytest.mark.parametrize(
    ("one", "two", "gain", "loss", "u"),
    [
        (1.5, 1.2, 0.157, -0.159, 0.112),
        (1.3, 1.2, 0.102, -0.104, 0.073),
        (1.5, 1.03, 0.026, -0.026, 0.018),
        (1.5, 1.5, 0.341, -0.355, 0.246),
        (2.0, 1.5, 0.561, -0.599, 0.410),
        (2.0, 2.0, 0.915, -1.023, 0.682),
    ],
)
def test_mismatch_of_standing_wave_ratios(one, two, gain, loss, u):
    """A power-sensor manual's VSWR pairs: limits, and the standard uncertainty within its last digit."""
    first, second = reflection_from_vswr(one), reflection_from_vswr(two)
    assert db_from_relative_voltage(first * second) == pytest.approx(gain, abs=5.1e-4)
    assert db_from_relative_voltage(-first * second) == pytest.approx(loss, abs=5.1e-4)
    assert mismatch("m", first, second).standard == pytest.approx(u, abs=6e-4)


@pytest.mark.parametrize(("one", "two", "percent"), [(1.5, 1.2, 3.67), (1.3, 1.2, 2.39), (1.5, 1.03, 0.59)])
def test_mismatch_in_percent_of_power(one, two, percent):
    """The same manual prints the upper limit as a share of the power: 100 ((1 + r1 r2)^2 - 1) %."""
    gain = db_from_relative_voltage(reflection_from_vswr(one) * reflection_from_vswr(two))
    assert 100 * relative_power_from_db(gain) == pytest.approx(percent, abs=5.1e-3)


def test_worked_example_on_a_conducted_path():
    """A public worked example by the rules of TR 100 028: six mismatches come to 1.318 dB.

    Its fifth line prints the network's reflection where its label calls for the analyser's; repeated as
    printed, and once put right (.035 dB, total 1.312 dB).
    """
    equipment, splitter, network, analyser = 0.7, 0.099, 0.333, 0.091
    lines = [
        ("equipment-splitter", equipment, splitter, 1.0, 0.426),
        ("splitter-network", splitter, network, 1.0, 0.203),
        ("network-analyser", network, analyser, 1.0, 0.186),
        ("equipment-network", equipment, network, 0.912**2, 1.192),
        ("splitter-analyser", splitter, network, 0.794**2, 0.128),
        ("equipment-analyser", equipment, analyser, 0.724**2, 0.205),
    ]
    rule = {"db_per_relative_voltage": TR_100_028_DB_PER_RELATIVE_VOLTAGE}
    parts = [mismatch(name, one, two, transmission=t, **rule) for name, one, two, t, _ in lines]
    for part, line in zip(parts, lines, strict=True):
        assert part.standard == pytest.approx(line[4], abs=6e-4)
    total = Budget(quantity="mismatch", unit="dB", value=0.0, contributions=tuple(parts))
    assert total.standard == pytest.approx(1.318, abs=6e-4)
    parts[4] = mismatch("splitter-analyser", splitter, analyser, transmission=0.794**2, **rule)
    assert parts[4].standard == pytest.approx(0.035, abs=6e-4)
    right = Budget(quantity="mismatch", unit="dB", value=0.0, contributions=tuple(parts))
    assert right.standard == pytest.approx(1.312, abs=6e-4)


def test_decibels_and_ratios():
    """Published conversions: 8.68589 and 4.342945 first order, 12.2018 and 25.8925 % exact."""
    assert pytest.approx(8.685890, abs=5.1e-7) == DB_PER_RELATIVE_VOLTAGE
    assert pytest.approx(4.342945, abs=5.1e-7) == DB_PER_RELATIVE_POWER
    assert pytest.approx(11.5129, abs=5.1e-5) == 100 / DB_PER_RELATIVE_VOLTAGE
    assert pytest.approx(23.0259, abs=5.1e-5) == 100 / DB_PER_RELATIVE_POWER
    assert 100 * relative_voltage_from_db(1) == pytest.approx(12.2018, abs=5.1e-5)
    assert 100 * relative_power_from_db(1) == pytest.approx(25.8925, abs=5.1e-5)
    assert 100 * relative_voltage_from_db(0.5) == pytest.approx(5.925, abs=5.1e-4)
    assert 100 * relative_voltage_from_db(-0.5) == pytest.approx(-5.594, abs=5.1e-4)


def test_what_other_results_share_is_said_where_a_contribution_is_made():
    """The bench's own errors are common to its results, the unit's reflection to the unit's, what is read or searched anew to none.

    GUM F.1.2.3: inputs are correlated where the same instrument or standard is used for both.
    """
    made = {
        instrument_accuracy("analyser, linearity", 0.1): "bench",
        path_loss("receive path, loss", 0.1): "bench",
        mismatch("mismatch, generator to unit", 0.1, 0.2): "unit",
        mismatch("mismatch, generator to meter", 0.1, 0.2, common="bench"): "bench",
        repeatability("repeatability", (1.0, 1.1)): "none",
        search_interval("search", 0.3): "none",
        resolution("resolution", 1.0): "none",
        instrument_accuracy("connectors made anew", 0.05, common="none"): "none",
        connection("receive path, connection made anew", 0.03): "run",
    }
    assert [part.common for part in made] == list(made.values())


@pytest.mark.parametrize(
    ("readings", "how", "least"),
    [
        ((1800.0, 1800.0), {"step": 5.0}, 5.0 / math.sqrt(12)),
        ((1800.0, 1800.0), {"step": 1e-9}, 0.18 / math.sqrt(12)),
        ((-30.0, -30.0, -30.0), {"unit": "dB"}, 0.001 / math.sqrt(12)),
        ((0.35, 0.35), {"step": 0.001}, 0.001 / math.sqrt(12)),
    ],
)
def test_readings_alike_to_the_last_digit_are_no_surer_than_that_digit(readings, how, least):
    """A standard uncertainty of 0.29 of the step (GUM F.2.2.1), however many zeros fill the answer; what scatters more counts as it is."""
    assert repeatability("readings", readings, **how).standard == pytest.approx(least)
    scattered = repeatability("readings", (readings[0] + 100.0, *readings), **how)
    assert scattered.standard == pytest.approx(
        100.0 / math.sqrt(len(readings) + 1) / math.sqrt(len(readings) + 1), rel=1e-6
    )


def test_a_contribution_common_to_something_unknown_is_refused():
    """A slip in the word would let an error cancel, or not, without anybody seeing it."""
    with pytest.raises(ValueError, match="common is 'benches'; it must be one of none, bench, unit, run"):
        instrument_accuracy("generator", 0.5, common="benches")


@given(st.floats(-60, 200))
def test_decibels_round_trip(db):
    """Decibels to a ratio and back is the same, for voltages and powers."""
    assert db_from_relative_power(relative_power_from_db(db)) == pytest.approx(db, rel=1e-6, abs=1e-9)
    assert db_from_relative_voltage(relative_voltage_from_db(db)) == pytest.approx(db, rel=1e-6, abs=1e-9)


@given(st.floats(0, 0.9), st.booleans())
def test_half_widths_cover_both_sides(relative, of_power):
    """A half-width taken to dB covers both unequal sides, and is first-order right when small."""
    there = half_width_db(relative, of_power=of_power)
    per_unit = DB_PER_RELATIVE_POWER if of_power else DB_PER_RELATIVE_VOLTAGE
    assert there >= per_unit * math.log1p(relative) - 1e-12
    assert there >= -per_unit * math.log1p(-relative) - 1e-12
    assert relative_half_width(there, of_power=of_power) >= relative - 1e-12
    assert half_width_db(1e-6, of_power=of_power) == pytest.approx(per_unit * 1e-6, rel=1e-5)


def test_the_usual_contributions():
    """Accuracy and resolution are rectangular, a path loss is stated with k = 2, a search at 95 %."""
    assert instrument_accuracy("a", 0.5).standard == pytest.approx(0.5 / math.sqrt(3))
    assert resolution("r", 0.1).standard == pytest.approx(0.1 / math.sqrt(12))
    assert path_loss("p", 0.1).standard == pytest.approx(0.05)
    assert search_interval("s", 0.5).standard == pytest.approx(0.5 / 1.959964, rel=1e-6)
    four = search_interval("s", 0.5, dof=4)  # 2.776: any t table
    assert four.standard == pytest.approx(0.5 / 2.776, rel=3e-4)
    assert four.dof == 4


def test_sensitivity_brings_a_reading_to_the_level():
    """A reading reaches the level through the slope: .2 dB of SINAD at 2 dB/dB is .1 dB of level."""
    part = search_interval("reading", 0.2 * 1.959964, coefficient=1 / 2)
    assert part.amount == pytest.approx(0.1, rel=1e-6)


def test_repeatability_of_ea_4_02():
    """EA-4/02 S7: its four readings have mean 30.04025, s .018264, u .0091321, 3 degrees of freedom."""
    part = repeatability("readings", (30.033, 30.058, 30.018, 30.052))
    assert part.value == pytest.approx(30.04025)
    assert part.standard == pytest.approx(0.0091321, abs=5.1e-8)
    assert part.dof == 3


def test_repeatability_loses_no_digits():
    """NIST StRD NumAcc4 (certified mean 10000000.2, sd .1): relative error of the sd below 1e-8."""
    readings = [10000000.2] + [10000000.1, 10000000.3] * 500
    part = repeatability("NumAcc4", readings)
    assert part.value == pytest.approx(10000000.2, rel=1e-15)
    assert part.standard * math.sqrt(1001) == pytest.approx(0.1, rel=1e-8)


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=20), st.floats(-1e3, 1e3))
def test_repeatability_is_free_of_the_zero(readings, offset):
    """Moving all readings moves the mean and leaves the standard uncertainty, where they are not the same to the last digit."""
    assume(max(readings) - min(readings) > 1e-6)
    one, moved = repeatability("a", readings), repeatability("a", [x + offset for x in readings])
    assert moved.value == pytest.approx(one.value + offset, abs=1e-9)
    assert moved.standard == pytest.approx(one.standard, abs=1e-9)
    assert one.standard**2 * len(readings) == pytest.approx(statistics.variance(readings), abs=1e-9)


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: repeatability("power", [1.0]), "power: 1 reading"),
        (lambda: repeatability("power", [1.0, math.nan]), "power: a reading is not"),
        (lambda: mismatch("input", 1.0, 0.2), "input: reflection coefficient is 1.0"),
        (lambda: mismatch("input", 0.2, math.nan), "input: reflection coefficient is nan"),
        (lambda: mismatch("input", 0.2, 0.2, transmission=30.0), "input: transmission is 30.0"),
        (lambda: db_from_relative_power(-1.0), "relative change is -1.0"),
        (lambda: half_width_db(1.0, of_power=True), "relative half-width is 1.0"),
        (lambda: relative_half_width(-1.0, of_power=True), "half-width is -1.0 dB"),
        (lambda: search_interval("search", 0.1, dof=0), "degrees of freedom 0"),
        (lambda: resolution("display", -0.1), "display: uncertainty is -0.05"),
    ],
)
def test_bad_numbers_are_named(make, text):
    """A number that cannot be is refused with what is allowed."""
    with pytest.raises(ValueError, match=text):
        make()
