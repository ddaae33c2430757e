"""The units that a profile may name, against the engine's own conversions and figures of the trade."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.profiled.commands import ROLE_COMMANDS
from drivers.profiled.conversion import CONVERSIONS, SWITCH, conversion, units_for
from sequencer.units import convert

ENGINE = {
    "dBuV": convert.dbuv_pd_from_dbm,
    "V": convert.v_pd_from_dbm,
    "uV": convert.uv_pd_from_dbm,
    "V emf": convert.v_emf_from_dbm,
    "uV emf": convert.uv_emf_from_dbm,
    "W": convert.w_from_dbm,
}


@pytest.mark.parametrize("unit", ENGINE)
@given(level_dbm=st.floats(-140.0, 50.0))
def test_levels_are_what_the_engine_makes_of_them(unit: str, level_dbm: float) -> None:
    """Both ways, for every unit of a level that the engine converts as well; the two share no formula's text."""
    to = conversion("dBm", unit)
    assert to.to_theirs(level_dbm) == pytest.approx(ENGINE[unit](level_dbm), rel=1e-9)
    assert to.to_ours(ENGINE[unit](level_dbm)) == pytest.approx(level_dbm, abs=1e-6)


@pytest.mark.parametrize(
    ("ours", "unit", "number", "theirs"),
    [
        ("dBm", "dBuV", 0.0, 106.99),  # 0 dBm in 50 ohm: handbooks' tables, from memory
        ("dBm", "dBuV emf", -113.0, 0.01),  # 1 uV emf is -113 dBm
        ("dBm", "uV", -107.0, 0.9988),  # 1 uV pd is -107 dBm
        ("dBm", "mV", 0.0, 223.607),
        ("dBm", "mW", 10.0, 10.0),
        ("V", "dBu", 0.774597, 0.0),  # 0 dBu: 1 mW in 600 ohm, 0.775 V: ITU-T, from memory
        ("V", "dBV", 0.1, -20.0),
        ("percent", "dB", 10.0, -20.0),  # distortion of 10 % lies 20 dB down
        ("percent", "ratio", 30.0, 0.3),
        ("dB", "ratio", 12.0, 3.98107),
        ("Hz", "MHz", 27.205e6, 27.205),
        ("s", "ms", 0.25, 250.0),
        ("A", "mA", 0.045, 45.0),
    ],
)
def test_figures_of_the_trade(ours: str, unit: str, number: float, theirs: float) -> None:
    """Figures that handbooks print (from memory) come out."""
    assert conversion(ours, unit).to_theirs(number) == pytest.approx(theirs, rel=2e-4, abs=0.02)
    assert conversion(ours, unit).to_ours(theirs) == pytest.approx(number, rel=1e-3, abs=0.02)


@given(number=st.floats(1e-3, 1e3))
def test_every_unit_goes_there_and_back(number: float) -> None:
    """No unit loses a number that it can express."""
    for units in CONVERSIONS.values():
        for one in units.values():
            assert one.to_ours(one.to_theirs(number)) == pytest.approx(number, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("unit", ["V", "uV emf", "W"])
@pytest.mark.parametrize("number", [0.0, -1e-9])
def test_nothing_has_no_level_in_db(unit: str, number: float) -> None:
    """0 V and a meter's noise below 0 W have no image in dBm, and are no number."""
    with pytest.raises(ValueError, match="dB"):
        conversion("dBm", unit).to_ours(number)


def test_every_number_of_a_role_has_a_unit_that_can_be_named() -> None:
    """What is measured or set as a quantity has its own unit among those that a profile may name."""
    for commands in ROLE_COMMANDS.values():
        for spec in commands.values():
            if spec.unit and spec.unit != SWITCH:
                assert spec.unit in units_for(spec.unit)
                assert math.isclose(conversion(spec.unit, spec.unit).to_theirs(3.0), 3.0)
