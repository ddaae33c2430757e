"""The IF filter: one offset is answered as many are, and both as a Butterworth filter of scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from sim.radio.if_filter import IfFilter


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
