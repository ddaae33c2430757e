"""A carrier that comes or goes, against time: held against closed forms and against scipy's analytic signal, on waves made here."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, hilbert, lfilter

from sequencer.dsp.keying import CarrierInTime, carrier_in_time, still_coming_s
from sequencer.dsp.samples import SamplesError

RATE_HZ = 100e3


def seen(wave: np.ndarray, *, look_s: float = 1e-4, rate_hz: float = RATE_HZ) -> CarrierInTime:
    """Take a wave that is silent for its first 20 ms and steady in its last fifth."""
    end_s = len(wave) / rate_hz
    return carrier_in_time(wave, rate_hz, look_s=look_s, steady_s=(0.8 * end_s, end_s), silent_s=(0.0, 0.02))


def keyed(frequency_hz: np.ndarray, amplitude: np.ndarray, noise: float = 1e-5) -> np.ndarray:
    """Return a wave of that frequency and amplitude at each sample, with noise."""
    rng = np.random.default_rng(3)
    phase = 2.0 * np.pi * np.cumsum(frequency_hz) / RATE_HZ
    white = rng.standard_normal((2, len(phase)))
    return amplitude * np.exp(1j * phase) + noise * (white[0] + 1j * white[1])


TIME_S = np.arange(15_000) / RATE_HZ - 0.03
ON = (TIME_S >= 0.0).astype(float)


def test_a_step_behind_one_pole_falls_as_the_textbook_says() -> None:
    """20 kHz off behind a first-order lag of 1 ms comes to 600 Hz after tau·ln(20000/600) = 3.507 ms (elementary)."""
    carrier = seen(keyed(np.where(ON > 0, 20e3 * np.exp(-TIME_S / 1e-3), 0.0), ON))
    at_s = carrier.time_s - 0.03
    late = at_s[(np.abs(carrier.frequency_hz) > 600.0) & (carrier.level_db > -30.0)]
    assert late.max() == pytest.approx(3.507e-3, abs=5e-5)


def test_frequency_agrees_with_the_analytic_signal_of_a_reference_library() -> None:
    """A step through a known filter (Butterworth, scipy), put on a real carrier, demodulated by scipy.signal.hilbert and by us."""
    b, a = butter(2, 400.0, fs=RATE_HZ)
    off_hz = lfilter(b, a, 4e3 * (TIME_S >= 0.02))
    amplitude = np.where(TIME_S >= 0.0, 1.0, 1e-6)
    carrier = seen(keyed(off_hz, amplitude, noise=0.0), look_s=3e-5)
    phase = 2.0 * np.pi * np.cumsum(20e3 + off_hz) / RATE_HZ
    reference = np.diff(np.unwrap(np.angle(hilbert(np.cos(phase))))) * RATE_HZ / (2.0 * np.pi) - 20e3
    reference = np.convolve(reference, np.ones(3) / 3.0, "valid")  # the same look
    inside = (carrier.time_s > 0.04) & (carrier.time_s < 0.12)
    assert np.max(np.abs(carrier.frequency_hz - reference)[inside]) < 5.0


def test_power_comes_to_its_window_when_its_closed_form_does() -> None:
    """An exponential rise of power, 1 - exp(-t/5 ms), is 1 dB below at -5 ms·ln(1 - 10^-0.1) = 7.91 ms, and stays."""
    power = np.where(ON > 0, 1.0 - np.exp(-np.maximum(TIME_S, 0.0) / 5e-3), 0.0)
    carrier = seen(keyed(np.zeros_like(TIME_S), np.sqrt(power)))
    assert carrier.stays_from_s(-1.0, 1.5) == pytest.approx(0.03 + 7.908e-3, abs=2e-5)
    assert carrier.first_above_s(-30.0) == pytest.approx(0.03, abs=1e-4)


def test_a_power_that_leaves_its_window_again_counts_from_its_last_return() -> None:
    """A dip by 3 dB from 60 to 62 ms: only from there on it stays."""
    dip = np.where((TIME_S >= 0.06) & (TIME_S < 0.062), 10.0 ** (-3.0 / 20.0), 1.0)
    carrier = seen(keyed(np.zeros_like(TIME_S), ON * dip))
    assert carrier.stays_from_s(-1.0, 1.5) == pytest.approx(0.092, abs=1e-4)


def test_a_carrier_that_goes_is_seen_going() -> None:
    """It falls through -30 dB where its closed form does: exp(-t/2 ms) in amplitude, 6.908 ms after its end begins."""
    amplitude = np.where(TIME_S < 0.0, 1.0, np.exp(-np.maximum(TIME_S, 0.0) / 2e-3))
    wave = keyed(np.zeros_like(TIME_S), amplitude)
    carrier = carrier_in_time(wave, RATE_HZ, look_s=1e-4, steady_s=(0.0, 0.02), silent_s=(0.12, 0.15))
    assert carrier.last_above_s(-30.0) == pytest.approx(0.03 + 6.908e-3, abs=2e-5)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda wave: wave * 0.0, "no carrier"),
        (lambda wave: np.ones_like(wave) + 0.001 * wave, "no carrier came or went"),
        (lambda wave: wave[:10], "too few"),
        (lambda wave: wave * np.nan, "not finite numbers"),
        (lambda wave: wave * (1.0 - 4.0 * TIME_S), "still moves by"),
        (lambda wave: wave * np.exp(2j * np.pi * 45e3 * TIME_S), "leaves the 40 kHz"),
    ],
)
def test_what_is_no_carrier_that_came_is_refused_by_name(spoil, said) -> None:
    """Nothing, a carrier all along, a recording too short, no numbers, power that never stands, a frequency beyond the samples."""
    with pytest.raises(SamplesError, match=said):
        seen(spoil(keyed(np.zeros_like(TIME_S), ON)))


def test_a_stretch_beyond_the_recording_or_without_a_carrier_has_no_figure() -> None:
    """It is said which of the two it was."""
    carrier = seen(keyed(np.full_like(TIME_S, 120.0), ON))
    assert carrier.farthest_hz(0.04, 0.06, above_db=-30.0) == pytest.approx(120.0, abs=1.0)
    with pytest.raises(SamplesError, match="does not hold"):
        carrier.farthest_hz(0.04, 0.2, above_db=-30.0)
    with pytest.raises(SamplesError, match="no carrier in it"):
        carrier.farthest_hz(0.001, 0.02, above_db=-30.0)


@pytest.mark.parametrize("depth", [0.0, 0.6])
@pytest.mark.parametrize(
    ("comes_s", "at_least_s", "at_most_s"),
    [(0.0, 0.0, 0.0), (0.012, 0.012, 0.0145), (0.2, 0.2, 0.2025)],
)
def test_how_long_a_recording_lacked_its_carrier_is_when_it_came(
    depth: float, comes_s: float, at_least_s: float, at_most_s: float
) -> None:
    """A carrier with a tone of 1 kHz in its amplitude, or none, switched on within the recording: from then on, and a look of 2 ms."""
    at_s = np.arange(24_000) / 48e3
    rng = np.random.default_rng(7)
    wave = (at_s >= comes_s) * (1.0 + depth * np.sin(2e3 * np.pi * at_s)) + 1e-4 * rng.standard_normal(24_000)
    assert at_least_s <= still_coming_s(wave.astype(complex), 48e3) <= at_most_s


def test_a_carrier_that_goes_or_breaks_off_or_is_none_is_not_one_that_comes() -> None:
    """Gone after a fifth, away for a moment in its midst, noise alone of ten seeds: nothing of that is waited for."""
    at_s = np.arange(24_000) / 48e3
    away = (at_s < 0.25) | (at_s > 0.26)
    assert still_coming_s((at_s < 0.1) + 0j, 48e3) == 0.0
    assert still_coming_s(away + 1e-6j, 48e3) == 0.0
    for seed in range(10):
        noise = np.random.default_rng(seed).standard_normal((2, 24_000))
        assert still_coming_s(noise[0] + 1j * noise[1], 48e3) == 0.0


def test_a_carrier_that_creeps_up_lacks_power_until_half_a_decibel_is_left() -> None:
    """3 dB that go with 100 ms: half a decibel is left after 100 ms · ln 6 = 179 ms (elementary)."""
    at_s = np.arange(48_000) / 48e3
    wave = 10.0 ** (-3.0 * np.exp(-at_s / 0.1) / 20.0) + 0j
    assert still_coming_s(wave, 48e3) == pytest.approx(0.1 * np.log(6.0), abs=0.003)
