"""Quieting and (S+N)/N at one level: against closed forms, against the search for the same ratio, and what is not called a figure."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.problems import FileProblems
from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from sim.bench import SimulatedBench
from sim.instruments.signal_generator import SignalGenerator
from tests.support.running import run_checks

SERIAL = "MX40-0101"
BOLTZMANN_290_DBM_HZ = 10.0 * math.log10(
    1.380649e-23 * 290.0 / 1e-3
)  # k as the SI defines it, 290 K as noise figures do


def measured(
    folder: Path,
    check: str,
    *,
    mode: str = "FM",
    before: Callable[[SimulatedBench], None] = lambda bench: None,
) -> Result:
    """Return the ratio that the check states."""
    checks = f"{{check: signal_to_noise, channel: 20, {check}}}"
    ran = run_checks(folder, SERIAL, checks, mode=mode, before=before)
    (found,) = (one for one in ran.outcome.results if one.check == "signal_to_noise")
    return found


def test_ssb_is_as_thermal_noise_and_noise_figure_make_it(tmp_path: Path) -> None:
    """kTB, B of 2.4 kHz and the specimen's noise figure of 6 dB: (S+N)/N is 10 lg(1 + S/N). Textbook; within U and 0.3 dB of skirt."""
    found = measured(tmp_path, "ratio: (S+N)/N, level: -120 dBm", mode="USB")
    signal_to_noise_db = -120.0 - (BOLTZMANN_290_DBM_HZ + 10.0 * math.log10(2400.0) + 6.0)
    assert found.value is not None
    assert found.uncertainty is not None
    expected_db = 10.0 * math.log10(1.0 + 10.0 ** (signal_to_noise_db / 10.0))
    assert found.value == pytest.approx(expected_db, abs=found.uncertainty + 0.3)


def test_it_agrees_with_the_search_for_the_same_quieting(tmp_path: Path) -> None:
    """At the level at which `sensitivity` finds 20 dB quieting the ratio is 20 dB within what both may be off, the slope between them."""
    ran = run_checks(
        tmp_path, SERIAL, "{check: sensitivity, channel: 20, target: 20 dB quieting, accuracy: 0.5 dB}"
    )
    (level,) = (one for one in ran.outcome.results if one.check == "sensitivity")
    assert level.value is not None
    (folder := tmp_path / "at").mkdir()
    found = measured(folder, f"ratio: quieting, level: {level.value:.2f} dBm")
    assert found.quantity == "quieting"
    assert found.value == pytest.approx(
        20.0, abs=1.5 * 0.7
    )  # the search's own interval times a slope of about 1.5


def test_nothing_heard_is_no_figure_and_a_deaf_place_is_one(tmp_path: Path) -> None:
    """Far below the noise it is a small ratio, for a strong signal is heard; where no signal arrives nothing is stated."""
    low = measured(tmp_path, "ratio: quieting, level: -135 dBm")
    assert low.value is not None
    assert 0.0 < low.value < 2.0
    (folder := tmp_path / "cut").mkdir()

    def cut(simulation: SimulatedBench) -> None:
        (generator,) = (one for one in simulation.devices.values() if isinstance(one, SignalGenerator))
        generator.worn_db = -150.0  # its cable has come off

    nothing = measured(folder, "ratio: quieting, level: -116 dBm", before=cut)
    assert nothing.value is None
    assert nothing.decision is Decision.NOT_MEASURED
    assert "gives noise and no tone" in nothing.note


def test_a_ratio_that_the_mode_has_not_is_refused(tmp_path: Path) -> None:
    """FM knows no (S+N)/N: its noise depends on the carrier. The plan says so, with the ratio that it has."""
    with pytest.raises(
        FileProblems, match=r"(?s)\(S\+N\)/N does not measure a receiver in FM.*'quieting' in FM"
    ) as told:
        measured(tmp_path, "ratio: (S+N)/N, level: -116 dBm")
    assert told.value.complaints[0].line > 0
