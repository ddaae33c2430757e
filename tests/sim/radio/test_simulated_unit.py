"""The live unit: controls, knobs, supply, squelch, heat, drift, and one seed for all."""

from __future__ import annotations

from math import exp, log10

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.clock import VirtualClock
from sim.radio.simulated_unit import SimulatedUnit
from sim.radio.unit import Ambient, Dropouts, Knobs, Receiver, Specimen, Squelch, Transmitter
from sim.rf_signal import RfSignal

CHANNEL_20_HZ = 27.205e6


def live(specimen: Specimen | None = None, seed: int = 1) -> tuple[SimulatedUnit, VirtualClock]:
    """Return a unit on channel 20, warmed up, with 13.2 V on it."""
    clock = VirtualClock()
    unit = SimulatedUnit(specimen or Specimen(serial="T"), clock, np.random.default_rng(seed))
    unit.set_supply_v(13.2)
    unit.set_channel(20)
    clock.wait_s(1_000.0)
    return unit, clock


def signal(level_dbm: float, offset_hz: float = 0.0) -> RfSignal:
    """Return normal test modulation (1 kHz, 1.2 kHz deviation) on channel 20."""
    return RfSignal(level_dbm=level_dbm, frequency_hz=CHANNEL_20_HZ + offset_hz, fm_deviation_hz=1_200.0)


def crossing_dbm(unit: SimulatedUnit, target_db: float = 12.0) -> float:
    """Return, by halving on the truth, the level at which SINAD meets the target."""
    low, high = -140.0, -40.0
    for _ in range(40):
        middle = (low + high) / 2
        unit.apply_rf(signal(middle))
        low, high = (middle, high) if unit.mean_sinad_db() < target_db else (low, middle)
    return high


def test_sound_unit_meets_its_class() -> None:
    """12 dB SINAD lies between -121 and -119 dBm pd, 3.8 W within 4 W, frequency within 1 ppm."""
    unit, _ = live()
    assert -121.0 < crossing_dbm(unit) < -119.0
    unit.key()
    emission = unit.emission()
    assert emission is not None
    assert 3.7 < emission.power_w < 4.0
    assert abs(emission.frequency_hz / CHANNEL_20_HZ - 1) < 1e-6


@settings(deadline=None)
@given(noise_figure_db=st.floats(3, 30))
def test_crossing_moves_with_the_noise_figure(noise_figure_db: float) -> None:
    """Each dB of noise figure moves the sensitivity by one dB (floor = -174 + 10·log B + NF)."""
    reference, _ = live(Specimen(serial="T", receiver=Receiver(noise_figure_db=6.0)))
    other, _ = live(Specimen(serial="T", receiver=Receiver(noise_figure_db=noise_figure_db)))
    assert crossing_dbm(other) - crossing_dbm(reference) == pytest.approx(noise_figure_db - 6.0, abs=1e-3)


@settings(deadline=None)
@given(level_dbm=st.floats(-135, -20), step_db=st.floats(0.1, 30))
def test_sinad_and_meter_rise_with_level(level_dbm: float, step_db: float) -> None:
    """A sound unit's SINAD and meter never fall when the generator is turned up."""
    unit, clock = live()
    seen = []
    for level in (level_dbm, level_dbm + step_db):
        unit.apply_rf(signal(level))
        clock.wait_s(30.0)
        seen.append((unit.mean_sinad_db(), unit.meter_volts(1e9)))
    assert seen[1][0] >= seen[0][0] - 1e-9
    assert seen[1][1] >= seen[0][1] - 1e-5


def test_dead_without_supply() -> None:
    """Without supply, or below its minimum, there is no audio, no meter, no emission, no current."""
    unit, clock = live()
    unit.apply_rf(signal(-60.0))
    unit.set_supply_v(8.0)
    unit.key()
    clock.wait_s(60.0)
    assert unit.emission() is None
    assert unit.sinad_db(0.5) < 0.2
    assert unit.audio_level_v(0.5) == 0.0
    assert unit.meter_volts(0.5) == pytest.approx(0.0, abs=1e-6)
    assert unit.supply_current_a() == 0.0
    assert unit.keyed


def test_refusals_name_what_there_is() -> None:
    """A mode or channel that the unit lacks is refused and leaves it where it was."""
    unit, _ = live()
    with pytest.raises(ValueError, match="'AM' refused; this unit has FM"):
        unit.set_mode("AM")
    with pytest.raises(ValueError, match="1 to 40"):
        unit.set_channel(41)
    with pytest.raises(ValueError, match="more than 0 s"):
        unit.sinad_db(0.0)
    assert (unit.mode, unit.channel) == ("FM", 20)


def test_knobs_left_wrong_read_wrong_until_confirmed() -> None:
    """RF gain down costs sensitivity and meter, a closed squelch mutes; after confirming all is well."""
    unit, clock = live(Specimen(serial="T", knobs=Knobs(rf_gain=0.5, squelch=0.8)))
    unit.apply_rf(signal(-100.0))
    clock.wait_s(10.0)
    low_v = unit.meter_volts(10.0)
    assert unit.sinad_db(1.0) < 1.0
    unit.confirm_knobs()
    clock.wait_s(10.0)
    assert unit.sinad_db(1.0) > 25.0
    assert unit.meter_volts(10.0) - low_v == pytest.approx(15.0 / 6.0 * 0.25, abs=0.01)


def test_rf_gain_costs_what_it_says() -> None:
    """RF gain at half of a 30 dB range moves the sensitivity by 15 dB."""
    unit, _ = live()
    full_dbm = crossing_dbm(unit)
    unit.set_knobs(Knobs(rf_gain=0.5))
    assert crossing_dbm(unit) - full_dbm == pytest.approx(15.0, abs=1e-3)


def test_squelch_opens_and_closes_a_hysteresis_apart() -> None:
    """Rising it opens at one level, falling it closes 3 dB lower."""
    squelch = Squelch(opens_dbm=-110.0, hysteresis_db=3.0, jitter_db=0.0)
    unit, clock = live(Specimen(serial="T", squelch=squelch, knobs=Knobs(squelch=0.0501)))
    seen = []
    for level_dbm in (-111.0, -109.0, -112.0, -114.0, -112.0):
        unit.apply_rf(signal(level_dbm))
        clock.wait_s(5.0)
        seen.append(unit.squelch_is_open())
    assert seen == [False, True, True, False, False]


def test_audio_settles_with_its_time_constant() -> None:
    """A reading right after a drop of level still hears the old one; 15 ms·ln(step/0.05) later not."""
    unit, clock = live()
    unit.apply_rf(signal(-90.0))
    clock.wait_s(1.0)
    unit.apply_rf(signal(-125.0))
    early_db = unit.sinad_db(0.01)
    clock.wait_s(0.015 * np.log(35.0 / 0.05))
    late = [unit.sinad_db(1.0) for _ in range(20)]
    assert early_db > 10.0
    assert np.mean(late) == pytest.approx(unit.mean_sinad_db(), abs=0.1)


def test_keying_mutes_the_receiver() -> None:
    """While keyed nothing is heard; the receiver comes back afterwards."""
    unit, clock = live()
    unit.apply_rf(signal(-60.0))
    unit.key()
    clock.wait_s(1.0)
    assert unit.sinad_db(0.5) < 0.2
    unit.unkey()
    clock.wait_s(1.0)
    assert unit.sinad_db(0.5) > 30.0


def test_heats_and_cools_exponentially() -> None:
    """The output stage warms by 1-exp(-t/τ) of its rise while keyed and cools by exp(-t/τ), exactly."""
    unit, clock = live()
    unit.key()
    clock.wait_s(30.0)
    warm_c = 23.0 + 40.0 * (1.0 - exp(-1.0))
    assert unit.temperature_c == pytest.approx(warm_c)
    for _ in range(10):
        unit.emission()
    assert unit.temperature_c == pytest.approx(warm_c)
    unit.unkey()
    clock.wait_s(90.0)
    assert unit.temperature_c == pytest.approx(23.0 + (warm_c - 23.0) * exp(-1.0))


def test_frequency_drifts_as_it_warms() -> None:
    """At switch-on the warm-up error is there in full, after one time constant 1/e of it is left."""
    transmitter = Transmitter(frequency_error_ppm=1.0, warm_up_ppm=-5.0, warm_up_s=100.0)
    clock = VirtualClock()
    unit = SimulatedUnit(Specimen(serial="T", transmitter=transmitter), clock, np.random.default_rng(1))
    unit.set_supply_v(13.2)
    assert unit.frequency_error_ppm == pytest.approx(-4.0)
    clock.wait_s(100.0)
    assert unit.frequency_error_ppm == pytest.approx(1.0 - 5.0 * exp(-1.0))
    warmed = Specimen(serial="T", transmitter=transmitter, ambient=Ambient(warmed_s=1e4))
    assert SimulatedUnit(warmed, clock, np.random.default_rng(1)).frequency_error_ppm == pytest.approx(1.0)


def test_supply_changes_power_and_current() -> None:
    """10.8 V instead of 13.2 V cost 1.74 dB (derived from the square law), and current falls too."""
    unit, _ = live()
    unit.key()
    nominal, nominal_a = unit.emission(), unit.supply_current_a()
    unit.set_supply_v(10.8)
    low, low_a = unit.emission(), unit.supply_current_a()
    assert nominal is not None
    assert low is not None
    assert 10 * log10(nominal.power_w / low.power_w) == pytest.approx(1.743, abs=0.01)
    assert low_a < nominal_a


def test_off_channel_and_detuned_signals() -> None:
    """A signal on the next channel is not heard at -110 dBm; 1 kHz of detuning costs less than 1.5 dB."""
    unit, _ = live()
    unit.apply_rf(signal(-110.0))
    on_db = unit.mean_sinad_db()
    unit.apply_rf(signal(-110.0, offset_hz=10_000.0))
    assert unit.mean_sinad_db() < 0.5
    unit.apply_rf(signal(-110.0, offset_hz=1_000.0))
    assert 0.0 < on_db - unit.mean_sinad_db() < 1.5


def test_interferer_on_the_next_channel() -> None:
    """60 dB more on the next channel leaves 12 dB SINAD (MPT 1382), 80 dB does not.

    The wanted signal 3 dB above the sensitivity level is from memory.
    """
    unit, _ = live()
    level_dbm = crossing_dbm(unit)
    seen = []
    for above_db in (-40.0, 60.0, 80.0):
        unit.apply_rf(signal(level_dbm + 3.0), signal(level_dbm + above_db, offset_hz=10_000.0))
        seen.append(unit.mean_sinad_db())
    assert seen[0] > 14.0
    assert seen[1] > 12.0
    assert seen[2] < 1.0


def test_tone_beside_the_notch_is_distortion() -> None:
    """A SINAD meter tuned to 1 kHz reads a 1.5 kHz tone as residue, practically 0 dB."""
    unit, _ = live()
    unit.apply_rf(
        RfSignal(level_dbm=-60.0, frequency_hz=CHANNEL_20_HZ, fm_deviation_hz=1_200.0, tone_hz=1_500.0)
    )
    assert unit.sinad_db(1.0) < 0.5
    assert unit.sinad_db(1.0, notch_hz=1_500.0) > 25.0


def test_audio_level_follows_the_volume_until_it_clips() -> None:
    """Normal modulation gives 2 V at half volume; full volume gives less than twice that, and distorts."""
    unit, clock = live()
    unit.apply_rf(signal(-60.0))
    clock.wait_s(1.0)
    assert unit.audio_level_v(1.0) == pytest.approx(2.0, rel=0.02)
    clean_db = unit.mean_sinad_db()
    unit.set_knobs(Knobs(volume=1.0))
    assert 3.0 < unit.audio_level_v(1.0) < 4.0
    assert unit.mean_sinad_db() < clean_db - 6.0


def test_quieting_without_modulation() -> None:
    """A strong unmodulated carrier quietens an open receiver by more than 30 dB (FM capture)."""
    unit, clock = live()
    hiss_v = unit.audio_level_v(1.0)
    unit.apply_rf(RfSignal(level_dbm=-70.0, frequency_hz=CHANNEL_20_HZ))
    clock.wait_s(1.0)
    assert 20 * log10(hiss_v / unit.audio_level_v(1.0)) > 30.0


def test_intermittent_unit_fails_on_both_sides() -> None:
    """A joint that is open nearly always takes its loss from receive and transmit."""
    joint = Dropouts(interval_s=1e-6, duration_s=1e9, loss_db=20.0)
    unit, clock = live(Specimen(serial="T", dropouts=joint))
    sound, _ = live()
    assert crossing_dbm(unit) - crossing_dbm(sound) == pytest.approx(20.0, abs=1e-3)
    unit.key()
    emission = unit.emission()
    assert emission is not None
    assert emission.power_w == pytest.approx(0.038, rel=0.01)
    assert clock.now_s() == 1_000.0


def test_one_seed_one_run() -> None:
    """The same seed gives the same readings to the last digit, another seed others."""

    def readings(seed: int) -> list[float]:
        unit, clock = live(seed=seed)
        unit.apply_rf(signal(-118.0))
        clock.wait_s(1.0)
        return [unit.sinad_db(0.1), unit.meter_volts(0.1), unit.audio_level_v(0.1)]

    assert readings(5) == readings(5)
    assert readings(5) != readings(6)
