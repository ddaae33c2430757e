"""How a simulated transmitter comes up and goes: its closed forms against each other and against published figures of loops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim.clock import VirtualClock
from sim.radio.keying import Keying
from sim.radio.simulated_unit import SimulatedUnit
from sim.radio.unit import Specimen

NEVER = -1.0


def test_the_loop_settles_as_a_second_order_loop_with_two_integrators_does() -> None:
    """20 kHz, 200 Hz, damping root of a half: 600 Hz for good after 3.72 ms, undershoot -4158 Hz (by scipy)."""
    law = Keying(delay_s=0.0, step_hz=20e3, loop_hz=200.0)
    time_s = np.arange(0.0, 0.02, 1e-6)
    off_hz = np.array([law.frequency_hz(one, 0.0) for one in time_s])
    assert time_s[np.abs(off_hz) > 600.0].max() == pytest.approx(3.72e-3, abs=1e-5)
    assert off_hz.min() == pytest.approx(-4158.0, abs=1.0)


def test_the_phase_is_the_integral_of_the_frequency() -> None:
    """Differences of the phase give the frequency back, on both sides of a release."""
    law = Keying(delay_s=0.002, step_hz=5e3, loop_hz=150.0, pulled_hz=8e3, pulling_s=3e-3)
    time_s = np.arange(0.0, 0.05, 1e-6)
    released_s = np.maximum(time_s - 0.04, 0.0)
    found_hz = np.gradient(law.phase(time_s, released_s), time_s) / (2.0 * np.pi)
    wanted_hz = [law.frequency_hz(*at) for at in zip(time_s, released_s, strict=True)]
    assert np.abs(found_hz - wanted_hz)[time_s > 0.002 + 2e-6][:-1].max() < 1.0


def test_the_amplitude_rises_creeps_and_falls() -> None:
    """Nothing before the delay, half at half the rise, 6 dB short behind it, and gone after hold and fall."""
    law = Keying(delay_s=0.005, rise_s=0.004, short_db=6.0, creep_s=0.01, hold_s=0.001, fall_s=0.002)
    pressed_s = np.array([0.004, 0.007, 0.009, 0.1, 0.1, 0.1])
    released_s = np.array([NEVER, NEVER, NEVER, NEVER, 0.0, 0.0035])
    short = 10.0 ** (-6.0 / 20.0)
    assert law.amplitude(pressed_s, released_s) == pytest.approx(
        [0.0, 0.5 * short, short, 1.0, 1.0, 0.0], abs=1e-3
    )


def unit_of(keying: Keying | None) -> tuple[SimulatedUnit, VirtualClock]:
    """Return a fed unit and its clock."""
    clock = VirtualClock()
    unit = SimulatedUnit(replace(Specimen(serial="M40-0001"), keying=keying), clock, np.random.default_rng(1))
    unit.set_supply_v(13.2)
    return unit, clock


def wave_of(unit: SimulatedUnit, clock: VirtualClock, begin_s: float) -> np.ndarray:
    """Return what left the unit from ``begin_s`` until now, at 100 kHz."""
    count = round((clock.now_s() - begin_s) * 100e3)
    return unit.wave(
        centre_hz=unit.tuned_hz, count=count, rate_hz=100e3, begin_s=begin_s, rng=np.random.default_rng(2)
    )


def test_a_recording_over_press_and_release_holds_both() -> None:
    """20 ms of silence, the carrier from 5 ms after PTT, and silence again 3 ms after its release; steady it has the unit's own power."""
    unit, clock = unit_of(Keying(delay_s=0.005, rise_s=0.001, hold_s=0.001, fall_s=0.002))
    clock.wait_s(0.020)
    unit.key()
    clock.wait_s(0.050)
    power_w = unit.emission().power_w
    unit.unkey()
    clock.wait_s(0.020)
    power = np.abs(wave_of(unit, clock, 0.0)) ** 2
    assert power[:2400].max() == 0.0
    assert power[2700:7000].mean() == pytest.approx(power_w, rel=1e-3)
    assert power[7350:].max() == 0.0


def test_a_line_that_closes_late_brings_the_carrier_as_much_later() -> None:
    """What works push-to-talk takes 4 ms: the carrier of a unit that comes up at once is there 4 ms after the order."""
    unit, clock = unit_of(None)
    unit.line_late_s = 0.004
    clock.wait_s(0.010)
    unit.key()
    clock.wait_s(0.010)
    power = np.abs(wave_of(unit, clock, 0.0)) ** 2
    assert np.flatnonzero(power > 0.0)[0] == pytest.approx(1400, abs=1)


def test_a_unit_without_keying_stands_at_once() -> None:
    """As every specimen did that does not state it; one that states it sends nothing at the press itself."""
    plain, _ = unit_of(None)
    plain.key()
    assert plain.emission() is not None
    stated, clock = unit_of(Keying(delay_s=0.005))
    stated.key()
    assert stated.emission() is None
    clock.wait_s(0.1)
    assert stated.emission().power_w == pytest.approx(3.8, rel=0.01)


@pytest.mark.parametrize("wrong", [{"rise_s": 0.0}, {"delay_s": -1.0}, {"short_db": 31.0}, {"loop_hz": 0.0}])
def test_what_no_transmitter_does_is_refused(wrong: dict[str, float]) -> None:
    """A rise of no time, a carrier before PTT, a power short by more than 30 dB, a loop of no frequency."""
    with pytest.raises(ValueError, match=next(iter(wrong))):
        Keying(**wrong)
