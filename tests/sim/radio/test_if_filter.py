"""The IF filter: one offset is answered as many are, and both as a Butterworth filter of scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from sim.radio.if_filter import IfFilter, wave_sums


@pytest.mark.parametrize("poles", [2, 4, 6])
@pytest.mark.parametrize("centre_hz", [0.0, 1_700.0])
def test_one_offset_is_answered_as_many_are(poles: int, centre_hz: float) -> None:
    """The response of scipy's analogue low-pass of that order, moved to the filter's centre, with the leak added."""
    one = IfFilter(bandwidth_hz=8_000.0, poles=poles, ultimate_rejection_db=60.0, centre_hz=centre_hz)
    offsets_hz = np.linspace(-30_000.0, 30_000.0, 41)
    b, a = signal.butter(poles, 1.0, analog=True)
    _, response = signal.freqs(b, a, worN=2.0 * (offsets_hz - centre_hz) / 8_000.0)
    expected = np.abs(response + 1e-3) ** 2
    assert np.abs(one.leaky_response(offsets_hz)) ** 2 == pytest.approx(expected, rel=1e-9)
    assert [one.selectivity(float(offset_hz)) for offset_hz in offsets_hz] == pytest.approx(
        expected, rel=1e-9
    )


@pytest.mark.parametrize("count", [600, 601, 25, 2])
def test_sums_of_waves_are_those_of_each_wave(count: int) -> None:
    """Parted into coarse and fine steps they are what numpy's cosine and sine come to one by one."""
    rng = np.random.default_rng(5)
    time_s = (np.arange(count) + 0.5) * 2e-6
    turning, cosine, sine = 2.0 * np.pi * rng.uniform(-16e3, 16e3, 50), rng.random(50), rng.random(50)
    cosines, sines = wave_sums(time_s, turning, cosine, sine)
    turn = np.outer(time_s, turning)
    assert cosines == pytest.approx(np.cos(turn) @ cosine, abs=1e-11)
    assert sines == pytest.approx(np.sin(turn) @ sine, abs=1e-11)
