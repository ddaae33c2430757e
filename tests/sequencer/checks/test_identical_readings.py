"""Readings that happen to be alike: never surer than the last digit, and results that were read together are as sure as each other."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from sequencer.checks.finding import Finding
from sequencer.checks.shared.budgets.pooled_scatter import pooled
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import repeatability
from tests.sequencer.checks.test_stated import BENCHES, CASES, MULTIMODE
from tests.support.rig import Rig

HEAD = (
    "sequence: S\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nrated_supply: {min: 8 V, max: 16 V}\n"
    "rated_power: 13 W\nchecks:\n"
)
LIKE = """
{check: peak_deviation, channel: 20, drive: 10 mV}
{check: channel_sweep, sweep: [1, 20, 40]}
{check: audio_response, channel: 20, drive: 3 mV, tones: [500 Hz, 2 kHz]}
"""


class Still:
    """A generator of random numbers whose every draw is the middle: an instrument that does not scatter at all."""

    def standard_normal(self, size: Any = None) -> Any:
        """Return nought."""
        import numpy as np

        return 0.0 if size is None else np.zeros(size)

    def uniform(self, low: float, high: float) -> float:
        """Return the middle."""
        return (low + high) / 2.0


def _results(folder: Path, checks: str, serial: str, *, still: bool) -> list[Result]:
    items = "".join(f"  - {line}\n" for line in checks.strip().splitlines())
    sequence = folder / "like.yaml"
    sequence.write_text(HEAD + items, encoding="utf-8")
    plan = make_plan(
        load_sequence(str(sequence)),
        load_bench(
            BENCHES.get(
                next((name for name, case in CASES.items() if case[1] == checks), ""), "two-signal-bench"
            )
        ),
        serial=serial,
    )
    rig = Rig(plan, serial)
    if still:
        for device in rig.simulation.devices.values():
            device.rng = Still()  # type: ignore[assignment]
    rig.run()
    return [one for found in rig.record.kept.values() for one in found]


@pytest.mark.parametrize("case", CASES)
def test_no_scatter_of_any_check_is_nought(tmp_path: Path, case: str) -> None:
    """On a bench whose instruments repeat to the last digit every repeatability of every check is above nought, and so is U."""
    serial, checks = CASES[case]
    seen = 0
    for one in _results(tmp_path, checks, serial, still=True):
        if one.budget is None:
            continue
        assert one.uncertainty is None or one.uncertainty > 0.0, one.quantity
        for part in one.budget.contributions:
            if "repeatability" in part.source:
                seen += 1
                assert part.standard_uncertainty > 0.0, one.quantity
    # of traces that are the same to the last point the second is refused: nothing is measured by such an analyser;
    # levels that were searched for have no mean of readings
    assert seen or case in ("squelch", "spectrum", "front end", "opened")


def test_like_results_of_a_run_are_as_sure_as_each_other(tmp_path: Path) -> None:
    """Both sides of a deviation, the channels of a sweep, the tones of a response: what was read alike has a like scatter."""
    for checks, serial in ((LIKE, "M40-0007"), (MULTIMODE.strip().splitlines()[0], "MX40-0101")):
        found: dict[str, set[tuple[float, float]]] = {}
        for one in _results(tmp_path, checks, serial, still=False):
            for part in one.budget.contributions if one.budget is not None else ():
                if part.source in ("repeatability", "repeatability of the power reading"):
                    key = f"{one.check} {part.source} {part.unit}"
                    found.setdefault(key, set()).add(
                        (round(part.standard_uncertainty, 9), part.degrees_of_freedom)
                    )
        assert found
        assert all(len(each) == 1 for each in found.values()), found


def test_pooled_scatter_is_that_of_all_readings() -> None:
    """Three pairs with differences 2, 0 and 4 pool to s = sqrt((2 + 0 + 8)/3) on three degrees of freedom, each mean s/sqrt(2).

    By hand after GUM H.3.6; the part of another unit is left alone.
    """

    def finding(readings: tuple[float, float], unit: str = "Hz") -> Finding:
        part = repeatability("repeatability", readings, unit=unit)
        budget = Budget(quantity="q", unit="Hz", value=1.0, contributions=(part,))
        return Finding(quantity="q", value=1.0, unit="Hz", budget=budget)

    before = [finding((0.0, 2.0)), finding((0.0, 1e-12)), finding((0.0, 4.0)), finding((5.0, 6.0), "%")]
    after = [one.budget.contributions[0] for one in pooled(before, "repeatability") if one.budget is not None]
    assert [one.dof for one in after] == [3, 3, 3, 1]
    assert [one.standard for one in after[:3]] == pytest.approx([math.sqrt(10.0 / 3.0 / 2.0)] * 3)
    assert after[3].standard == pytest.approx(0.5)
