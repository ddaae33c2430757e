"""What a receiver rejects by where a signal stands: against the superheterodyne's arithmetic, a cubic characteristic and the order's law.

Outside the project: image 2 IF from the channel on the oscillator's side, half of the intermediate frequency IF/2 from it, from any
handbook of the superheterodyne (from memory); products of a cubic characteristic are computed here from a wave.
"""

from __future__ import annotations

import numpy as np
import pytest

from sim.radio.front_end import STATED_AT_DBM, FrontEnd, Response
from sim.rf_signal import RfSignal
from tests.support.truth import TrueUnit, where

TUNED_HZ = 27_185_000.0


def _level_dbm(front: FrontEnd, level_dbm: float, frequency_hz: float) -> float:
    """Return as which level a signal lands within 100 Hz of the channel's middle."""
    landed = [
        level
        for offset_hz, level in front.comes_through(level_dbm, frequency_hz, TUNED_HZ)
        if abs(offset_hz) < 100.0
    ]
    return max(landed, default=-999.0)


@pytest.mark.parametrize(
    ("first", "second", "mhz"),
    [
        ("high", "low", (48.575, 32.5325, 28.095, 10.695)),
        ("low", "low", (5.795, 21.8375, 26.275, 10.695)),
        ("high", "high", (48.575, 32.5325, 26.275, 10.695)),
    ],
)
def test_signals_come_through_where_the_arithmetic_says(
    first: str, second: str, mhz: tuple[float, ...]
) -> None:
    """27.185 MHz, 10.695 and 0.455 MHz: image, half of the IF, second image and the IF itself come through, and nothing 1 MHz away."""
    front = FrontEnd(first_oscillator=first, second_oscillator=second)  # type: ignore[arg-type]
    for frequency_mhz, rejection_db in zip(mhz, (86.0, 86.0, 88.0, 95.0), strict=True):
        at_hz = frequency_mhz * 1e6
        assert _level_dbm(front, STATED_AT_DBM + rejection_db, at_hz) == pytest.approx(STATED_AT_DBM)
        assert _level_dbm(front, STATED_AT_DBM + rejection_db, at_hz + 1e6) < STATED_AT_DBM - 100.0


def test_what_is_of_second_order_rises_twice_as_fast() -> None:
    """1 dB more at half of the intermediate frequency is 2 dB more in the channel, at the image 1 dB."""
    front = FrontEnd()
    for at_hz, law in ((32_532_500.0, 2.0), (48_575_000.0, 1.0)):
        rise_db = _level_dbm(front, -20.0, at_hz) - _level_dbm(front, -21.0, at_hz)
        assert rise_db == pytest.approx(law)


def test_a_response_of_the_mixer_lies_where_harmonics_meet() -> None:
    """m f - n f_oscillator = IF: with m 2, n 1 and 37.880 MHz at 24.2875 MHz (and at 13.5925 MHz, from the other side)."""
    front = FrontEnd(responses=(Response(signal=2, oscillator=1, rejection_db=55.0),))
    for at_hz in (24_287_500.0, 13_592_500.0):
        assert _level_dbm(front, STATED_AT_DBM + 55.0, at_hz) == pytest.approx(STATED_AT_DBM)


def test_products_are_those_of_a_cubic_characteristic() -> None:
    """y = x - x^3: the line at 2 f1 - f2 of two equal tones against each tone, from the wave, is 2 (P - IP3) with IP3 where both meet."""
    amplitude, points = 0.01, 4096
    phase = 2.0 * np.pi * np.arange(points) / points
    wave = amplitude * (np.cos(100 * phase) + np.cos(110 * phase))
    lines = np.abs(np.fft.rfft(wave - wave**3)) / points * 2.0
    ratio_db = 20.0 * np.log10(lines[90] / lines[100])
    tone_dbm = 10.0 * np.log10(amplitude**2 / 2.0 / 50.0 / 1e-3)
    meets_at = np.sqrt(4.0 / 3.0)  # 3/4 a^3 = a
    front = FrontEnd(intercept_dbm=float(10.0 * np.log10(meets_at**2 / 2.0 / 50.0 / 1e-3)))
    near, far = (
        RfSignal(level_dbm=tone_dbm, frequency_hz=TUNED_HZ + offset_hz) for offset_hz in (50e3, 100e3)
    )
    product = front.product_of(near, far, 0.0)
    assert product is not None
    assert product.frequency_hz == pytest.approx(TUNED_HZ)
    assert product.level_dbm - tone_dbm == pytest.approx(ratio_db, abs=0.01)


def _ratios_db(serial: str, *offsets_hz: float) -> list[float]:
    """Return the ratio at which a carrier truly brings SINAD at -107 dBm down to 14 dB, at each offset."""
    true = TrueUnit(serial, "FM", 20)
    wanted = true.carrier(-107.0, fm_deviation_hz=1_200.0)
    return [
        107.0
        + where(
            lambda level_dbm, at_hz=offset_hz: true.hear(
                wanted, true.carrier(level_dbm, at_hz)
            ).mean_sinad_db(),  # type: ignore[misc]
            14.0,
            -120.0,
            10.0,
        )
        for offset_hz in offsets_hz
    ]


def test_the_nearer_the_less_is_rejected() -> None:
    """Adjacent, alternate, far and image each have a figure of their own; 84 dB are met at 1 MHz (EN 300 086, from memory)."""
    adjacent, alternate, far, image = _ratios_db("M40-0061", 10e3, 20e3, 1e6, 21.39e6)
    assert adjacent < alternate < far
    assert 60.0 < adjacent < 75.0
    assert far > 84.0
    assert image < far - 5.0


def test_a_faulty_front_end_rejects_less() -> None:
    """The faulty unit misses 84 dB at 1 MHz and 70 dB at the image."""
    far, image = _ratios_db("M40-0062", 1e6, 21.39e6)
    assert far < 80.0
    assert image < 60.0


def test_without_a_front_end_there_is_one_figure() -> None:
    """A specimen that states none rejects alike from 100 kHz to 10 MHz, as it always did."""
    near, far = _ratios_db("M40-0007", 100e3, 10e6)
    assert near == pytest.approx(far, abs=0.01)
