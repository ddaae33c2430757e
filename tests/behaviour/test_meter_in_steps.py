"""A meter line that climbs stairs, searched as a needle: no mark of it is stated, at whatever place of a stair the mark lies."""

from __future__ import annotations

import random
from typing import Any

import pytest

SEQUENCE = """
sequence: One
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: s_meter_curve, channel: 20, marks: {S5: 1.3 V, S7: 1.7 V, S9: 2.2 V, S9+10 dB: 2.4 V}, attack: 250 ms, decay: 500 ms}
"""


@pytest.mark.parametrize("seed", range(4))
def test_no_mark_of_a_fine_bar_in_noise_is_stated(make_rig: Any, seed: int) -> None:
    """Stairs of 125 mV (3 dB), and noise of 3 mV on them: an interpolated level would be off by up to a whole stair."""
    rig, noise = make_rig(serial="M40-0007", sequence=SEQUENCE), random.Random(seed)
    unit = rig.simulation.wiring.unit
    exact = unit.meter_volts
    unit.meter_volts = lambda reading_s: 0.125 * (exact(reading_s) // 0.125) + noise.gauss(0.0, 0.003)
    marks = [one for one in rig.run().results if one.quantity.startswith("S-meter, ")]
    assert [one.value for one in marks] == [None] * 4, marks
    assert any("meter: segments" in one.note for one in marks), [one.note for one in marks]


@pytest.mark.parametrize("seed", range(2))
def test_a_needle_in_the_same_noise_is_measured(make_rig: Any, seed: int) -> None:
    """The same noise on a needle's line costs no mark."""
    rig, noise = make_rig(serial="M40-0007", sequence=SEQUENCE), random.Random(seed)
    unit = rig.simulation.wiring.unit
    exact = unit.meter_volts
    unit.meter_volts = lambda reading_s: exact(reading_s) + noise.gauss(0.0, 0.003)
    marks = [one for one in rig.run().results if one.quantity.startswith("S-meter, ")]
    assert all(one.value is not None for one in marks), [one.note for one in marks]


OTHER_MARKS = SEQUENCE.replace(
    "{S5: 1.3 V, S7: 1.7 V, S9: 2.2 V, S9+10 dB: 2.4 V}, attack: 250 ms, decay: 500 ms",
    "{S5: 1.7 V, S7: 1.95 V, S9: 2.25 V, S9+10 dB: 2.4 V}",
)


@pytest.mark.parametrize("seed", [4, 7])
def test_a_sound_needle_read_on_its_way_climbs_no_stairs(make_rig: Any, seed: int) -> None:
    """Readings taken while it moves lie flat over the levels set, and jump beside them: they count at the level it had come to.

    Before: of the first ten seeds of `tests/benchmarks/bench_sound_instruments.py` these two were said to move in steps.
    """
    marks = [
        one
        for one in make_rig(serial="M40-0007", sequence=OTHER_MARKS, seed=seed).run().results
        if one.quantity.startswith("S-meter, ")
    ]
    assert all(one.value is not None for one in marks), [one.note for one in marks]
