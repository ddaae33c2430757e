"""The transmitter's laws: power, modulation, limiter, pre-emphasis, current."""

from __future__ import annotations

from math import log10, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.radio import transmitter as fm_transmitter
from sim.radio.speech_path import Tone, common_period
from sim.radio.transmitter import carrier_power_w, microphone_gain, modulation, transmit_current_a
from sim.radio.unit import Transmitter


def test_the_stated_drive_gives_normal_modulation() -> None:
    """Found anew by halving: the drive at 1 kHz that swings 60 % of the limit, behind limiter and filter."""
    low, high = 0.0, 2.0
    period = common_period((Tone(frequency_hz=1_000.0, level_v=1.0),))
    for _ in range(50):
        middle = 0.5 * (low + high)
        too_small = float(fm_transmitter._swing(Transmitter(), period, period.wave((middle,))).max()) < 0.60
        low, high = (middle, high) if too_small else (low, middle)
    assert pytest.approx(high, rel=1e-12) == fm_transmitter._NORMAL_DRIVE


def test_power_follows_the_square_of_the_supply() -> None:
    """Into a fixed load power goes with voltage squared: 10.8 V of 13.2 V leave 66.9 % (derived)."""
    transmitter = Transmitter()
    assert carrier_power_w(transmitter, 10.8, 0.0) == pytest.approx(3.8 * 0.6694, rel=1e-3)
    assert carrier_power_w(transmitter, 8.0, 0.0) == 0.0


def test_heat_takes_the_stated_loss() -> None:
    """Fully hot, 3 dB of hot loss leave half the power (3.01 dB is a factor of 2)."""
    transmitter = Transmitter(hot_loss_db=3.0103)
    assert carrier_power_w(transmitter, 13.2, transmitter.heat_rise_c) == pytest.approx(1.9, rel=1e-4)


@pytest.mark.parametrize(
    ("tone_hz", "relative_db"), [(500, -5.49), (800, -1.83), (1250, 1.87), (2000, 5.88), (3000, 9.37)]
)
def test_preemphasis_is_the_750_us_pole(tone_hz: float, relative_db: float) -> None:
    """Pre-emphasis is the negative of the published single-pole 750 µs table, microphone coupling aside."""
    gain_db = 20.0 * log10(microphone_gain(Transmitter(), tone_hz))
    assert gain_db == pytest.approx(relative_db, abs=0.25)


def test_nominal_drive_gives_60_percent() -> None:
    """At 1 kHz and nominal drive both peaks together are 60 % of the maximum (normal test modulation)."""
    transmitter = Transmitter(asymmetry_percent=4.0)
    swing = modulation(transmitter, 1_000.0, transmitter.microphone_v)
    assert (swing.positive_hz + swing.negative_hz) / 2 == pytest.approx(0.6 * 1_800.0, rel=1e-6)
    assert swing.positive_hz / swing.negative_hz == pytest.approx(1.0408, abs=1e-3)


@settings(deadline=None)
@given(tone_hz=st.floats(300, 3_000), drive_db=st.floats(-40, 40))
def test_limiter_holds_at_any_drive(tone_hz: float, drive_db: float) -> None:
    """No tone at any drive passes the maximum deviation: the limiter and its filter do not overshoot."""
    transmitter = Transmitter(asymmetry_percent=0.0)
    swing = modulation(transmitter, tone_hz, transmitter.microphone_v * 10 ** (drive_db / 20))
    assert swing.positive_hz <= transmitter.max_deviation_hz * (1 + 1e-3)
    assert swing.negative_hz <= transmitter.max_deviation_hz * (1 + 1e-3)


@settings(deadline=None)
@given(tone_hz=st.floats(300, 3_000), drive_db=st.floats(-40, 30), more_db=st.floats(0.1, 20))
def test_more_drive_is_never_less_deviation(tone_hz: float, drive_db: float, more_db: float) -> None:
    """Deviation and distortion never fall as the microphone drive rises."""
    transmitter = Transmitter()
    soft, loud = (
        modulation(transmitter, tone_hz, 0.01 * 10 ** (drive / 20))
        for drive in (drive_db, drive_db + more_db)
    )
    assert loud.positive_hz >= soft.positive_hz - 1e-3
    assert loud.distortion_percent >= soft.distortion_percent - 1e-3


def test_hard_limiting_approaches_a_filtered_square_wave() -> None:
    """Far over-driven at 300 Hz, distortion is a square wave's harmonics through the filter (Fourier series).

    The series 1, 1/3, 1/5, ... is summed with the loss of two equal poles at 4.5 kHz (here in full).
    """
    transmitter = Transmitter(distortion_percent=0.0)
    lines = {n: 1.0 / n / (1 + (n * 300 / 4_500) ** 2) for n in range(1, 128, 2)}
    total = sqrt(sum(line**2 for line in lines.values()))
    expected_percent = 100 * sqrt(sum(line**2 for n, line in lines.items() if n > 1)) / total
    hard = modulation(transmitter, 300.0, 100.0)
    assert hard.distortion_percent == pytest.approx(expected_percent, rel=0.02)


def test_silence_is_silence() -> None:
    """Without drive there is no deviation and no distortion."""
    silent = modulation(Transmitter(), 1_000.0, 0.0)
    assert (silent.positive_hz, silent.negative_hz, silent.distortion_percent) == (0.0, 0.0, 0.0)


def test_current_rises_with_supply() -> None:
    """Keyed the unit draws more than idle, and more from a higher supply."""
    transmitter = Transmitter()
    assert transmitter.idle_a < transmit_current_a(transmitter, 10.8) < transmit_current_a(transmitter, 15.6)
