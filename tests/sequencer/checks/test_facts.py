"""What a result says of how it was found, and of where it stands, as data: nobody has to read it out of its name or note."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.support.running import run_checks
from tests.support.truth import write_bench

FOUND = """
{check: sensitivity, channel: 20, target: 12 dB SINAD}
{check: s9_point, channel: 20, target: 2.25 V}
"""
ALONG = """
{check: audio_response, channel: 20, drive: 5 mV, tones: [500 Hz, 2 kHz], within: 6 dB}
{check: power_against_supply, channel: 20, supplies: [12 V, 13.2 V]}
{check: carrier_power, channel: 20, keyed_for: 2 s}
"""
CURVE = "{check: s_meter_curve, channel: 20, marks: {S5: 1.25 V, S9: 2.25 V, S9+20 dB: 2.55 V}}"


def _bench_with_s9(folder: Path) -> str:
    bench = Path(write_bench(folder))
    bench.write_text(bench.read_text(encoding="utf-8") + "s9: {hf: -67 dBm}\n", encoding="utf-8")
    return str(bench)


def test_a_crossing_carries_its_target_and_slope(tmp_path: Path) -> None:
    """Target, its unit and the slope stand in the result."""
    ran = run_checks(tmp_path, "M40-0007", FOUND)
    heard, s9 = ran.found("sensitivity, 12 dB SINAD"), ran.found("S9 point")
    assert (heard.target, heard.target_unit) == (12.0, "dB SINAD")
    assert (s9.target, s9.target_unit) == (2.25, "V")
    assert (heard.nominal, s9.nominal) == (None, -73.0)
    for one in (heard, s9):
        assert one.value is not None
        assert one.target is not None
        assert one.slope is not None
        assert one.slope > 0


def test_what_was_not_found_still_says_what_was_looked_for(tmp_path: Path) -> None:
    """A search that never got there carries its target, so that its readings can be drawn against it."""
    check = "{check: s9_point, channel: 20, target: 9 V}"
    result = run_checks(tmp_path, "M40-0007", check).found("S9 point")
    assert result.value is None
    assert (result.target, result.target_unit, result.slope) == (9.0, "V", None)


def test_results_stand_along_their_axis(tmp_path: Path) -> None:
    """Tone, supply and time keyed are fields; the response's nominal is 6 dB per octave: 20 lg(f / 1 kHz) dB."""
    ran = run_checks(tmp_path, "M40-0007", ALONG)
    places = {
        one.quantity: (one.axis, one.axis_value, one.axis_unit, one.nominal)
        for one in ran.outcome.results
        if one.check != "confirm"
    }
    assert places == {
        "audio response at 500 Hz": ("audio frequency", 500.0, "Hz", pytest.approx(20 * math.log10(0.5))),
        "audio response at 2000 Hz": ("audio frequency", 2000.0, "Hz", pytest.approx(20 * math.log10(2))),
        "carrier power at 12 V": ("supply", 12.0, "V", None),
        "carrier power at 13.2 V": ("supply", 13.2, "V", None),
        "carrier power after 2 s": ("time transmitting", 2.0, "s", None),
    }


def test_marks_of_the_meter_carry_the_bench_s_own_s9(tmp_path: Path) -> None:
    """Where a bench file says that S9 is -67 dBm, every mark's nominal level follows, 6 dB an S-unit (IARU Region 1 R.1)."""
    ran = run_checks(tmp_path, "M40-0007", CURVE, bench=_bench_with_s9(tmp_path))
    marks = [one for one in ran.outcome.results if one.axis == "meter mark"]
    assert [(one.axis_value, one.nominal) for one in marks] == [(-24.0, -91.0), (0.0, -67.0), (20.0, -47.0)]
    assert {one.axis_unit for one in marks} == {"dB over S9"}
    # Below S9 the specimen's meter rises by 0.25 V each S-unit of 6 dB (its file says so).
    assert marks[0].slope == pytest.approx(0.25 / 6.0, rel=0.1)
    assert 0 < marks[2].slope < marks[0].slope


def test_what_results_share_is_said_of_every_contribution(tmp_path: Path) -> None:
    """Instruments and paths are the bench's own error, the mismatch the unit's, connections the run's, scatter and search nobody's."""
    ran = run_checks(tmp_path, "M40-0007", FOUND.strip() + ALONG)
    common = {
        part.source: part.common
        for one in ran.outcome.results
        if one.budget is not None
        for part in one.budget.contributions
    }
    assert common == {
        "search, 95 % interval": "none",
        "generator, level accuracy": "bench",
        "mismatch, generator to unit": "unit",
        "receive path, loss": "bench",
        "receive path, connection made anew": "run",
        "transmit path, connection made anew": "run",
        "supply lead, connection made anew": "run",
        "mismatch, generator to path": "bench",
        "mismatch, path to unit": "unit",
        "SINAD, accuracy": "bench",
        "generator, deviation": "bench",
        "generator, tone": "bench",
        "audio source, frequency": "bench",
        "supply, voltage": "bench",
        "mismatch, path to power meter": "bench",
        "mismatch, unit to power meter": "unit",
        "meter voltage, accuracy": "bench",
        "analyser, response between the tones": "bench",
        "repeatability": "none",
        "repeatability at 1 kHz": "none",
        "repeatability of the power reading": "none",
        "power meter, accuracy": "bench",
        "mismatch, unit to path": "unit",
        "transmit path, loss": "bench",
    }
