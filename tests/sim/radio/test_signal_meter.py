"""The signal meter's law, lag, saturation and segments."""

from __future__ import annotations

import numpy as np
import pytest

from sim.radio.signal_meter import LevelSwitch, NeedleLine, SegmentLine, level_fluctuation_db, needle_v
from sim.radio.unit import SignalMeter

# IARU Region 1 Technical Recommendation R.1, HF: S-unit and level in dBm.
IARU_DBM = {1: -121, 2: -115, 3: -109, 4: -103, 5: -97, 6: -91, 7: -85, 8: -79, 9: -73}
IARU_OVER_S9_DBM = {10: -63, 20: -53, 30: -43, 40: -33, 50: -23, 60: -13}


def test_needle_follows_the_iaru_table() -> None:
    """A meter with S9 at -73 dBm shows equal steps at each S-unit of the IARU R.1 table."""
    meter = SignalMeter(s9_dbm=-73.0, minimum_v=0.0, maximum_v=10.0)
    for s_unit, level_dbm in IARU_DBM.items():
        assert needle_v(meter, level_dbm) == pytest.approx(0.25 * s_unit)
    for over_db, level_dbm in IARU_OVER_S9_DBM.items():
        assert needle_v(meter, level_dbm) == pytest.approx(2.25 + 0.015 * over_db)


def test_needle_saturates_at_both_ends() -> None:
    """Beyond its scale the line stands at its lowest and highest voltage, and never scatters past them."""
    meter = SignalMeter()
    assert needle_v(meter, -200.0) == meter.minimum_v
    assert needle_v(meter, 30.0) == meter.maximum_v
    line, rng = NeedleLine(meter, 0.0), np.random.default_rng(1)
    line.set_level(30.0, 0.0)
    readings = [line.read_v(100.0, 0.1, 0.5, rng) for _ in range(200)]
    assert max(readings) <= meter.maximum_v
    assert min(readings) > meter.maximum_v - 0.1


def test_needle_lags_as_the_exponential() -> None:
    """A step of level arrives at the line as 1-exp(-t/τ) of the step (elementary RC circuit)."""
    meter = SignalMeter(noise_v=0.0, attack_s=0.2, s9_dbm=-73.0, minimum_v=0.0)
    line, rng = NeedleLine(meter, 0.0), np.random.default_rng(1)
    line.set_level(-73.0, 0.0)
    for time_s in (0.1, 0.2, 0.6):
        expected_v = 2.25 * (1.0 - np.exp(-time_s / 0.2))
        assert line.read_v(time_s, 1e-6, 0.0, rng) == pytest.approx(expected_v, abs=1e-4)


def test_needle_scatter_falls_with_time() -> None:
    """Sixteen times the reading time leaves a quarter of the scatter."""
    line, rng = NeedleLine(SignalMeter(), 0.0), np.random.default_rng(7)
    line.set_level(-73.0, 0.0)
    short, long = (
        np.std([line.read_v(99.0, span_s, 0.0, rng) for _ in range(1_500)]) for span_s in (0.1, 1.6)
    )
    assert short == pytest.approx(SignalMeter().noise_v, rel=0.1)
    assert short / long == pytest.approx(4.0, rel=0.12)


def test_dead_meter_falls_to_zero() -> None:
    """Without supply the line decays to 0 V, without scatter."""
    line, rng = NeedleLine(SignalMeter(), 0.0), np.random.default_rng(7)
    line.set_level(-73.0, 0.0)
    line.set_level(None, 10.0)
    assert line.read_v(30.0, 0.1, 0.0, rng) == pytest.approx(0.0, abs=1e-9)


def bar(**changes: float) -> SignalMeter:
    """Return a bar of nine segments at the IARU levels, quiet unless asked otherwise."""
    settings: dict[str, float] = {"jitter_db": 0.0} | changes
    return SignalMeter(kind="segments", thresholds_dbm={n: float(v) for n, v in IARU_DBM.items()}, **settings)  # type: ignore[arg-type]


def test_segments_light_and_go_out_a_hysteresis_apart() -> None:
    """Rising, segment 9 lights at its threshold; falling, it stays lit until the hysteresis below."""
    line, rng = SegmentLine(bar(hysteresis_db=2.0), 0.0), np.random.default_rng(1)
    seen = []
    for step, level_dbm in enumerate((-73.2, -72.8, -74.8, -75.2)):
        line.set_level(level_dbm, 20.0 * step)
        line.read_v(20.0 * step + 19.0, 0.1, 0.0, rng)
        seen.append(line.lit())
    assert seen == [8, 9, 9, 8]


def test_segments_jitter_around_the_threshold() -> None:
    """Exactly at its threshold a jittery segment lights in half of the looks taken from dark."""
    meter, rng = bar(jitter_db=0.5, hysteresis_db=0.0), np.random.default_rng(4)
    line = SegmentLine(meter, 0.0)
    line.set_level(-73.0, 0.0)
    volts = [line.read_v(100.0, 0.1, 0.0, rng) for _ in range(800)]
    lit = np.mean(np.array(volts) > meter.minimum_v + 8.5 * meter.segment_v)
    assert lit == pytest.approx(0.5, abs=0.06)


def test_a_step_within_the_reading_reads_in_between() -> None:
    """A voltmeter averages a segment that lights halfway through the reading."""
    line, rng = SegmentLine(bar(attack_s=1.0), 0.0), np.random.default_rng(1)
    line.set_level(-60.0, 0.0)
    volts = line.read_v(0.0, 20.0, 0.0, rng)
    assert 0.02 < volts < 0.02 + 9 * 0.25 - 0.01


def test_switch_keeps_its_state_between_its_two_levels() -> None:
    """Between the two levels the state is where it came from."""
    switch = LevelSwitch(on_dbm=-100.0, hysteresis_db=3.0)
    assert [switch.meet(level) for level in (-101.0, -99.0, -102.0, -104.0, -102.0)] == [
        False,
        True,
        True,
        False,
        False,
    ]


@pytest.mark.parametrize(("carrier_w", "noise_w"), [(0.0, 1.0), (1.0, 1.0), (30.0, 1.0)])
def test_fluctuation_of_an_averaged_power(carrier_w: float, noise_w: float) -> None:
    """The scatter of an averaged power meets samples of carrier plus complex noise within 8 %."""
    rng = np.random.default_rng(5)
    samples = np.sqrt(carrier_w) + np.sqrt(noise_w / 2) * (
        rng.standard_normal((4_000, 800)) + 1j * rng.standard_normal((4_000, 800))
    )
    measured_db = np.std(10 * np.log10((np.abs(samples) ** 2).mean(axis=1)))
    assert level_fluctuation_db(carrier_w, noise_w, 8_000.0, 0.1) == pytest.approx(measured_db, rel=0.08)
