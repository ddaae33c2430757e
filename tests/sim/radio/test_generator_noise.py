"""A generator's noise on the channel it stands beside: what reception becomes, against thermal noise that rises by as much.

Level of the carrier, plus its noise in 1 Hz, plus 10 log of the bandwidth is what lies on the channel (common practice, no source). The
noise bandwidth of a Butterworth filter of n poles is pi / 2n / sin(pi / 2n) of that at 3 dB (any handbook of filters; from memory).
"""

from __future__ import annotations

from dataclasses import replace
from math import log10, pi, sin

import numpy as np
import pytest

from sim.radio.front_end import FrontEnd
from sim.radio.unit import Receiver, Specimen
from sim.rf_signal import SourceNoise
from tests.sim.radio.test_simulated_unit import live, signal

THERMAL_DBM_HZ = -173.975  # k T at 290 K
FIGURE_DB = 6.0
DEAF_TO_CARRIERS = Receiver(
    noise_figure_db=FIGURE_DB, phase_noise_db=-250.0, blocking_dbm=100.0, ultimate_rejection_db=250.0
)


def sinad_db(figure_db: float, level_dbm: float | None, offset_hz: float, noise: SourceNoise | None) -> float:
    """Return SINAD at -115 dBm of a receiver that a carrier beside its channel does nothing to by itself."""
    receiver = replace(DEAF_TO_CARRIERS, noise_figure_db=figure_db)
    unit, _ = live(Specimen(serial="T", receiver=receiver))
    other = (
        None if level_dbm is None else replace(signal(level_dbm, offset_hz), noise=noise, fm_deviation_hz=0.0)
    )
    unit.apply_rf(signal(-115.0), other)
    return unit.mean_sinad_db()


@pytest.mark.parametrize(
    ("noise", "offset_hz", "density_dbc"),
    [
        (SourceNoise(far_dbc=-135.0), 1e6, -135.0),
        (SourceNoise(near_dbc=-100.0), 100e3, -120.0),  # 20 dB a decade
        (SourceNoise(near_dbc=-100.0), -100e3, -120.0),
        (SourceNoise(near_dbc=-95.0, far_dbc=-135.0), 1e6, -131.99),  # as much of each: 3.01 dB more
    ],
)
@pytest.mark.parametrize("level_dbm", [-40.0, -30.0, -20.0])
def test_it_counts_as_thermal_noise_of_the_same_power(
    noise: SourceNoise, offset_hz: float, density_dbc: float, level_dbm: float
) -> None:
    """SINAD is that of a receiver whose noise figure is greater by level + density + 10 log B; without noise nothing happens."""
    width_hz = 8_000.0 * pi / 20.0 / sin(pi / 20.0)
    arrives_dbm = level_dbm + density_dbc + 10.0 * log10(width_hz)
    thermal_dbm = THERMAL_DBM_HZ + 10.0 * log10(width_hz)
    risen = 10.0 ** (FIGURE_DB / 10.0) + 10.0 ** ((arrives_dbm - thermal_dbm) / 10.0)
    alone_db = sinad_db(FIGURE_DB, None, 0.0, None)
    spoilt_db = sinad_db(FIGURE_DB, level_dbm, offset_hz, noise)
    assert spoilt_db == pytest.approx(sinad_db(10.0 * log10(risen), None, 0.0, None), abs=0.02)
    assert spoilt_db < alone_db - 0.1
    assert sinad_db(FIGURE_DB, level_dbm, offset_hz, None) == pytest.approx(alone_db, abs=1e-6)


def test_it_is_steeper_than_flat_on_the_next_channel() -> None:
    """12.5 kHz away it counts as the density weighed by the filter's shape, summed here line by line: 0.5 dB above the middle's."""
    away_hz = np.arange(-9_000.0, 9_000.0, 1.0)
    shape = 1.0 / (1.0 + (away_hz / 4_000.0) ** 20)
    summed = float(np.sum(1e-11 * (10e3 / (12_500.0 + away_hz)) ** 2 * shape))
    share = SourceNoise(near_dbc=-110.0).share(12_500.0, float(shape.sum()))
    assert 10.0 * log10(share / summed) == pytest.approx(0.0, abs=0.05)
    flat = 1e-11 * (10e3 / 12_500.0) ** 2 * float(shape.sum())
    assert 10.0 * log10(share / flat) == pytest.approx(0.5, abs=0.1)


def test_beside_a_product_both_generators_noise_counts() -> None:
    """The product of two signals is heard the worse for the noise of either: for both as for one of twice the power."""

    def heard_db(near: SourceNoise | None, far: SourceNoise | None) -> float:
        unit, _ = live(Specimen(serial="T", receiver=DEAF_TO_CARRIERS, front_end=FrontEnd()))
        modulated = replace(signal(-34.0, 100e3), noise=far)
        unit.apply_rf(modulated, replace(signal(-34.0, 50e3), noise=near, fm_deviation_hz=0.0))
        return unit.mean_sinad_db()

    one, twice = SourceNoise(far_dbc=-130.0), SourceNoise(far_dbc=-126.99)
    assert heard_db(one, None) < heard_db(None, None) - 1.0
    assert heard_db(None, one) == pytest.approx(heard_db(one, None), abs=0.01)
    assert heard_db(one, one) == pytest.approx(heard_db(twice, None), abs=0.01)
