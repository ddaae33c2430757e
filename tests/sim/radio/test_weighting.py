"""The instruments' weightings against the published tables and the published effect on white noise.

The table points are those of the engine's weightings, figure for figure, for both come from the same listings: where a
simulated instrument and the engine agree, that says nothing about the points themselves. What does is the ITU's own filter
(G.191), below.
"""

from __future__ import annotations

from math import log10

import numpy as np
import pytest

from sequencer.dsp import weighting as engine
from sim.radio.weighting import weight


@pytest.mark.parametrize(
    ("name", "low_hz", "high_hz", "expected_db"),
    [
        ("psophometric", 300, 3_400, -2.51),
        ("psophometric", 300, 3_000, -2.12),
        ("C-message", 300, 3_400, -1.91),
        ("C-message", 300, 3_000, -1.64),
    ],
)
def test_white_noise(name: str, low_hz: float, high_hz: float, expected_db: float) -> None:
    """White noise of a band falls by the values derived from the tables (2.5 dB is the familiar factor), within 0.1 dB."""
    band_hz = np.linspace(low_hz, high_hz, 5_001)
    assert 10 * log10(float(np.mean(weight(name, band_hz)))) == pytest.approx(expected_db, abs=0.1)


@pytest.mark.parametrize(
    ("name", "published"),
    [
        ("psophometric", {50: -63, 300: -10.6, 800: 0, 1_000: 1.0, 3_000: -5.6, 4_000: -15, 5_000: -36}),
        ("C-message", {60: -55.7, 300: -16.3, 1_000: 0, 2_800: -2, 3_000: -3, 5_000: -28.7}),
    ],
)
def test_points_of_the_tables(name: str, published: dict[int, float]) -> None:
    """The curves go through the published points (ITU-T O.41; C-message of PUB 41009)."""
    found = 10 * np.log10(weight(name, np.array(list(published), dtype=float)))
    assert list(found) == pytest.approx(list(published.values()), abs=1e-6)


@pytest.mark.parametrize(
    ("name", "other"), [("psophometric", engine.PSOPHOMETRIC), ("C-message", engine.C_MESSAGE)]
)
def test_between_the_points_it_stays_near_straight_lines(name: str, other: engine.Weighting) -> None:
    """The smooth curve and the engine's straight lines never part by more than 1 dB, the tables' tolerance in band.

    No check of the points, which both have from the same listings; only of the two ways between them.
    """
    frequency_hz = np.geomspace(200.0, 3_500.0, 500)
    apart_db = 10 * np.log10(weight(name, frequency_hz) / other.power_gain(frequency_hz))
    assert float(np.abs(apart_db).max()) < 1.0


@pytest.mark.parametrize(
    ("frequency_hz", "gain_db"),
    [(100, -41.42), (300, -10.99), (450, -5.25), (900, 0.64), (1300, -0.18), (1600, -1.44), (2000, -3.04), (2700, -4.79),
     (3000, -5.66), (3500, -8.55)],
)  # fmt: skip
def test_psophometric_curve_is_that_of_the_itu_s_filter(frequency_hz: float, gain_db: float) -> None:
    """The psophometric filter of the ITU's G.191 software tools (156 taps at 8 kHz), re 800 Hz, is met within half a dB."""
    found_db = 10 * log10(float(weight("psophometric", np.array([frequency_hz]))[0]))
    assert found_db == pytest.approx(gain_db, abs=0.5)


def test_an_unknown_weighting_is_refused() -> None:
    """A name that is none of the weightings is refused with those there are."""
    with pytest.raises(ValueError, match="'A' refused; there are flat, psophometric, C-message"):
        weight("A", np.array([1.0]))
