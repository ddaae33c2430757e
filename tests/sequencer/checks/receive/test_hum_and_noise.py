"""Hum and noise of a receiver: against the unit's truth and the closed form of its residual deviation, and what is refused."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sequencer.problems import FileProblems
from tests.support.running import run_checks
from tests.support.truth import TrueUnit

QUANTITY = "hum and noise"
MODULATION = {"FM": {"fm_deviation_hz": 1_200.0}, "AM": {"am_depth_percent": 60.0}}


def true_ratio_db(serial: str, mode: str, level_dbm: float) -> float:
    """Return the ratio of the loudspeaker's voltages with modulation and without, each read for 200 s."""
    true = TrueUnit(serial, mode, 20)
    with_v = true.hear(true.carrier(level_dbm, **MODULATION[mode])).audio_level_v(200.0)
    without_v = true.hear(true.carrier(level_dbm)).audio_level_v(200.0)
    return 20.0 * math.log10(with_v / without_v)


@pytest.mark.parametrize(("mode", "level_dbm"), [("FM", -47.0), ("AM", -47.0), ("FM", -107.0)])
def test_the_ratio_is_the_unit_s(tmp_path: Path, mode: str, level_dbm: float) -> None:
    """In FM and AM, and where the ratio follows the level, it lies within its uncertainty of the truth."""
    check = f"{{check: hum_and_noise, channel: 20, level: {level_dbm:g} dBm}}"
    result = run_checks(tmp_path, "MX40-0101", check, mode=mode).found(QUANTITY)
    assert result.value is not None, result.note
    assert result.uncertainty is not None
    assert result.uncertainty < 1.5
    assert abs(result.value - true_ratio_db("MX40-0101", mode, level_dbm)) <= result.uncertainty


def test_strongly_quieted_it_is_the_residual_deviation(tmp_path: Path) -> None:
    """Closed form: 2 V for a tone of 1200/sqrt(2) Hz rms, so 18.9 mV for 8 Hz of residual deviation; 40.5 dB between the two.

    The simulated loudspeaker line adds 1 mV that is always there, 40.1 dB. Thermal noise at -47 dBm lies far below.
    """
    result = run_checks(tmp_path, "M40-0007", "{check: hum_and_noise, channel: 20}").found(QUANTITY)
    assert result.value is not None
    assert result.uncertainty is not None
    residual_v = 2.0 * 8.0 / (1_200.0 / math.sqrt(2.0)) + 1e-3
    assert abs(result.value - 20.0 * math.log10(2.0 / residual_v)) <= result.uncertainty


def test_a_budget_holds_each_voltage_and_the_modulation(tmp_path: Path) -> None:
    """Two voltages of 1 % as independent, 2 % of deviation, 0.1 % of tone; the level counts by the slope found, which is small."""
    result = run_checks(tmp_path, "M40-0007", "{check: hum_and_noise, channel: 20}").found(QUANTITY)
    assert result.budget is not None
    found = {part.source: abs(part.contribution) for part in result.budget.contributions}
    assert found["hum and noise, accuracy"] == pytest.approx(0.0873 * math.sqrt(2.0 / 3.0), rel=0.01)
    assert found["generator, deviation"] == pytest.approx(0.1755 / math.sqrt(3.0), rel=0.01)
    assert found["generator, level accuracy"] < 0.1
    assert {"with modulation, repeatability", "without modulation, repeatability"} <= found.keys()


def test_a_unit_that_hears_nothing_has_no_figure(tmp_path: Path) -> None:
    """Far below the threshold the audio is as loud without modulation as with: words, no number that would fail the unit."""
    check = "{check: hum_and_noise, channel: 20, level: -135 dBm, limit: {min: 34 dB}}"
    result = run_checks(tmp_path, "M40-0007", check).found(QUANTITY)
    assert result.value is None
    assert "nothing of the modulation is heard" in result.note


@pytest.mark.parametrize(
    ("how", "message"),
    [
        (", mode: USB", "hum_and_noise.*USB.*allowed: .*FM"),
        (", level: 3 dBm", "above the receiver's rating"),
    ],
)
def test_the_plan_refuses(tmp_path: Path, how: str, message: str) -> None:
    """A mode without modulation and a level too high are said before anything is sent."""
    with pytest.raises(FileProblems, match=f"(?s){message}"):
        run_checks(tmp_path, "MX40-0101", f"{{check: hum_and_noise, channel: 20{how}}}")
