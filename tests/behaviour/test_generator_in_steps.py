"""Whole runs with a generator that rounds its level: what is searched lies where it truly is, by the levels that read back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sequencer.results.model import Result
from tests.support.truth import TrueUnit, where

LEVELS = """
sequence: levels
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: sensitivity, channel: 20, tone: 1 kHz, deviation: 1.2 kHz}
  - {check: s9_point, channel: 20, target: 2.25 V}
"""


def _truth_dbm() -> list[float]:
    """Return the level of 12 dB SINAD and that of 2.25 V on the meter line, asked of the unit itself."""
    unit = TrueUnit("M40-0007", "FM", 20)

    def sinad_db(level_dbm: float) -> float:
        return unit.hear(unit.carrier(level_dbm, fm_deviation_hz=1200.0, tone_hz=1000.0)).mean_sinad_db()

    def meter_v(level_dbm: float) -> float:
        return unit.hear(unit.carrier(level_dbm)).meter_volts(60.0)

    return [where(sinad_db, 12.0, -130.0, -100.0), where(meter_v, 2.25, -100.0, -40.0)]


def _rows(rig: Any) -> list[Result]:
    outcome = rig.run()
    return list(outcome.results)


@pytest.mark.parametrize("step_db", [0.1, 0.5, 1.0])
def test_levels_are_found_by_what_the_generator_says_it_made(
    make_rig: Callable[..., Any], step_db: float
) -> None:
    """With steps up to a decibel sensitivity and S9 lie within U of the truth, and U is at most a fifth wider than a fine generator's."""
    fine = _rows(make_rig(sequence=LEVELS))
    rig = make_rig(sequence=LEVELS)
    rig.device("signal_generator").step_db = step_db
    for truth_dbm, row, fine_row in zip(_truth_dbm(), _rows(rig), fine, strict=True):
        assert row.value is not None, row.note
        assert row.uncertainty is not None
        assert fine_row.uncertainty is not None
        # about 95 %: one in twenty lies a little beyond
        assert abs(row.value - truth_dbm) <= 1.3 * row.uncertainty
        assert row.uncertainty <= 1.2 * fine_row.uncertainty
        apart = [(point.level_db - row.points[0].level_db) / step_db for point in row.points]
        assert apart == pytest.approx([round(steps) for steps in apart], abs=0.15), (
            "no level of this generator"
        )


def test_a_level_that_is_set_and_not_searched_keeps_the_step_in_its_budget(
    make_rig: Callable[..., Any],
) -> None:
    """SINAD at a stated level is read at the nearest that there is: how far that is off is a part of the budget."""
    sequence = (
        LEVELS.split("checks:", maxsplit=1)[0]
        + "checks:\n  - {check: sinad, channel: 20, level: -116.5 dBm}\n"
    )
    rig = make_rig(sequence=sequence)
    rig.device("signal_generator").step_db = 1.0
    row = next(one for one in _rows(rig) if one.quantity.startswith("SINAD"))
    assert row.budget is not None
    assert "generator, step of its level" in str(row.budget)
