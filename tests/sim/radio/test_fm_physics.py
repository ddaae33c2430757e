"""FM reception in noise against waves simulated once, and against the theory of a discriminator."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest

from sim.radio.fm_noise import ClickShare, order_gain
from sim.radio.fm_receiver import FmReceiver
from sim.radio.if_filter import IfFilter
from sim.radio.unit import Receiver

WAVES = [
    # bandwidth Hz, deviation Hz, de-emphasis s, carrier to noise density of 12 dB SINAD in dBHz
    (6_000.0, 1_200.0, 0.0, 52.061),
    (6_000.0, 1_200.0, 750e-6, 47.227),
    (6_000.0, 2_400.0, 0.0, 48.553),
    (6_000.0, 2_400.0, 750e-6, 46.819),
    (7_000.0, 2_100.0, 0.0, 47.956),
    (7_000.0, 2_100.0, 750e-6, 45.660),
    (8_500.0, 1_800.0, 0.0, 49.627),
    (8_500.0, 1_800.0, 750e-6, 46.404),
    (10_000.0, 2_400.0, 0.0, 47.919),
    (10_000.0, 2_400.0, 750e-6, 46.351),
    (12_500.0, 2_100.0, 0.0, 49.287),
    (12_500.0, 2_100.0, 750e-6, 47.490),
    (15_000.0, 1_200.0, 0.0, 53.832),
    (15_000.0, 1_200.0, 750e-6, 49.592),
    (15_000.0, 2_400.0, 0.0, 49.076),
    (15_000.0, 2_400.0, 750e-6, 47.992),
]


@pytest.mark.parametrize(("bandwidth_hz", "deviation_hz", "deemphasis_s", "density_db"), WAVES)
def test_mean_sinad_of_simulated_waves(
    bandwidth_hz: float, deviation_hz: float, deemphasis_s: float, density_db: float
) -> None:
    """At the density where a simulated wave has 12 dB SINAD the closed form says 12 dB within 0.25 dB.

    The densities are from tests/benchmarks/bench_physics.py, seed 1963, 30 s to 195 s a wave: as long as it took for a standard
    error below 0.05 dB.
    """
    receiver = Receiver(
        bandwidth_hz=bandwidth_hz,
        deemphasis_s=deemphasis_s,
        distortion_percent=0.0,
        residual_deviation_hz=0.0,
    )
    fm = FmReceiver(receiver)
    audio = fm.audio_content(
        carrier_w=1.0,
        noise_w=fm.noise_bandwidth_hz / 10.0 ** (density_db / 10.0),
        deviation_hz=deviation_hz,
        tone_hz=1_000.0,
        offset_hz=0.0,
    )
    assert audio.sinad_db == pytest.approx(12.0, abs=0.25)


def test_noise_alone_is_that_of_a_published_formula() -> None:
    """Without a carrier what clicks leave is Rice's (1948) hiss: the correlation ½·(ln g)''·ln(1 - g²).

    Worked out here for noise whose spectrum is that of a Butterworth filter, with steps of half a microsecond.
    """
    if_filter = IfFilter(bandwidth_hz=8_000.0, poles=10, ultimate_rejection_db=80.0)
    audio_hz = np.arange(310.0, 3_000.0, 20.0)
    offsets_hz = np.arange(-16_000.0, 16_001.0, 100.0)
    step_s = 5e-7
    time_s = (np.arange(3_000) + 0.5) * step_s
    shape = 1.0 / (1.0 + (offsets_hz / 4_000.0) ** 20)
    shape, speed, turned = shape / shape.sum(), 2.0 * pi * offsets_hz, 2.0 * pi * np.outer(time_s, offsets_hz)
    g, slope = np.cos(turned) @ shape, -np.sin(turned) @ (speed * shape)
    bend = -np.cos(turned) @ (speed**2 * shape)
    correlation = 0.5 * (bend / g - (slope / g) ** 2) * np.log(1.0 - g**2) / (2.0 * pi) ** 2
    hiss = 4.0 * step_s * np.cos(2.0 * pi * np.outer(audio_hz, time_s)) @ correlation
    share = ClickShare(if_filter, audio_hz, np.ones(len(audio_hz))).at(0.0)
    alone = 2.0 * if_filter.rms_width_hz * len(audio_hz)
    assert share * alone == pytest.approx(float(hiss.sum()), rel=0.01)


def test_clicks_of_a_strong_carrier_stand_alone() -> None:
    """Far above threshold nearly every click counted by Rice's rate (1963) leaves its whole power."""
    if_filter = IfFilter(bandwidth_hz=8_000.0, poles=10, ultimate_rejection_db=80.0)
    audio_hz = np.arange(10.0, 1_000.0, 20.0)
    shares = [ClickShare(if_filter, audio_hz, np.ones(len(audio_hz))).at(rho) for rho in (1.0, 4.0, 20.0)]
    assert shares[0] < shares[1] < shares[2]
    assert shares[2] == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("rho", [8.0, 30.0, 1_000.0])
def test_orders_of_phase_noise(rho: float) -> None:
    """Phase noise of a strong carrier has the variance 1/(2ρ)·(1 + 1/(2ρ) + 2/(3ρ²)), the expansion of Im ln(1 + n/a).

    Derived: the orders are independent, the n-th has (n-1)!/(2n)·ρ⁻ⁿ. `order_gain` squared is twice that.
    """
    variance = sum(float(order_gain(order, np.array([rho]))[0]) ** 2 / 2.0 for order in (1, 2, 3))
    assert variance == pytest.approx((1.0 + 0.5 / rho + 2.0 / (3.0 * rho**2)) / (2.0 * rho), rel=0.002)


def test_phase_noise_ends_with_the_carrier() -> None:
    """Noise that has captured the discriminator leaves no part that follows it in proportion, of any order."""
    for order in (1, 2, 3):
        assert order_gain(order, np.array([0.0, 1e-9, 1e-6, 1e-4])).max() < 0.011
