"""Recordings of the loudspeaker hold the level that the meter beside them reads, with and without a signal."""

from __future__ import annotations

import numpy as np
import pytest

from sim.rf_signal import RfSignal
from tests.sim.radio.test_multimode_unit import live

RATE_HZ = 48e3


@pytest.mark.parametrize("level_dbm", [None, -125.0, -115.0])
def test_recorded_hiss_is_as_loud_as_the_meter_says(level_dbm: float | None) -> None:
    """FM noise alone, near and above threshold: rms of 10 s of samples within 3 % of the voltage, also where clicks crowd."""
    unit, clock = live("M40-0007", "FM", 20)
    if level_dbm is not None:
        unit.apply_rf(RfSignal(level_dbm=level_dbm, frequency_hz=unit.tuned_hz))
    clock.wait_s(5.0)
    samples = unit.audio_samples_v(int(10 * RATE_HZ), RATE_HZ)
    assert float(np.sqrt(np.mean(samples**2))) == pytest.approx(unit.audio_level_v(1_000.0), rel=0.03)


@pytest.mark.parametrize("mode", ["USB", "LSB"])
def test_silence_can_be_recorded_in_ssb(mode: str) -> None:
    """Without a signal there is no tone to put a notch on; what is recorded is the receiver's noise."""
    unit, clock = live("MX40-0101", mode, 20)
    clock.wait_s(5.0)
    samples = unit.audio_samples_v(int(10 * RATE_HZ), RATE_HZ)
    assert float(np.sqrt(np.mean(samples**2))) == pytest.approx(unit.audio_level_v(1_000.0), rel=0.05)
