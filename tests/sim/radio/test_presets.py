"""The presets of simulated units: what turning and storing does, and what it cannot do."""

from __future__ import annotations

from math import log10

import numpy as np
import pytest

from sim.clock import VirtualClock
from sim.radio.preset_effects import as_adjusted
from sim.radio.presets import Preset, Presets, Trimmer
from sim.radio.simulated_unit import SimulatedUnit
from sim.radio.unit import Specimen
from sim.radio.unit_modes import SsbMode
from sim.rf_signal import RfSignal


def live(**presets: Preset) -> SimulatedUnit:
    """Return a unit with these presets, fed and on channel 20."""
    unit = SimulatedUnit(Specimen(serial="T-1", presets=presets), VirtualClock(), np.random.default_rng(1))
    unit.set_supply_v(13.2)
    unit.set_channel(20)
    return unit


def power_w(unit: SimulatedUnit) -> float:
    """Return the power of a key-down that takes no time."""
    unit.key()
    emission = unit.emission()
    unit.unkey()
    assert emission is not None
    return emission.power_w


def test_power_goes_by_its_span() -> None:
    """A quarter of the travel of 8 dB is 2 dB, by the definition of the decibel."""
    unit = live(power=Preset(acts_on="power", position=0.5, right=0.5, span_db=8.0))
    before_w = power_w(unit)
    unit.turn_preset("power", 0.25)
    assert 10.0 * log10(power_w(unit) / before_w) == pytest.approx(2.0, abs=0.01)


def test_backlash_loses_the_first_part_of_a_change_of_direction() -> None:
    """Turned back by less than the slack, the wiper stays; by more, it follows with what is left (the play operator)."""
    trimmer = Trimmer(Preset(acts_on="power", position=0.5, backlash=0.1))
    trimmer.turn(0.15)
    assert trimmer.position == pytest.approx(0.6)
    trimmer.turn(-0.09)
    assert trimmer.position == pytest.approx(0.6)
    trimmer.turn(-0.06)
    assert trimmer.position == pytest.approx(0.55)


def test_stops_at_its_end_and_comes_back() -> None:
    """Ten turns beyond the stop do nothing, and one step back moves at once."""
    trimmer = Trimmer(Preset(acts_on="power", position=0.5))
    trimmer.turn(10.0)
    assert trimmer.position == 1.0
    trimmer.turn(-0.1)
    assert trimmer.position == pytest.approx(0.9)


def test_reversed_lowers_clockwise_and_dead_does_nothing() -> None:
    """A screw that works the other way lowers; a dead one changes nothing."""
    for preset, sign in (
        (Preset(acts_on="power", reversed=True), -1),
        (Preset(acts_on="power", curve="dead"), 0),
    ):
        unit = live(power=preset)
        before_w = power_w(unit)
        unit.turn_preset("power", 0.2)
        assert np.sign(round(power_w(unit) - before_w, 6)) == sign


def test_interaction_takes_another_quantity_with_it() -> None:
    """Power turned by 4 dB moves the deviation by its tenth, 0.4 dB."""
    specimen = Specimen(
        serial="T-1", presets={"power": Preset(acts_on="power", span_db=8.0, also={"deviation": 0.1})}
    )
    swing_hz = as_adjusted(specimen, {"power": 1.0}).transmitter.max_deviation_hz
    assert 20.0 * log10(swing_hz / specimen.transmitter.max_deviation_hz) == pytest.approx(0.4, abs=0.01)


def test_tuned_circuit_has_one_peak_and_falls_3_db_at_its_width() -> None:
    """The noise figure is lowest where the input is tuned, and 3 dB worse where 1/(1 + x²) is one half."""
    specimen = Specimen(serial="T-1", presets={"input": Preset(acts_on="front_end", span_db=30.0)})
    figures = [
        as_adjusted(specimen, {"input": place}).receiver.noise_figure_db for place in (0.38, 0.5, 0.62)
    ]
    assert figures[0] - figures[1] == pytest.approx(3.01, abs=0.01)
    assert figures[2] - figures[1] == pytest.approx(3.01, abs=0.01)


def test_a_discriminator_bends_with_the_distance_from_its_middle() -> None:
    """A tenth of the travel of 40 % adds 4 % to the 1.5 % that stay, in power (rms of harmonics): 4.27 %. At the middle nothing."""
    specimen = Specimen(serial="T-1", presets={"coil": Preset(acts_on="discriminator", span_percent=40.0)})
    distorted = [
        as_adjusted(specimen, {"coil": place}).receiver.distortion_percent for place in (0.4, 0.5, 0.6)
    ]
    assert distorted == [pytest.approx(4.272, abs=1e-3), 1.5, pytest.approx(4.272, abs=1e-3)]


def test_balance_leaks_away_from_its_null_above_a_floor() -> None:
    """A balance a hundredth of its travel off leaks 40 dB down (20 lg 0.01), with the null's own leak on top in power."""
    specimen = Specimen(
        serial="T-1",
        modes=("FM", "USB"),
        ssb=SsbMode(),
        presets={"balance": Preset(acts_on="carrier_balance", position=0.51)},
    )
    adjusted = as_adjusted(specimen, {"balance": 0.51}).ssb
    assert adjusted is not None
    assert adjusted.transmitter.carrier_suppression_db == pytest.approx(-10.0 * log10(1e-4 + 1e-5), abs=0.01)
    at_null = as_adjusted(specimen, {"balance": 0.5}).ssb
    assert at_null is not None
    assert at_null.transmitter.carrier_suppression_db == 50.0


def test_meter_moves_under_a_signal_that_stands() -> None:
    """The line follows a turned meter preset with its own lag, with no other signal."""
    unit = live(meter=Preset(acts_on="s_meter", span_db=24.0))
    clock = unit._clock
    unit.apply_rf(RfSignal(level_dbm=-73.6, frequency_hz=27.205e6))
    clock.wait_s(5.0)  # type: ignore[attr-defined]
    before_v = unit.meter_volts(1.0)
    unit.turn_preset("meter", -0.25)
    clock.wait_s(5.0)  # type: ignore[attr-defined]
    # 6 dB below S9 is one S-unit (IARU R.1), 0.25 V of this unit
    assert unit.meter_volts(1.0) - before_v == pytest.approx(-0.25, abs=0.03)


def test_stored_setting_is_read_back_and_refused_outside_its_range() -> None:
    """A stored setting reads back what was stored; another name or a value outside is refused in words."""
    presets = Presets({"bias": Preset(acts_on="bias", kind="stored", position=0.5)})
    presets.store("bias", 200)
    assert presets.stored("bias") == 200
    with pytest.raises(ValueError, match="it takes 0 to 255"):
        presets.store("bias", 256)
    with pytest.raises(ValueError, match="this unit stores bias"):
        presets.stored("gain")
