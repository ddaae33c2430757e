"""The simulated spectrum analyser against sums of Bessel functions (scipy), integrals written here, and textbook laws of a mixer.

Outside the project: lines of frequency modulation by one tone are Bessel functions of its index (any textbook; scipy.special.jv); the
second-order product of a mixer rises by 2 dB, the third by 3 dB for each dB at its input (textbook).
"""

from __future__ import annotations

from dataclasses import replace
from math import log10, pi

import numpy as np
import pytest
from scipy import integrate, signal, special

from sim.instruments import swept
from sim.radio.emission import Emission, Line
from sim.radio.spectrum import harmonic, noise_beside, wave_of

CARRIER_HZ = 27_205_000.0
FM = Emission(
    power_w=4.0,
    frequency_hz=CARRIER_HZ,
    deviation_positive_hz=2_000.0,
    deviation_negative_hz=2_000.0,
    tone_hz=1_250.0,
    distortion_percent=0.0,
    residual_deviation_hz=0.0,
    lines=(Line(frequency_hz=1_250.0, amplitude=2_000.0),),
)


def line_db(emission: Emission, offset_hz: float) -> float:
    """The level of one line of an emission, dB below its power."""
    lines_hz, amplitudes = wave_of(emission).lines
    at = np.abs(lines_hz - emission.frequency_hz - offset_hz) < 1.0
    return 10.0 * log10(float(np.sum(np.abs(amplitudes[at]) ** 2)) / emission.power_w)


@pytest.mark.parametrize("order", range(8))
@pytest.mark.parametrize("deviation_hz", [1_500.0, 2_000.0, 5_000.0])
def test_lines_of_one_tone_are_bessel_functions(deviation_hz: float, order: int) -> None:
    """Each line of the wave is the Bessel function of its order at the index, to a thousandth of a decibel."""
    tone = replace(FM, lines=(Line(frequency_hz=1_250.0, amplitude=deviation_hz),))
    expected_db = 20.0 * log10(abs(float(special.jv(order, deviation_hz / 1_250.0))))
    for side in (-1.0, 1.0):
        assert line_db(tone, side * order * 1_250.0) == pytest.approx(expected_db, abs=1e-3)


def test_two_tones_add_as_sums_of_products_of_bessel_functions() -> None:
    """Two tones: each line is the sum over all pairs of orders that meet there, amplitudes added with their phases."""
    tones = ((400.0, 1_000.0), (2_500.0, 1_000.0))
    both = replace(FM, lines=tuple(Line(frequency_hz=f, amplitude=d) for f, d in tones))
    expected: dict[int, complex] = {}
    for m in range(-12, 13):
        for n in range(-12, 13):
            at_hz = round(m * 400.0 + n * 2_500.0)
            # a deviation that goes as a cosine turns the phase as a sine
            part = special.jv(m, 1_000.0 / 400.0) * special.jv(n, 1_000.0 / 2_500.0)
            expected[at_hz] = expected.get(at_hz, 0.0) + part
    for at_hz in (0, 400, 2_500, 2_900, 5_000, 5_800):
        assert line_db(both, at_hz) == pytest.approx(20.0 * log10(abs(expected[at_hz])), abs=2e-3)


def test_sidebands_of_am_lie_as_the_textbook_says() -> None:
    """At 60 % each sideband of amplitude modulation is 10.46 dB below the carrier: 20·log(m/2)."""
    am = replace(
        FM, mode="AM", lines=(Line(frequency_hz=1_000.0, amplitude=0.6),), power_w=4.0 * (1.0 + 0.6**2 / 2.0)
    )
    assert line_db(am, 1_000.0) - line_db(am, 0.0) == pytest.approx(-10.46, abs=0.01)
    assert len(wave_of(am).lines[0]) == 3


def test_a_harmonic_swings_as_many_times_as_far() -> None:
    """The third harmonic is frequency-modulated with three times the deviation: its lines are Bessel functions of three times the index."""
    third = harmonic(wave_of(FM), 3, -60.0)
    lines_hz, amplitudes = third.lines
    assert third.centre_hz == 3.0 * CARRIER_HZ
    assert float(np.sum(np.abs(amplitudes) ** 2)) == pytest.approx(4.0e-6, rel=1e-6)
    at = np.argmin(np.abs(lines_hz - third.centre_hz - 2.0 * 1_250.0))
    assert abs(amplitudes[at]) ** 2 / 4.0e-6 == pytest.approx(float(special.jv(2, 3.0 * 1.6)) ** 2, rel=1e-4)


def test_residual_modulation_has_the_sidebands_of_small_noise_modulation() -> None:
    """The noise of 12 Hz rms in 300 to 3000 Hz, summed over both sides, is what a long simulated wave holds there (scipy's Welch)."""
    rms_hz, rate_hz = 12.0, 24_000.0
    rng = np.random.default_rng(7)
    white = np.fft.rfft(rng.standard_normal(1 << 19))
    grid_hz = np.fft.rfftfreq(1 << 19, 1.0 / rate_hz)
    noise_hz = np.fft.irfft(white * ((grid_hz >= 300.0) & (grid_hz <= 3_000.0)))
    noise_hz *= rms_hz / float(np.std(noise_hz))
    wave = np.exp(2j * pi * np.cumsum(noise_hz) / rate_hz)
    at_hz, density = signal.welch(
        wave, rate_hz, nperseg=8192, detrend=False, return_onesided=False, window="blackmanharris"
    )
    inside = (np.abs(at_hz) > 500.0) & (np.abs(at_hz) < 2_900.0)
    seen = float(np.sum(density[inside]) * (rate_hz / 8192))
    quiet = replace(FM, residual_deviation_hz=rms_hz, phase_noise_db=-180.0)
    told = integrate.quad(lambda f: float(noise_beside(quiet, np.array([f]))[0]), 500.0, 2_900.0)[0]
    assert 10.0 * log10(2.0 * told / seen) == pytest.approx(0.0, abs=0.3)


# --- filter, mixer, detectors ---


def test_the_filter_is_3_db_down_at_its_edge_and_has_the_published_noise_bandwidth() -> None:
    """Four synchronous poles: noise bandwidth 1.1285 times the 3 dB one (from memory), by an integral written here."""
    assert 20.0 * log10(float(swept.filter_amplitude(np.array([150.0]), 300.0)[0])) == pytest.approx(
        -3.0103, abs=1e-3
    )
    width = integrate.quad(
        lambda f: float(swept.filter_amplitude(np.array([f]), 300.0)[0]) ** 2, -6e3, 6e3, limit=400
    )[0]
    assert width / 300.0 == pytest.approx(1.1285, abs=1e-3)
    assert swept.noise_bandwidth_hz(300.0) == pytest.approx(width, rel=1e-3)


def through(level_dbm: float) -> dict[int, float]:
    """What the mixer gives of a still carrier at its input: the level at the carrier and its own products, dBm, by order."""
    still = wave_of(replace(FM, power_w=10.0 ** (level_dbm / 10.0 - 3.0), lines=()))
    behind = swept.mixed((still,))
    return {
        n: 10.0 * log10(float(np.mean(np.abs(one.samples) ** 2))) + 30.0
        for n, one in enumerate(behind.waves, 1)
    }


def test_own_products_of_the_mixer_rise_two_and_three_times_as_fast() -> None:
    """10 dB more at the mixer is 20 dB more of its second harmonic and 30 dB more of its third; a weak carrier passes as it is."""
    low, high = through(-40.0), through(-30.0)
    assert high[1] - low[1] == pytest.approx(10.0, abs=0.01)
    assert high[2] - low[2] == pytest.approx(20.0, abs=0.05)
    assert high[3] - low[3] == pytest.approx(30.0, abs=0.05)
    assert low[1] == pytest.approx(-40.0, abs=0.001)
    assert through(5.0)[1] < 4.8  # and a strong one is compressed


def test_two_tones_make_products_by_the_intercept_point() -> None:
    """Third-order products of two equal tones lie at 3·P - 2·IP3 (textbook)."""
    tone_dbm = -10.0
    amplitude = 10.0 ** ((tone_dbm - 30.0) / 20.0)
    two = replace(
        FM,
        mode="USB",
        lines=(
            Line(frequency_hz=400.0, amplitude=amplitude),
            Line(frequency_hz=2_500.0, amplitude=amplitude),
        ),
    )
    lines_hz, amplitudes = swept.mixed((wave_of(two),)).waves[0].lines
    at = np.argmin(np.abs(lines_hz - CARRIER_HZ - 4_600.0))
    intercept_dbm = 10.0 * log10(swept.THIRD_ORDER_W) + 30.0
    assert 20.0 * log10(abs(amplitudes[at])) + 30.0 == pytest.approx(
        3.0 * tone_dbm - 2.0 * intercept_dbm, abs=0.05
    )


def test_detectors_read_noise_as_published() -> None:
    """The mean of rms and samples is the power; the highest of 100 independent values stands about 7 dB above it (5.187 times, H(100))."""
    rng = np.random.default_rng(3)
    mean_w = np.full(20_000, 1e-12)
    assert float(np.mean(swept.noisy(mean_w, 100.0, "RMS", rng))) == pytest.approx(1e-12, rel=0.01)
    assert float(np.mean(swept.noisy(mean_w, 100.0, "SAMPle", rng))) == pytest.approx(1e-12, rel=0.03)
    assert float(np.mean(swept.noisy(mean_w, 100.0, "POSitive", rng))) == pytest.approx(5.187e-12, rel=0.01)


def test_a_wide_filter_with_a_peak_detector_reads_the_whole_carrier_of_fm() -> None:
    """Frequency modulation has an envelope that stands still: its lines added by amplitude would read decibels too much."""
    wave = wave_of(FM)
    shown = swept.line_powers(
        (wave,), np.array([CARRIER_HZ - 1.0, CARRIER_HZ, CARRIER_HZ + 1.0]), 100e3, peak=True
    )
    assert 10.0 * log10(float(shown[1]) / 4.0) == pytest.approx(0.0, abs=0.02)
