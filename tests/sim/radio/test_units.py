"""The specimens on the shelf: each file is read as the engine reads it, and shows the fault it states."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sequencer.files.dataclass_model import read_dataclass
from sim.clock import VirtualClock
from sim.radio.simulated_unit import SimulatedUnit
from sim.radio.transmitter import Emission
from sim.radio.unit import CEPT_FREQUENCIES_HZ, Specimen
from sim.rf_signal import RfSignal

SHELF = Path(__file__).parents[3] / "sim" / "units"
FILES = sorted(SHELF.glob("*.yaml"))


def read(serial: str) -> Specimen:
    """Return the specimen of that serial number."""
    return read_dataclass(SHELF / f"m40-{serial}.yaml", Specimen).model


def live(serial: str) -> tuple[SimulatedUnit, VirtualClock]:
    """Return the unit warmed up on channel 20, knobs confirmed."""
    clock = VirtualClock()
    unit = SimulatedUnit(read(serial), clock, np.random.default_rng(1))
    unit.set_supply_v(13.2)
    unit.set_channel(20)
    unit.confirm_knobs()
    clock.wait_s(1_000.0)
    return unit, clock


def sinad_db(unit: SimulatedUnit, level_dbm: float) -> float:
    """Return the true SINAD on channel 20 with normal test modulation."""
    unit.apply_rf(RfSignal(level_dbm=level_dbm, frequency_hz=27.205e6, fm_deviation_hz=1_200.0))
    return unit.mean_sinad_db()


def keyed(unit: SimulatedUnit, drive_v: float = 0.010) -> Emission:
    """Key with a 1 kHz tone and return the emission."""
    unit.set_microphone(1_000.0, drive_v)
    unit.key()
    emission = unit.emission()
    assert emission is not None
    return emission


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_file_is_read_and_named_after_its_serial(path: Path) -> None:
    """Each file is accepted by the engine's reader, and its name is its serial number."""
    specimen = read_dataclass(path, Specimen).model
    assert path.stem == specimen.serial.lower()
    assert specimen.description


def test_serials_are_unique() -> None:
    """Each specimen has a serial number of its own; that the README names every one is held by its own test."""
    serials = [read_dataclass(path, Specimen).model.serial for path in FILES]
    assert len(set(serials)) == len(FILES) > 40


@pytest.mark.parametrize("serial", ["0007", "0018", "0019"])
def test_sound_units_meet_the_limits(serial: str) -> None:
    """Sound units hear at -119 dBm, stay within 4 W, 2 kHz (MPT 1382) and 0.6 kHz, knobs confirmed."""
    unit, _ = live(serial)
    assert sinad_db(unit, -119.0) > 12.0
    emission = keyed(unit, drive_v=0.1)
    assert 3.0 < emission.power_w <= 4.0
    assert max(emission.deviation_positive_hz, emission.deviation_negative_hz) < 2_000.0
    assert abs(emission.frequency_hz - 27.205e6) < 600.0


def test_sound_needle_shows_s9_within_2_db() -> None:
    """The sound unit's S9 point lies within 2 dB of -73 dBm (IARU R.1)."""
    assert abs(read("0007").meter.s9_dbm + 73.0) < 2.0


def test_deaf_unit() -> None:
    """The deaf unit misses 12 dB SINAD at the limit of -113 dBm by far."""
    unit, _ = live("0011")
    assert sinad_db(unit, -113.0) < 4.0


def test_off_frequency_unit() -> None:
    """The unit off frequency is more than 0.6 kHz away (MPT 1382), yet hears nearly as well."""
    unit, _ = live("0012")
    sound, _ = live("0007")
    assert abs(keyed(unit).frequency_hz - 27.205e6) > 600.0
    unit.unkey()
    assert sinad_db(sound, -110.0) - sinad_db(unit, -110.0) < 1.5


def test_over_deviated_unit() -> None:
    """The over-deviated unit passes 2 kHz (MPT 1382) at 20 dB above normal drive, positive side first."""
    emission = keyed(live("0013")[0], drive_v=0.1)
    assert emission.deviation_positive_hz > emission.deviation_negative_hz > 2_000.0


def test_hot_unit() -> None:
    """The unit that fails hot has full power at once and less than 3 W after 20 s keyed."""
    unit, clock = live("0014")
    assert keyed(unit).power_w == pytest.approx(3.8, rel=0.01)
    clock.wait_s(20.0)
    assert keyed(unit).power_w < 3.0


def test_meter_one_s_unit_out() -> None:
    """At -73 dBm the wrong meter reads one S-unit (0.25 V) less than a true one would."""
    unit, clock = live("0015")
    sinad_db(unit, -73.0)
    clock.wait_s(10.0)
    assert unit.meter_volts(100.0) == pytest.approx(2.0, abs=0.01)


def test_wrong_memory() -> None:
    """Channels 23 to 25 are stored rising; the published plan has 27.255, 27.235, 27.245 MHz."""
    memory = read("0016").memory
    wrong = [n for n in range(1, 41) if memory.channel_frequency_hz(n) != CEPT_FREQUENCIES_HZ[n - 1]]
    assert wrong == [23, 24, 25]
    assert [memory.channel_frequency_hz(n) for n in wrong] == sorted(CEPT_FREQUENCIES_HZ[22:25])


def test_intermittent_unit() -> None:
    """In five minutes of readings some, not most, are far below the rest."""
    unit, clock = live("0017")
    seen = []
    for _ in range(600):
        seen.append(sinad_db(unit, -115.0))
        clock.wait_s(0.5)
    bad = np.mean(np.array(seen) < 6.0)
    assert 0.01 < bad < 0.2


def test_segments_unit() -> None:
    """The bar shows nine segments at -73 dBm and eight at -76 dBm."""
    unit, clock = live("0018")
    volts = []
    for level_dbm in (-76.0, -72.0):
        sinad_db(unit, level_dbm)
        clock.wait_s(20.0)
        volts.append(unit.meter_volts(0.5))
    assert volts == pytest.approx([0.02 + 8 * 0.25, 0.02 + 9 * 0.25])


def test_knobs_left_wrong() -> None:
    """Before its knobs are confirmed the unit with wrong knobs hears nothing at -113 dBm."""
    clock = VirtualClock()
    unit = SimulatedUnit(read("0019"), clock, np.random.default_rng(1))
    unit.set_supply_v(13.2)
    unit.set_channel(20)
    sinad_db(unit, -113.0)
    clock.wait_s(10.0)
    assert unit.sinad_db(1.0) < 1.0
    unit.confirm_knobs()
    clock.wait_s(1.0)
    assert unit.sinad_db(1.0) > 12.0


def _ratio_db(serial: str, offset_hz: float) -> float:
    """Return by how much an interferer may exceed -113 dBm before the true SINAD is below 12 dB, to 1 dB."""
    unit, _ = live(serial)
    wanted = RfSignal(level_dbm=-113.0, frequency_hz=27.205e6, fm_deviation_hz=1_200.0)
    for ratio_db in range(120):
        unit.apply_rf(wanted, RfSignal(level_dbm=-113.0 + ratio_db, frequency_hz=27.205e6 + offset_hz))
        if unit.mean_sinad_db() < 12.0:
            return float(ratio_db)
    raise AssertionError("nothing spoils it")


def test_wide_filter_lets_the_next_channel_in() -> None:
    """The 15 kHz filter costs 40 dB or more on the next channel, and nothing 1 MHz away."""
    assert _ratio_db("0020", 10e3) < _ratio_db("0007", 10e3) - 40.0
    assert _ratio_db("0020", 1e6) == pytest.approx(_ratio_db("0007", 1e6), abs=4.0)


def test_starved_first_stage_overloads_wherever_the_signal_is() -> None:
    """-65 dBm doubles its noise at 10 kHz and 1 MHz alike: both ratios fall, to about the same figure; alone it hears as ever."""
    near_db, far_db = _ratio_db("0021", 10e3), _ratio_db("0021", 1e6)
    assert near_db == pytest.approx(far_db, abs=2.0)
    assert far_db < _ratio_db("0007", 1e6) - 8.0
    assert sinad_db(live("0021")[0], -119.0) == pytest.approx(sinad_db(live("0007")[0], -119.0), abs=0.01)
