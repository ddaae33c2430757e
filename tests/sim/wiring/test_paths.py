"""Switch and cables."""

from __future__ import annotations

from math import log10

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.clock import VirtualClock
from sim.radio.transmitter import Emission
from sim.rf_signal import RfSignal
from sim.wiring.paths import PathLosses, Paths, interpolate_db

LOSSES = PathLosses(receive_db={27e6: 0.42, 28e6: 0.43}, transmit_db={27e6: 30.0})
SIGNAL = RfSignal(level_dbm=-100.0, frequency_hz=27e6)


def emission(power_w: float) -> Emission:
    """Return a plain carrier of ``power_w`` on 27 MHz."""
    return Emission(
        power_w=power_w,
        frequency_hz=27e6,
        deviation_positive_hz=0.0,
        deviation_negative_hz=0.0,
        tone_hz=0.0,
        distortion_percent=0.0,
        residual_deviation_hz=0.0,
    )


def moved(position: str, losses: PathLosses = LOSSES) -> Paths:
    """Return paths whose switch has arrived at ``position``."""
    clock = VirtualClock()
    paths = Paths(losses, clock)
    paths.connect(position)
    clock.wait_s(1.0)
    return paths


def test_loss_on_and_between_and_beyond_the_table() -> None:
    """The table is met at its points, at half the logarithm in between, and held beyond its ends."""
    table = {1e6: 1.0, 100e6: 3.0}
    assert interpolate_db(table, 1e6) == pytest.approx(1.0)
    assert interpolate_db(table, 10e6) == pytest.approx(2.0)
    assert interpolate_db(table, 1e9) == pytest.approx(3.0)
    assert interpolate_db(table, 1e3) == pytest.approx(1.0)


@settings(deadline=None)
@given(frequency_hz=st.floats(1e6, 1e9), a=st.floats(0, 40), b=st.floats(0, 40))
def test_interpolated_loss_stays_between_its_neighbours(frequency_hz: float, a: float, b: float) -> None:
    """No interpolated loss lies outside the losses around it."""
    loss_db = interpolate_db({1e6: a, 1e9: b}, frequency_hz)
    assert min(a, b) - 1e-9 <= loss_db <= max(a, b) + 1e-9


def test_switch_takes_its_time_and_is_open_meanwhile() -> None:
    """After a command the contact is open until the switching time has passed."""
    clock = VirtualClock()
    paths = Paths(LOSSES, clock, switching_s=0.015)
    paths.connect("receive")
    clock.wait_s(0.014)
    assert (paths.position, paths.moving, paths.commanded) == ("open", True, "receive")
    clock.wait_s(0.002)
    assert (paths.position, paths.moving) == ("receive", False)


def test_generator_arrives_less_the_loss() -> None:
    """On the receive path the unit gets the level less the loss; on the other only what leaks."""
    received = moved("receive").at_antenna(SIGNAL)
    leaked = moved("transmit").at_antenna(SIGNAL)
    assert received is not None
    assert leaked is not None
    assert received.level_dbm == pytest.approx(-100.42)
    assert leaked.level_dbm == pytest.approx(-180.42)
    assert moved("receive").at_antenna(None) is None


@pytest.mark.parametrize(("power_w", "meter_dbm"), [(4.0, 6.02), (25.0, 13.98)])
def test_meter_reads_power_less_the_pad(power_w: float, meter_dbm: float) -> None:
    """4 W behind 30 dB is +6.02 dBm, 25 W +13.98 dBm (published: 36.02 and 43.98 dBm)."""
    assert moved("transmit").at_meter_dbm(emission(power_w)) == pytest.approx(meter_dbm, abs=0.01)


def test_transmit_power_into_the_generator() -> None:
    """Keyed on the receive path the power reaches the generator, on the transmit path only leakage."""
    full_dbm = moved("receive").at_generator_dbm(emission(4.0))
    assert full_dbm == pytest.approx(36.02 - 0.42, abs=0.01)
    assert moved("transmit").at_generator_dbm(emission(4.0)) == pytest.approx(36.02 - 0.42 - 80.0, abs=0.01)


def test_truth_differs_from_the_bench_file_as_told() -> None:
    """An error of the path adds to every loss on that path, a ripple stays within its size."""
    wrong = PathLosses(
        receive_db={27e6: 0.4}, transmit_db={27e6: 30.0}, receive_error_db=0.1, transmit_error_db=-0.2
    )
    assert wrong.receive_loss_db(27e6) == pytest.approx(0.5)
    assert wrong.transmit_loss_db(27e6) == pytest.approx(29.8)
    ripple_db = 20 * log10(1 + 0.2 * 0.1304)  # VSWR 1.5 and 1.3 (published reflection coefficients)
    rippled = PathLosses(receive_db={27e6: 0.4}, transmit_db={27e6: 30.0}, ripple_db=ripple_db)
    losses = [rippled.receive_loss_db(26e6 + 1e4 * step) for step in range(200)]
    assert max(losses) - min(losses) == pytest.approx(2 * ripple_db, rel=0.01)


def test_bad_positions_and_tables_are_refused() -> None:
    """An unknown position and a table that says nothing are refused, with what is allowed."""
    with pytest.raises(ValueError, match="receive, transmit, check, open"):
        moved("generator")
    with pytest.raises(ValueError, match="transmit_db"):
        PathLosses(receive_db={27e6: 0.4}, transmit_db={})


def test_on_check_the_generator_reaches_the_meter_and_no_unit() -> None:
    """What arrives at the meter is the generator's level less the check path's loss; at the unit's connector there is leakage only.

    A worse cable of the generator counts on the receive path and on this one, one of the meter on the transmit path and on this.
    """
    clock = VirtualClock()
    losses = PathLosses(
        receive_db={27e6: 0.4},
        transmit_db={27e6: 30.0},
        check_db={27e6: 0.8},
        generator_cable_db=1.0,
        meter_cable_db=0.25,
    )
    paths = Paths(losses, clock)
    signal = RfSignal(level_dbm=-10.0, frequency_hz=27e6)
    paths.connect("check")
    assert paths.generator_at_meter_dbm(signal) is None  # the contact moves
    clock.wait_s(0.1)
    assert paths.generator_at_meter_dbm(signal) == pytest.approx(-10.0 - 0.8 - 1.25)
    leaked = paths.at_antenna(signal)
    assert leaked is not None
    assert leaked.level_dbm == pytest.approx(-10.0 - 1.4 - 80.0)
    assert (losses.receive_loss_db(27e6), losses.transmit_loss_db(27e6)) == pytest.approx((1.4, 30.25))
