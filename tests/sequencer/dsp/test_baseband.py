"""Modulation from baseband samples, against Bessel functions and closed-form signals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from sequencer.dsp.baseband import read_am, read_carrier_error_hz, read_fm
from sequencer.dsp.samples import SamplesError

RATE = 48_000
TIMES = np.arange(RATE // 2) / RATE


def sidebands(index, tone_hz):
    """Return an FM signal put together from its Bessel sidebands, not from its phase."""
    return sum(special.jv(n, index) * np.exp(2j * np.pi * n * tone_hz * TIMES) for n in range(-25, 26))


@pytest.mark.parametrize(
    ("deviation_hz", "tone_hz"),
    [
        (1200, 499.00),
        (1500, 623.75),
        (2000, 831.66),
        (2000, 362.31),
        (2000, 231.11),
        (2500, 1039.58),
        (5000, 2079.15),
        (5000, 905.78),
    ],
)
def test_carrier_nulls(deviation_hz, tone_hz):
    """Where the carrier vanishes the deviation is 2.405, 5.520, 8.654 tones (2.5 kHz: 1039 Hz is published)."""
    null = min(special.jn_zeros(0, 5), key=lambda zero: abs(zero - deviation_hz / tone_hz))
    wave = sidebands(null, tone_hz)
    cycles = math.floor(len(wave) * tone_hz / RATE)
    assert abs(wave[: round(cycles * RATE / tone_hz)].mean()) < 2e-3
    reading = read_fm(wave, RATE, tone_hz=tone_hz)
    assert reading.positive_peak_hz == pytest.approx(deviation_hz, rel=5e-4)
    assert reading.negative_peak_hz == pytest.approx(deviation_hz, rel=5e-4)
    assert reading.rms_hz == pytest.approx(deviation_hz / math.sqrt(2), rel=1.5e-4)


@pytest.mark.parametrize("index", [0.5, 1, 1.2, 2, 3, 5])
def test_deviation_of_tabled_spectra(index):
    """A signal with the sidebands of a Bessel table (Tomasi, example 7.3 at 1) deviates by index times tone."""
    reading = read_fm(sidebands(index, 1000.0), RATE, tone_hz=1000.0)
    assert reading.positive_peak_hz == pytest.approx(1000 * index, rel=5e-4)


@pytest.mark.parametrize("tone_hz", [300.0, 1000.0, 1250.0, 3000.0])
def test_deviation_over_the_audio_band(tone_hz):
    """The same deviation reads the same from 300 Hz to 3 kHz, within a thousandth: no droop with frequency."""
    wave = np.exp(2j * np.pi * 123.4 * TIMES + 1j * 2000 / tone_hz * np.sin(2 * np.pi * tone_hz * TIMES))
    for audio_upper_hz in (3400.0, 15_000.0):
        reading = read_fm(wave, RATE, audio_upper_hz=audio_upper_hz, tone_hz=tone_hz)
        assert reading.positive_peak_hz == pytest.approx(2000, rel=1e-3)
        assert reading.rms_hz == pytest.approx(2000 / math.sqrt(2), rel=1e-4)
        assert reading.carrier_error_hz == pytest.approx(123.4, abs=1e-3)


def test_unequal_peaks():
    """A tone with its second harmonic swings farther to one side: 1000 cos + 300 cos 2 reaches +1300 and -700."""
    phase = 1000 / 500 * np.sin(2 * np.pi * 500 * TIMES) + 300 / 1000 * np.sin(2 * np.pi * 1000 * TIMES)
    reading = read_fm(np.exp(1j * phase), RATE, tone_hz=500.0)
    swing = 1000 * np.cos(np.linspace(0, 2 * np.pi, 100_001)) + 300 * np.cos(
        np.linspace(0, 4 * np.pi, 100_001)
    )
    assert reading.positive_peak_hz == pytest.approx(1300, rel=1e-3)
    assert reading.negative_peak_hz == pytest.approx(-swing.min(), rel=1e-3)


def test_low_pass_takes_what_lies_above_the_audio():
    """Modulation above the audio band is left out of the peak, modulation inside is kept."""
    phase = 2.0 * np.sin(2 * np.pi * 1000 * TIMES) + 0.1 * np.sin(2 * np.pi * 9000 * TIMES)
    wave = np.exp(1j * phase)
    assert read_fm(wave, RATE, audio_upper_hz=4000, tone_hz=1000).positive_peak_hz == pytest.approx(
        2000, rel=1e-3
    )
    assert read_fm(wave, RATE, audio_upper_hz=15_000, tone_hz=1000).positive_peak_hz > 2700


@pytest.mark.parametrize("percent", [10.0, 30.0, 60.0, 85.0, 100.0])
def test_depth_of_amplitude_modulation(percent):
    """The envelope of a carrier and two sidebands (60 %: -10.46 dB each) has the depth they were given."""
    side = percent / 200
    wave = np.exp(0.7j + 2j * np.pi * 211 * TIMES) * (
        1 + side * np.exp(2j * np.pi * 1000 * TIMES) + side * np.exp(-2j * np.pi * 1000 * TIMES)
    )
    reading = read_am(wave * 3.0, RATE, tone_hz=1000.0)
    assert reading.positive_peak_percent == pytest.approx(percent, rel=2e-3)
    assert reading.negative_peak_percent == pytest.approx(percent, rel=2e-3)
    assert reading.rms_percent == pytest.approx(percent / math.sqrt(2), rel=2e-3)
    assert reading.carrier_level == pytest.approx(3.0, rel=1e-4)
    if percent == 60:
        assert 20 * math.log10(side) == pytest.approx(-10.46, abs=5e-3)


def test_unequal_depths():
    """An envelope of 1 + .6 cos + .2 cos 2 rises by 80 % and falls by less than 60 %."""
    envelope = 1 + 0.6 * np.cos(2 * np.pi * 1000 * TIMES) + 0.2 * np.cos(2 * np.pi * 2000 * TIMES)
    reading = read_am(envelope.astype(complex), RATE, tone_hz=1000.0)
    grid = np.linspace(0, 2 * np.pi, 100_001)
    assert reading.positive_peak_percent == pytest.approx(80, rel=2e-3)
    assert reading.negative_peak_percent == pytest.approx(
        -100 * (0.6 * np.cos(grid) + 0.2 * np.cos(2 * grid)).min(), rel=2e-3
    )


@pytest.mark.parametrize("modulated", [False, True])
def test_carrier_error(modulated):
    """The carrier's error is found to a millihertz, modulated or not, and within its bound in noise."""
    phase = 2 * np.pi * -412.345 * TIMES + (1.2 * np.sin(2 * np.pi * 1000 * TIMES + 1) if modulated else 0)
    tone_hz = 1000.0 if modulated else None
    assert read_carrier_error_hz(np.exp(1j * phase), RATE, tone_hz=tone_hz) == pytest.approx(
        -412.345, abs=1e-3
    )
    rng = np.random.default_rng(2)
    dirty = np.exp(1j * phase) + 0.05 * (
        rng.standard_normal(len(phase)) + 1j * rng.standard_normal(len(phase))
    )
    bound = math.sqrt(12 / (2 / (2 * 0.05**2) * len(phase))) / (2 * math.pi * TIMES[-1])
    assert read_carrier_error_hz(dirty, RATE, tone_hz=tone_hz) == pytest.approx(-412.345, abs=5 * bound)


@settings(max_examples=20, deadline=None)
@given(st.floats(1e-6, 1e6), st.floats(-3, 3), st.floats(-3000, 3000))
def test_level_phase_and_offset_change_nothing(level, phase, offset_hz):
    """Deviation and depth do not depend on level, phase or offset of the carrier."""
    turn = level * np.exp(1j * phase + 2j * np.pi * offset_hz * TIMES)
    fm = read_fm(sidebands(1.2, 1000.0) * turn, RATE, audio_upper_hz=4000, tone_hz=1000.0)
    assert fm.positive_peak_hz == pytest.approx(1200, rel=1e-3)
    assert fm.carrier_error_hz == pytest.approx(offset_hz, abs=1e-2)
    am = read_am((1 + 0.3 * np.cos(2 * np.pi * 1000 * TIMES)) * turn, RATE, tone_hz=1000.0)
    assert am.positive_peak_percent == pytest.approx(30, rel=2e-3)


def test_conjugate_swaps_the_peaks():
    """A spectrum turned about its carrier swaps positive and negative peak and the sign of the error."""
    phase = 600 * TIMES + 2 * np.sin(2 * np.pi * 500 * TIMES) + 0.3 * np.sin(2 * np.pi * 1000 * TIMES)
    one, other = (read_fm(np.exp(sign * 1j * phase), RATE, tone_hz=500.0) for sign in (1, -1))
    assert one.positive_peak_hz == pytest.approx(other.negative_peak_hz, rel=1e-6)
    assert one.carrier_error_hz == pytest.approx(-other.carrier_error_hz, rel=1e-6)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: read_fm(np.ones(RATE), RATE), "real samples where complex baseband is due"),
        (lambda: read_fm(np.zeros(RATE, complex), RATE), "no carrier"),
        (lambda: read_fm(np.full(RATE, np.nan + 0j), RATE), "are not finite numbers"),
        (lambda: read_fm(np.ones(RATE, complex), 20_000), "but the band reaches 21000 Hz"),
        (lambda: read_fm(np.ones(100, complex), RATE), "100 samples are too few for an audio band"),
        (lambda: read_am(np.ones(RATE, complex), RATE, audio_upper_hz=0), "its end must be above 0"),
        (lambda: read_fm(np.ones(RATE, complex), RATE, tone_hz=5.0), "hold 5 cycles of a 5 Hz tone"),
        (lambda: read_fm(np.ones(RATE, complex), RATE, tone_hz=-5.0), "tone of -5.0 Hz"),
        (lambda: read_carrier_error_hz(np.ones((2, 20), complex), RATE), "one row of numbers is due"),
    ],
)
def test_unusable_samples_are_named(call, text):
    """Baseband samples on which nothing can be measured are refused with what is wrong."""
    with pytest.raises(SamplesError, match=text):
        call()
