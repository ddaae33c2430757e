"""Powers of bands and the 99 % bandwidth against sums of Bessel functions, scipy's own estimate, and an integral over a noise's spectrum.

Outside the project: scipy.special.jv and scipy.signal.welch; adjacent power and bandwidth of frequency modulation by one tone are sums of
Bessel functions (any textbook); Carson's rule as a sanity bound, which the bandwidth of 99 % may exceed by two lines.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, signal, special

from sequencer.dsp.samples import SamplesError
from sequencer.dsp.spectrum import PowerSpectrum, sampled_spectrum, swept_spectrum

RATE_HZ = 96_000.0


def tone(deviation_hz: float, tone_hz: float, seconds: float = 0.5, offset_hz: float = 3.7) -> np.ndarray:
    """A carrier of 10 V peak, frequency-modulated by one tone."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    index = deviation_hz / tone_hz
    return np.asarray(
        10.0 * np.exp(1j * (index * np.sin(2 * np.pi * tone_hz * time_s) + 2 * np.pi * offset_hz * time_s))
    )


def bessel_db(deviation_hz: float, tone_hz: float, low_hz: float, high_hz: float) -> float:
    """The share of the power that the lines between two offsets hold, dB."""
    orders = np.arange(-80, 81)
    inside = (orders * tone_hz >= low_hz) & (orders * tone_hz <= high_hz)
    return 10.0 * math.log10(float(np.sum(special.jv(orders[inside], deviation_hz / tone_hz) ** 2)))


@pytest.mark.parametrize(
    ("deviation_hz", "tone_hz", "published_db"),
    [
        (1_500.0, 1_250.0, -64.25),
        (2_000.0, 1_250.0, -52.13),
        (2_500.0, 1_250.0, -42.92),
        (2_000.0, 2_500.0, -39.74),
    ],
)
def test_adjacent_power_from_samples_is_the_sum_of_its_bessel_lines(
    deviation_hz: float, tone_hz: float, published_db: float
) -> None:
    """8.5 kHz centred 10 kHz away: within 0.05 dB of the sum of lines, off the bins too."""
    spectrum = sampled_spectrum(tone(deviation_hz, tone_hz), RATE_HZ, step_hz=25.0)
    exact_db = bessel_db(deviation_hz, tone_hz, 5_750.0, 14_250.0)
    assert exact_db == pytest.approx(published_db, abs=0.01)
    for low_hz, high_hz in ((5_750.0, 14_250.0), (-14_250.0, -5_750.0)):
        found_db = 10.0 * math.log10(spectrum.band_w(low_hz, high_hz) / spectrum.total_w)
        assert found_db == pytest.approx(exact_db, abs=0.05)
    assert spectrum.total_w == pytest.approx(1.0, rel=1e-3)  # 10 V peak into 50 ohm


def test_it_agrees_with_another_library_on_noise() -> None:
    """A noise-like modulation: the same band by scipy's Welch estimate, and by an integral over its own theory, within 0.5 dB."""
    rng = np.random.default_rng(5)
    count, sigma_hz = 1 << 20, 1_000.0
    grid_hz = np.fft.rfftfreq(count, 1.0 / RATE_HZ)
    shaped = np.fft.irfft(
        np.fft.rfft(rng.standard_normal(count)) * ((grid_hz >= 300.0) & (grid_hz <= 3_000.0))
    )
    wave = np.exp(2j * np.pi * np.cumsum(shaped * sigma_hz / float(np.std(shaped))) / RATE_HZ)
    spectrum = sampled_spectrum(wave * 10.0, RATE_HZ, step_hz=50.0)
    found_db = 10.0 * math.log10(spectrum.band_w(5_750.0, 14_250.0) / spectrum.total_w)
    at_hz, density = signal.welch(
        wave, RATE_HZ, window="blackmanharris", nperseg=1920, detrend=False, return_onesided=False
    )
    # of the points on the edges of the band half of each lies inside
    inside = np.where(np.isin(at_hz, (5_750.0, 14_250.0)), 0.5, (at_hz > 5_750.0) & (at_hz < 14_250.0))
    assert found_db == pytest.approx(
        10.0 * math.log10(float(np.sum(density * inside) / np.sum(density))), abs=0.1
    )
    # R(t) = exp(R_phi(t) - R_phi(0)), R_phi from the flat density over f squared: written here from the autocorrelation
    lags_s = np.arange(0.0, 0.02, 1.0 / (4.0 * RATE_HZ))
    per_hz = sigma_hz**2 / 2_700.0
    bands = np.linspace(300.0, 3_000.0, 1_200)
    phase = integrate.trapezoid(
        per_hz / bands**2 * np.cos(2 * np.pi * np.outer(lags_s, bands)), bands, axis=1
    )
    correlation = np.exp(phase - phase[0]) - math.exp(-phase[0])
    sweep_hz = np.linspace(5_750.0, 14_250.0, 400)
    power = [
        2.0 * integrate.trapezoid(correlation * np.cos(2 * np.pi * one * lags_s), lags_s) for one in sweep_hz
    ]
    theory_db = 10.0 * math.log10(float(integrate.trapezoid(power, sweep_hz)))
    assert found_db == pytest.approx(theory_db, abs=0.5)


@pytest.mark.parametrize(
    ("deviation_hz", "tone_hz", "published_hz"),
    [
        (1_500.0, 1_250.0, 5_000.0),
        (2_000.0, 1_250.0, 7_500.0),
        (2_000.0, 2_500.0, 10_000.0),
        (4_000.0, 1_250.0, 10_000.0),
    ],
)
def test_the_bandwidth_of_99_percent_ends_on_its_lines(
    deviation_hz: float, tone_hz: float, published_hz: float
) -> None:
    """It ends on the lines that the Bessel sum names, within the window's width, and stays below Carson's rule and two lines more."""
    spectrum = sampled_spectrum(tone(deviation_hz, tone_hz), RATE_HZ, step_hz=25.0)
    low_hz, high_hz = spectrum.edges_hz(0.005)
    assert high_hz - low_hz == pytest.approx(published_hz, abs=80.0)
    assert high_hz - low_hz <= 2.0 * (deviation_hz + tone_hz) + 2.0 * tone_hz + 80.0


def test_a_band_takes_the_share_of_the_points_at_its_edges() -> None:
    """Of a flat spectrum a band holds its width, wherever its edges lie between the points; beyond the ends it is refused."""
    flat = PowerSpectrum(powers_w=np.full(101, 2.0), first_hz=0.0, step_hz=10.0)
    assert flat.band_w(3.0, 47.5) == pytest.approx(2.0 * 44.5 / 10.0)
    assert flat.band_w(-5.0, 1_005.0) == pytest.approx(flat.total_w)
    with pytest.raises(ValueError, match="lies outside"):
        flat.band_w(900.0, 1_010.0)


def test_a_trace_is_divided_by_the_noise_bandwidth_of_its_filter() -> None:
    """White noise of -100 dBm in a filter of 338 Hz has -100 + 10·log(8500/338) dBm in 8.5 kHz."""
    trace = swept_spectrum(np.full(401, -100.0), first_hz=0.0, step_hz=100.0, noise_bandwidth_hz=338.0)
    found_dbm = 10.0 * math.log10(trace.band_w(10_000.0, 18_500.0) / 1e-3)
    assert found_dbm == pytest.approx(-100.0 + 10.0 * math.log10(8_500.0 / 338.0), abs=1e-6)


def test_too_few_samples_are_refused_by_name() -> None:
    """A recording shorter than one part has no spectrum of that step."""
    with pytest.raises(SamplesError, match="too few for steps of 25 Hz; record"):
        sampled_spectrum(tone(2_000.0, 1_250.0, seconds=0.02), RATE_HZ, step_hz=25.0)
