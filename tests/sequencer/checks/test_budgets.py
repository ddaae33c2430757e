"""Limits and budgets of the checks, against figures computed by hand, and notes that can be read."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from sequencer.checks.base import Conditions
from sequencer.checks.receive.sensitivity import Sensitivity, SensitivitySettings
from sequencer.checks.shared.asked.levels import LevelWindow
from sequencer.checks.shared.asked.target import FrequencyTolerance
from sequencer.checks.shared.budgets.level_budget import how_found, level_budget, why_not
from sequencer.checks.shared.budgets.parts import HalfWidth
from sequencer.checks.shared.level_search.sensitivity_reader import modulation_errors
from sequencer.checks.shared.transmit.keyed_readings import power_budget
from sequencer.checks.transmit.frequency_error import error_budget
from sequencer.files.read import read_file
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.bench_models import bench_model_of
from sequencer.inputs.bench_parts.instrument_roles import SignalGenerator
from sequencer.inputs.load_bench import load_bench
from sequencer.search.protocol import Crossing, Status
from sequencer.uncertainty.budget import Budget


@pytest.fixture(scope="module")
def bench() -> BenchFile:
    """The shipped bench."""
    return read_file(load_bench("bench").path, bench_model_of).model


def _conditions(bench: BenchFile, **changes: Any) -> Conditions:
    facts: dict[str, Any] = {"bench": bench, "channel": 20, "frequency_hz": 27.205e6, "mode": "FM"}
    return Conditions(**facts | changes)


SINAD = (
    ("SINAD, accuracy", HalfWidth(figure=0.5, keys=("instruments.audio_analyser.accuracy.sinad",)), "dB"),
)


def _standard(budget: Budget) -> dict[str, float]:
    return {one.source: one.coefficient * one.stated / one.divisor for one in budget.contributions}


def test_the_level_s_budget_is_what_the_bench_file_says(bench: BenchFile) -> None:
    """Hand-computed (JCGM 100:2008, 4.3 and F.2.4.5): search 0.45/1.96, generator 0.5/√3, SINAD 0.5/√3/1.5, path 0.1/2.

    Mismatch: VSWR 1.3 (generator), 1.1 (both ends of the path) and 1.5 (unit) reflect 0.3/2.3, 0.1/2.1 and 0.5/2.5. Generator and path
    8.686·0.1304·0.0476/√2 = 0.038 dB, path and unit 8.686·0.0476·0.2/√2 = 0.058 dB, generator and unit through 0.422 dB
    8.686·0.1304·0.2·10^-0.0422/√2 = 0.145 dB.
    """
    crossing = _crossing(level_db=-120.0, half_width_db=0.45, slope=1.5)
    found = _standard(level_budget("sensitivity", crossing, SINAD, _conditions(bench)))
    expected = {
        "search, 95 % interval": 0.45 / 1.959964,
        "generator, level accuracy": 0.5 / math.sqrt(3),
        "mismatch, generator to unit": 0.145,
        "mismatch, generator to path": 0.038,
        "mismatch, path to unit": 0.058,
        "receive path, loss": 0.05,
        "receive path, connection made anew": 0.03,
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
        _standard(level_budget("x", _crossing(slope=slope), SINAD, _conditions(bench))).get("SINAD, accuracy")
        for slope in (1.0, -2.0, None)
    ]
    assert shares[0] is not None
    assert shares[1] is not None
    assert abs(shares[0]) == pytest.approx(2.0 * abs(shares[1]))
    assert shares[2] is None


def test_half_of_a_meter_s_play_is_in_the_budget_and_told(bench: BenchFile) -> None:
    """1.2 dB between both directions: the middle is off by 0.6 dB at most, rectangular (JCGM 100:2008, 4.3.7); none is not told."""
    budgets = [
        _standard(level_budget("S9", _crossing(play_db=play), SINAD, _conditions(bench)))
        for play in (1.2, 0.0, None)
    ]
    assert budgets[0]["meter, its hysteresis"] == pytest.approx(0.6 / math.sqrt(3))
    assert all("meter, its hysteresis" not in one for one in budgets[1:])
    assert "1.2 dB of hysteresis" in how_found(_crossing(play_db=1.2))
    assert "hysteresis" not in how_found(_crossing(play_db=0.0))


def test_the_power_s_budget_is_what_the_bench_file_says(bench: BenchFile) -> None:
    """4 W: meter 3 % is 0.12 W/√3 = 69 mW; path 0.15 dB (k = 2) is 4·0.075·ln(10)/10 = 69 mW; equal readings: the last digit.

    Mismatch: unit 1.5 and path's input 1.15 (0.15/2.15) 8.686·0.2·0.0698/√2 = 0.0857 dB, 79 mW; path's output and meter, 1.1 each,
    8.686·0.0476²/√2 = 0.0139 dB, 12.8 mW; unit and meter through 30.1 dB 8.686·0.2·0.0476·10^-3.01/√2 = 0.000057 dB, ±0.00008 dB.
    """
    found = _standard(power_budget("carrier power", 4.0, [36.02, 36.02, 36.02, 36.02], _conditions(bench)))
    assert abs(found["power meter, accuracy"]) == pytest.approx(0.0693, rel=0.01)
    assert abs(found["transmit path, loss"]) == pytest.approx(0.0691, rel=0.02)
    assert abs(found["mismatch, unit to path"]) == pytest.approx(0.0790, rel=0.01)
    assert abs(found["mismatch, path to power meter"]) == pytest.approx(0.0128, rel=0.01)
    through_db = math.sqrt(2.0) * abs(found["mismatch, unit to power meter"]) / (4.0 * math.log(10.0) / 10.0)
    assert through_db == pytest.approx(0.00008, abs=0.000005)
    digit_w = (
        0.001 / math.sqrt(12.0) * 4.0 * math.log(10.0) / 10.0
    )  # four equal readings are as sure as a thousandth of a decibel
    assert found["repeatability of the power reading"] == pytest.approx(digit_w)


def test_the_paths_matches_are_those_of_a_published_example(bench: BenchFile) -> None:
    """A public text that applies the rules of ETSI TR 100 028: equipment .7, network .333, analyser .091, and .724 of voltage through.

    It prints, as standard uncertainties in dB, network to analyser .333·.091 = .186 and equipment to analyser .7·.091·.724² = .205. It
    takes 11.5 % for a decibel where this budget takes 20/ln 10, so that 0.2 % are between them.
    """
    reflections = {"unit_vswr": 0.7, "input_vswr": 0.333, "output_vswr": 0.333}
    vswr = {key: (1.0 + gamma) / (1.0 - gamma) for key, gamma in reflections.items()}
    through_db = -20.0 * math.log10(0.724)
    path = bench.paths.transmit
    meter = bench.instruments["power_meter"].model_copy(update={"vswr": 1.091 / 0.909})
    assert path is not None
    changed = bench.model_copy(
        update={
            "paths": bench.paths.model_copy(
                update={"transmit": path.model_copy(update={**vswr, "loss_or_table": {27e6: through_db}})}
            ),
            "instruments": {**bench.instruments, "power_meter": meter},
        }
    )
    one_db = math.log(10.0) / 10.0  # of 1 W, W
    found = _standard(power_budget("power", 1.0, [30.0, 30.0], _conditions(changed)))
    assert abs(found["mismatch, path to power meter"]) / one_db == pytest.approx(0.186, abs=0.0008)
    assert abs(found["mismatch, unit to power meter"]) / one_db == pytest.approx(0.205, abs=0.0008)
    assert abs(found["mismatch, unit to path"]) / one_db == pytest.approx(
        100 * 0.7 * 0.333 / 2**0.5 / 11.5, rel=2e-3
    )


def test_a_plain_cable_lets_generator_and_unit_face_each_other_and_a_pad_does_not(bench: BenchFile) -> None:
    """Without matches of its ends a cable of 0.4 dB has none; 10 dB are a pad, whose ends must be stated."""
    path = bench.paths.receive
    assert path is not None
    sources = []
    for loss_db in (0.42, 10.0):
        bare = {"input_vswr": None, "output_vswr": None, "loss_or_table": {27e6: loss_db}}
        paths = bench.paths.model_copy(update={"receive": path.model_copy(update=bare)})
        budget = level_budget("x", _crossing(), (), _conditions(bench.model_copy(update={"paths": paths})))
        sources.append(
            ([one.source for one in budget.contributions if "mismatch" in one.source], budget.unstated)
        )
    assert sources[0] == (["mismatch, generator to unit"], ())
    assert sources[1] == (
        ["mismatch, generator to unit"],
        ("paths.receive.input_vswr", "paths.receive.output_vswr"),
    )


def test_deviation_of_the_generator_moves_sensitivity_as_it_must(bench: BenchFile) -> None:
    """±5 % of deviation is 20 lg 0.95 = 0.446 dB of SINAD, and 0.3 dB of level at 1.5 dB per dB; AM takes the depth, SSB neither."""
    accuracy = {"deviation_percent": 5.0, "depth_percent": 5.0}
    generator = bench.instruments["signal_generator"]
    assert isinstance(generator, SignalGenerator)
    changed = generator.model_copy(update={"accuracy": generator.accuracy.model_copy(update=accuracy)})
    other = bench.model_copy(update={"instruments": {**bench.instruments, "signal_generator": changed}})
    for mode, source in (("FM", "generator, deviation"), ("AM", "generator, depth")):
        errors = modulation_errors(other, mode)
        found = {
            one.source: one
            for one in level_budget("x", _crossing(), errors, _conditions(bench)).contributions
        }
        assert found[source].stated == pytest.approx(0.446, abs=0.001)
        assert found[source].stated * found[source].coefficient == pytest.approx(0.297, abs=0.001)
    assert modulation_errors(other, "USB") == ()


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
