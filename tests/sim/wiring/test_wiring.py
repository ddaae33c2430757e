"""The wired bench: signals reach the unit when the contact has arrived, not when somebody looks."""

from __future__ import annotations

import numpy as np
import pytest

from sim.clock import VirtualClock
from sim.radio.simulated_unit import SimulatedUnit
from sim.radio.unit import Specimen
from sim.rf_signal import RfSignal
from sim.wiring.paths import PathLosses, Paths
from sim.wiring.wiring import Wiring
from sim.wiring.witness import Witness, WitnessLimits

STRONG = RfSignal(level_dbm=-70.0, frequency_hz=27.205e6, fm_deviation_hz=1_200.0)


def wired() -> tuple[Wiring, VirtualClock]:
    """Return a wired bench with supply on, channel 20, switch open, generator on."""
    clock = VirtualClock()
    unit = SimulatedUnit(Specimen(serial="T"), clock, np.random.default_rng(1))
    paths = Paths(PathLosses(receive_db={27e6: 0.4}, transmit_db={27e6: 30.0}), clock)
    wiring = Wiring(unit, paths, Witness(WitnessLimits(), clock), clock)
    wiring.set_supply_v(13.2)
    unit.set_channel(20)
    wiring.set_generator(STRONG)
    clock.wait_s(100.0)
    return wiring, clock


def test_meter_settles_from_the_arrival_of_the_contact() -> None:
    """Looked at once, 2 s after the command, the meter has had 1.985 s to rise (exponential, τ 0.25 s)."""
    wiring, clock = wired()
    leaking_v = wiring.meter_volts(1_000.0)
    wiring.connect("receive")
    clock.wait_s(2.0)
    looked_once_v = wiring.meter_volts(0.01)
    assert leaking_v < 0.2
    assert looked_once_v == pytest.approx(2.25 + 0.15 * (73.6 - 70.4) / 10.0, abs=0.15)


def test_audio_has_settled_after_a_single_look() -> None:
    """Half a second after the command the first short reading is the settled one."""
    wiring, clock = wired()
    wiring.connect("receive")
    clock.wait_s(0.5)
    assert wiring.sinad_db(0.02) == pytest.approx(wiring.unit.mean_sinad_db(), abs=1.0)


def test_power_arrives_at_the_meter_on_its_path() -> None:
    """Keyed on the transmit path, 3.8 W (35.80 dBm) arrive 30 dB lower; elsewhere only leakage does."""
    wiring, clock = wired()
    wiring.set_generator(None)
    wiring.connect("transmit")
    clock.wait_s(0.5)
    assert wiring.at_meter_dbm() is None
    wiring.key()
    assert wiring.at_meter_dbm() == pytest.approx(5.80, abs=0.05)
    wiring.unkey()
    assert wiring.emission() is None
    assert wiring.witness.hazards == ()
