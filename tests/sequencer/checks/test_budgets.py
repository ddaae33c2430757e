"""Limits and budgets of the checks, against figures computed by hand, and notes that can be read."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from drivers.roles import Reading
from sequencer.checks.base import Conditions
from sequencer.checks.frequency_error import error_budget
from sequencer.checks.modulation_depth import _stated_percent
from sequencer.checks.receive_distortion import _reader_share
from sequencer.checks.sensitivity import Sensitivity, SensitivitySettings
from sequencer.checks.shared.level_budget import how_found, level_budget, why_not
from sequencer.checks.shared.levels import LevelWindow
from sequencer.checks.shared.target import FrequencyTolerance
from sequencer.checks.shared.transmit import analyser_finding, power_budget
from sequencer.checks.transmit_distortion import _reader_percent
from sequencer.files.read import read_file, read_text
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.load_bench import load_bench
from sequencer.search.protocol import Crossing, Status
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.decision import Limits


@pytest.fixture(scope="module")
def bench() -> BenchFile:
    """The shipped bench."""
    return read_file(load_bench("bench").path, BenchFile).model


def _conditions(bench: BenchFile, **changes: Any) -> Conditions:
    facts: dict[str, Any] = {"bench": bench, "channel": 20, "frequency_hz": 27.205e6, "mode": "FM"}
    return Conditions(**facts | changes)


def _standard(budget: Budget) -> dict[str, float]:
    return {one.source: one.coefficient * one.stated / one.divisor for one in budget.contributions}


def test_the_level_s_budget_is_what_the_bench_file_says(bench: BenchFile) -> None:
    """Hand-computed (JCGM 100:2008, 4.3 and F.2.4.5): search 0.45/1.96, generator 0.5/√3, SINAD 0.5/√3/1.5, path 0.1/2.

    Mismatch of VSWR 1.3 and 1.5: reflections 0.3/2.3 and 0.5/2.5; 8.686·0.1304·0.2/√2 = 0.160 dB.
    """
    crossing = _crossing(level_db=-120.0, half_width_db=0.45, slope=1.5)
    found = _standard(level_budget("sensitivity", crossing, 0.5, "SINAD", _conditions(bench)))
    expected = {
        "search, 95 % interval": 0.45 / 1.959964,
        "generator, level accuracy": 0.5 / math.sqrt(3),
        "mismatch, generator to unit": 0.160,
        "receive path, loss": 0.05,
        "SINAD, accuracy": 0.5 / math.sqrt(3) / 1.5,
    }
    assert found.keys() == expected.keys()
    for name, figure in expected.items():
        assert abs(found[name]) == pytest.approx(figure, abs=0.002), name


def _crossing(**changes: Any) -> Crossing:
    facts: dict[str, Any] = {
        "status": Status.FOUND,
        "level_db": -120.0,
        "half_width_db": 0.45,
        "slope": 1.5,
        "readings": 7,
    }
    return Crossing(**facts | changes)


def test_a_steeper_reading_carries_less_of_its_error_into_the_level(bench: BenchFile) -> None:
    """0.5 dB of SINAD is 0.5 dB of level at 1 dB per dB and 0.25 dB at 2 dB per dB; without slope it is left out."""
    shares = [
        _standard(level_budget("x", _crossing(slope=slope), 0.5, "SINAD", _conditions(bench))).get(
            "SINAD, accuracy"
        )
        for slope in (1.0, -2.0, None)
    ]
    assert shares[0] is not None
    assert shares[1] is not None
    assert abs(shares[0]) == pytest.approx(2.0 * abs(shares[1]))
    assert shares[2] is None


def test_the_power_s_budget_is_what_the_bench_file_says(bench: BenchFile) -> None:
    """4 W: meter 3 % is 0.12 W/√3 = 69 mW; path 0.15 dB (k = 2) is 4·0.075·ln(10)/10 = 69 mW; equal readings scatter nothing.

    Mismatch of VSWR 1.5 and 1.1: 8.686·0.2·0.0476/√2 = 0.0585 dB, 54 mW.
    """
    found = _standard(power_budget("carrier power", 4.0, [36.02, 36.02, 36.02, 36.02], _conditions(bench)))
    assert abs(found["power meter, accuracy"]) == pytest.approx(0.0693, rel=0.01)
    assert abs(found["transmit path, loss"]) == pytest.approx(0.0691, rel=0.02)
    assert abs(found["mismatch, unit to path"]) == pytest.approx(0.0539, rel=0.02)
    assert found["repeatability of the power reading"] == 0.0


def test_the_frequency_s_budget_is_its_reference_and_its_last_digit(bench: BenchFile) -> None:
    """0.1 ppm of 27.205 MHz is 2.72 Hz, /√3 = 1.57 Hz; a step of 1 Hz is 1/√12 = 0.29 Hz."""
    found = _standard(error_budget("frequency error", [11.0, 11.0, 11.0, 11.0], 27.205e6, _conditions(bench)))
    assert abs(found["analyser's reference"]) == pytest.approx(2.7205 / math.sqrt(3), rel=1e-3)
    assert abs(found["counter's resolution"]) == pytest.approx(1.0 / math.sqrt(12.0), rel=1e-3)


def test_a_tolerance_in_ppm_goes_with_the_carrier() -> None:
    """20 ppm of 27.205 MHz are 544.1 Hz; 600 Hz are 600 Hz anywhere."""
    assert FrequencyTolerance(ppm=20.0).at(27.205e6) == pytest.approx(544.1)
    assert FrequencyTolerance(hz=600.0).at(27.205e6) == 600.0


def test_the_search_s_window_is_what_the_bench_can_do(bench: BenchFile) -> None:
    """Without levels: from the generator's lowest less the path (-137.4 dBm) to -20 dBm; the receiver's rating caps it."""
    assert LevelWindow().bounds_dbm(_conditions(bench)) == (-137.4, -20.0)
    careful = bench.model_copy(
        update={"protection": bench.protection.model_copy(update={"max_receiver_input_dbm": -30.0})}
    )
    assert LevelWindow().bounds_dbm(_conditions(careful))[1] == -30.0
    assert LevelWindow(min_dbm=-120.0, max_dbm=-60.0).bounds_dbm(_conditions(bench)) == (-120.0, -60.0)


def test_a_finer_search_is_forecast_to_take_longer(bench: BenchFile) -> None:
    """Time goes with the readings needed: halving the accuracy more than doubles the searching."""

    def forecast_s(accuracy_db: float) -> float:
        settings = SensitivitySettings(check="sensitivity", channel=20, accuracy_db=accuracy_db)
        return Sensitivity().forecast_s(settings, _conditions(bench))

    assert forecast_s(0.1) > 3.0 * forecast_s(0.25) - 2.0
    assert forecast_s(1.0) <= forecast_s(0.5) < forecast_s(0.25)


def test_notes_are_words_a_person_can_read() -> None:
    """How a level was found, or why not, is said with figures and units, never as a programmer's value."""
    found = how_found(_crossing())
    assert found.startswith("7 readings, ±0.45 dB by the search, slope 1.5 per dB")
    missed = why_not(_crossing(status=Status.NEVER_REACHED, level_db=None))
    assert missed.startswith(f"{Status.NEVER_REACHED.value} after 7 readings")
    for note in (found, missed):
        assert "None" not in note
        assert "Status" not in note
        assert "_" not in note


def test_the_shipped_bench_is_where_these_figures_come_from(bench: BenchFile) -> None:
    """The hand-computed figures above hold for these entries; whoever changes the file computes again."""
    assert bench.paths.receive is not None
    assert bench.paths.transmit is not None
    assert (bench.paths.receive.unit_vswr, bench.paths.receive.uncertainty_db) == (1.5, 0.1)
    assert (bench.paths.transmit.unit_vswr, bench.paths.transmit.uncertainty_db) == (1.5, 0.15)
    assert Path(load_bench("bench").path).name == "bench.yaml"


def _depth_percent(conditions: Conditions) -> float:
    found = analyser_finding(
        "d",
        "%",
        [Reading(number=60.0)] * 2,
        Limits(),
        conditions,
        accuracy_percent=_stated_percent(conditions),
    )
    assert found.budget is not None
    accuracy = next(one for one in found.budget.contributions if one.source == "analyser, accuracy")
    return 100.0 * accuracy.stated / 60.0


@pytest.mark.parametrize(
    ("role", "stated", "share"),
    [
        ("modulation_analyser", "depth: 3 %", _depth_percent),
        ("modulation_analyser", "distortion: 3 %", _reader_percent),
        ("audio_analyser", "distortion: 3 %", lambda conditions: 100.0 * _reader_share(conditions)),
    ],
)
def test_a_stated_accuracy_of_depth_or_distortion_is_used(role: str, stated: str, share: Any) -> None:
    """What the bench file states of depth or distortion stands in its budget; without it another figure stands for it."""
    text = load_bench("bench").path.read_text(encoding="utf-8")
    old = {"modulation_analyser": "{deviation: 1 %, ", "audio_analyser": "{sinad: 0.5 dB, "}[role]
    assert old in text
    changed = read_text(text.replace(old, f"{{{stated}, "), BenchFile).model
    assert share(_conditions(changed)) == pytest.approx(3.0)
    assert share(_conditions(read_text(text, BenchFile).model)) != pytest.approx(3.0)
