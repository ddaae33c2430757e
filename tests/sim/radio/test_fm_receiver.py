"""The closed form of the receiver against published FM theory that it does not use itself."""

from __future__ import annotations

from functools import lru_cache
from math import log10, pi, sin

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.radio.fm_noise import click_rate_hz
from sim.radio.fm_receiver import AudioContent, FmReceiver, draw_sinad_db, level_dbm, power_w
from sim.radio.if_filter import IfFilter
from sim.radio.unit import Receiver


def plain(**changes: float) -> Receiver:
    """Return a receiver that adds no distortion or residual; no de-emphasis unless asked for."""
    settings: dict[str, float] = {
        "distortion_percent": 0.0,
        "residual_deviation_hz": 0.0,
        "deemphasis_s": 0.0,
    }
    return Receiver(**(settings | changes))  # type: ignore[arg-type]


receiver_of = lru_cache(maxsize=4)(FmReceiver)
"""A receiver by its settings: what it works out of its filter once serves all levels of a test."""


def content(receiver: Receiver, rho_db: float, deviation_hz: float, offset_hz: float = 0.0) -> AudioContent:
    """Return the audio at a carrier-to-noise ratio in the noise bandwidth, 1 kHz tone."""
    return receiver_of(receiver).audio_content(
        carrier_w=10.0 ** (rho_db / 10.0),
        noise_w=1.0,
        deviation_hz=deviation_hz,
        tone_hz=1_000.0,
        offset_hz=offset_hz,
    )


def snr_db(audio: AudioContent) -> float:
    """Return tone over everything else, dB."""
    return 10.0 * log10(audio.signal / audio.residual)


@pytest.mark.parametrize("deviation_hz", [1_200.0, 2_000.0, 3_000.0])
def test_output_snr_far_above_threshold(deviation_hz: float) -> None:
    """SNR follows Δf²/2·B·ρ/∫f²|H|²df (form of Haykin problem 9.18) within 0.3 dB.

    For a low-pass of 8th order in power the integral is W³·(π/8)/sin(3π/8), a table integral (∫x²/(1+x⁸)
    from 0 to infinity), 1.06 dB more than the W³/3 of a rectangular filter; the 300 Hz edge takes 0.1 % of
    it.
    """
    receiver = plain(bandwidth_hz=20_000.0, filter_poles=8)
    noise_bandwidth_hz = FmReceiver(receiver).noise_bandwidth_hz
    integral = 3_000.0**3 * (pi / 8.0) / sin(3.0 * pi / 8.0)
    ratio = 0.5 * deviation_hz**2 * noise_bandwidth_hz * 10.0**2.5 / integral
    assert snr_db(content(receiver, 25.0, deviation_hz)) == pytest.approx(10.0 * log10(ratio), abs=0.3)


def test_output_snr_with_deemphasis() -> None:
    """With 6 dB an octave the noise is flat: SNR is (Δf²/2)·B·ρ/(10⁶·(f2-f1)) (derived from the same law)."""
    receiver = plain(bandwidth_hz=12_000.0, deemphasis_s=750e-6)
    ratio = 0.5 * 1_500.0**2 * FmReceiver(receiver).noise_bandwidth_hz * 10.0**2.2 / (1e6 * 2_700.0)
    assert snr_db(content(receiver, 22.0, 1_500.0)) == pytest.approx(10.0 * log10(ratio), abs=0.6)


def test_doubling_the_deviation_gains_six_db() -> None:
    """Well above threshold twice the deviation is 6.02 dB more (Taub example 9.2: fourfold)."""
    receiver = plain(bandwidth_hz=25_000.0)
    gain_db = snr_db(content(receiver, 25.0, 2_400.0)) - snr_db(content(receiver, 25.0, 1_200.0))
    assert gain_db == pytest.approx(6.02, abs=0.1)


@pytest.mark.parametrize(
    ("rho_db", "clicks_8k", "clicks_16k"),
    [(0, 363.3, 726.5), (3, 105.7, 211.3), (5, 27.50, 55.00), (7, 3.569, 7.138), (9, 0.1553, 0.3106)],
)
def test_click_rate_without_modulation(rho_db: float, clicks_8k: float, clicks_16k: float) -> None:
    """Clicks of an unmodulated carrier meet Rice's rate for a rectangular filter (published table) to 12 %.

    A filter of 12 poles is not quite rectangular: hence the tolerance.
    """
    for bandwidth_hz, clicks in ((8_000.0, clicks_8k), (16_000.0, clicks_16k)):
        rate_hz = content(plain(bandwidth_hz=bandwidth_hz, filter_poles=12), rho_db, 0.0).click_rate_hz
        assert rate_hz == pytest.approx(clicks, rel=0.12)


@pytest.mark.parametrize(("rho_db", "counted_hz"), [(6.0, 58.5), (8.0, 5.67)])
def test_click_rate_with_modulation(rho_db: float, counted_hz: float) -> None:
    """Clicks at 5 kHz deviation in 12 kHz meet a simulation that counted 2π windings, within 25 %."""
    width_hz = IfFilter(bandwidth_hz=12_000.0, poles=12, ultimate_rejection_db=80.0).rms_width_hz
    swing_hz = 5_000.0 * np.cos(2.0 * pi * (np.arange(32) + 0.5) / 32)
    rate_hz = click_rate_hz(width_hz, np.full(32, 10.0 ** (rho_db / 10.0)), swing_hz)
    assert rate_hz == pytest.approx(counted_hz, rel=0.25)


@pytest.mark.parametrize(("index", "threshold_db"), [(1, 7.67), (2, 8.54), (3, 9.00)])
def test_threshold_lies_where_theory_puts_it(index: int, threshold_db: float) -> None:
    """The 1 dB threshold in Carson's bandwidth meets Taub example 10.3 (sine modulation) within 1 dB of ρ.

    The formula sets the top of the audio band equal to the tone; here the tone is 1 kHz in a 3 kHz band.
    """
    deviation_hz, top_hz = 3_000.0 * index, 3_000.0
    receiver = plain(bandwidth_hz=2.0 * (deviation_hz + top_hz), audio_low_hz=20.0, filter_poles=12)

    def loss_db(rho_db: float) -> float:
        far = content(receiver, 30.0, deviation_hz)
        straight_db = 10.0 * log10(far.signal / far.gaussian) - (30.0 - rho_db)
        near = content(receiver, rho_db, deviation_hz)
        return straight_db - 10.0 * log10(near.signal / (near.gaussian + near.clicks))

    rhos = np.arange(4.0, 14.0, 0.02)
    found_db = next(float(rho) for rho in rhos if loss_db(float(rho)) < 1.0)
    assert found_db == pytest.approx(threshold_db, abs=1.0)


@pytest.mark.parametrize(
    ("bandwidth_hz", "noise_figure_db", "floor_dbm"),
    [(5e6, 9, -98.0), (200e3, 4, -116.96), (30e3, 10, -119.2), (25e3, 5, -125.0), (3.84e6, 9, -99.13)],
)
def test_noise_floor(bandwidth_hz: float, noise_figure_db: float, floor_dbm: float) -> None:
    """The noise floor meets published examples (CEPT wiki, RF study notes, W-CDMA; 290 K) within 0.15 dB."""
    receiver = FmReceiver(plain(bandwidth_hz=bandwidth_hz, filter_poles=12))
    floor = level_dbm(receiver.noise_power_w(noise_figure_db))
    assert floor == pytest.approx(floor_dbm, abs=0.15)


@pytest.mark.parametrize(("level", "volts"), [(-73.0, 50.06e-6), (-13.0, 50.059e-3), (-107.0, 0.99881e-6)])
def test_level_to_power_agrees_with_microvolts(level: float, volts: float) -> None:
    """dBm to watts agrees with the derived table of µV into 50 ohm (P = U²/R)."""
    assert power_w(level) == pytest.approx(volts**2 / 50.0, rel=1e-3)
    assert level_dbm(power_w(level)) == pytest.approx(level)


@pytest.mark.parametrize(("sinad_db", "residual_percent"), [(12.0, 25.119), (20.0, 10.0), (6.0, 50.12)])
def test_sinad_is_total_over_residual(sinad_db: float, residual_percent: float) -> None:
    """SINAD is 20·log of total over residual voltage (published table: 12 dB is 25.119 % of the total)."""
    residual = (residual_percent / 100.0) ** 2
    audio = AudioContent(
        signal=1.0 - residual,
        gaussian=residual,
        clicks=0.0,
        distortion=0.0,
        click_rate_hz=0.0,
        gaussian_width_hz=1_600.0,
        click_width_hz=1_600.0,
    )
    assert audio.sinad_db == pytest.approx(sinad_db, abs=0.002)


def test_ten_percent_distortion_reads_twenty_db() -> None:
    """A strong signal with 10 % distortion reads 20.04 dB (derived: fundamental and 10 % second harmonic)."""
    receiver = plain(bandwidth_hz=25_000.0, distortion_percent=10.0)
    assert content(receiver, 70.0, 1_200.0).sinad_db == pytest.approx(20.043, abs=0.03)


@pytest.mark.parametrize("rho_db", [4.0, 8.0, 14.0, 25.0])
def test_scatter_falls_with_the_square_root_of_time(rho_db: float) -> None:
    """Sixteen times the reading time leaves a quarter of the scatter (statistics of independent samples)."""
    audio = content(Receiver(), rho_db, 1_200.0)
    rng = np.random.default_rng(20)
    short, long = (
        float(np.std([draw_sinad_db(audio, reading_s, rng) for _ in range(1_500)]))
        for reading_s in (0.25, 4.0)
    )
    assert short / long == pytest.approx(4.0, rel=0.15)


def test_readings_average_to_the_mean() -> None:
    """Long readings are unbiased: their mean is the closed form within 0.05 dB."""
    for rho_db in (2.0, 6.0, 10.0, 25.0):
        audio = content(Receiver(), rho_db, 1_200.0)
        rng = np.random.default_rng(21)
        readings = [draw_sinad_db(audio, 10.0, rng) for _ in range(400)]
        assert float(np.mean(readings)) == pytest.approx(audio.sinad_db, abs=0.05)


@settings(deadline=None)
@given(level=st.floats(-140, 0), step=st.floats(0.1, 40))
def test_sinad_rises_with_level(level: float, step: float) -> None:
    """A sound receiver never hears worse when the generator is turned up."""
    receiver = FmReceiver(Receiver())
    noise_w = receiver.noise_power_w(6.0)

    def sinad_db(dbm: float) -> float:
        return receiver.audio_content(
            carrier_w=power_w(dbm), noise_w=noise_w, deviation_hz=1_200.0, tone_hz=1_000.0, offset_hz=0.0
        ).sinad_db

    assert sinad_db(level + step) >= sinad_db(level) - 1e-9


@settings(deadline=None)
@given(offset_hz=st.floats(0, 4_000), farther_hz=st.floats(50, 8_000))
def test_detuning_never_helps(offset_hz: float, farther_hz: float) -> None:
    """Away from the filter's centre the carrier is weaker, symmetrically on both sides."""
    receiver = FmReceiver(Receiver())
    assert receiver.selectivity(offset_hz) == pytest.approx(receiver.selectivity(-offset_hz), rel=0.01)
    assert receiver.selectivity(offset_hz + farther_hz) <= receiver.selectivity(offset_hz) * (1.0 + 1e-3)


def test_half_power_at_the_edge_of_the_filter() -> None:
    """The IF filter is 3 dB down at its edge, and 60 dB down on the next channel (MPT 1382)."""
    receiver = FmReceiver(Receiver())
    assert 10.0 * log10(receiver.selectivity(4_000.0)) == pytest.approx(-3.01, abs=0.05)
    assert 10.0 * log10(receiver.selectivity(10_000.0)) < -60.0
