"""One reading that is wrong and cannot be told from a sound one decides nothing: each check, each instrument it reads by, each place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.behaviour.test_senseless_readings import HEAD, POWER, READS
from tests.support.rig import Rig
from tests.support.senseless import PAIRS, PLAUSIBLE, Broken, Spoiler
from tests.support.wrong_places import places_of_one


@pytest.mark.parametrize(("name", "role"), PAIRS, ids=lambda one: one.replace(" ", "_"))
def test_one_odd_reading_decides_nothing(tmp_path: Path, name: str, role: str) -> None:
    """A digit changed, a stale answer, a hole in a recording, once: no other decision, and no value farther off than U of either.

    The whole, also of what reads alike: tests/benchmarks/bench_wrong_readings.py.

    Before: supply current 1.5 U off, audio response 1.6 U, residual modulation in AM 1.1 U, audio output power 4.4 U,
    microphone sensitivity 1.1 U.
    """
    broken = Broken(tmp_path, name, role)
    wrong = [
        f"{kind}, reading {first}: {what}"
        for kind in PLAUSIBLE
        for first in places_of_one(name, broken.sound.readings)
        for what in broken.decides_otherwise(broken.with_fault(kind, first, 1))
    ]
    assert wrong == []


NEAR = """  - {{check: carrier_power, channel: 20, limit: {{min: {low:.6f} W}}}}
  - {{check: channel_sweep, sweep: [1, 20], power: {{max: {high:.6f} W}}}}
"""


def _powers(rig: Rig) -> list[Result]:
    return [one for one in rig.run().results if one.unit == "W"]


@pytest.mark.parametrize("off_db", [-0.08, 0.08])
def test_one_odd_power_does_not_decide_beside_a_limit(make_rig: Any, off_db: float) -> None:
    """Limits four thousandths of a decibel off, which is twice the readings' scatter: one reading 0.08 dB off turns no pass into a fail."""
    whole = make_rig(serial="M40-0007", sequence=HEAD + NEAR.format(low=1.0, high=9.0))
    carrier, *swept = _powers(whole)
    highest_w = max(one.value for one in swept if one.value is not None)
    assert carrier.value is not None
    low_w, high_w = carrier.value * 10.0**-0.0004, highest_w * 10.0**0.0004
    near = make_rig(serial="M40-0007", sequence=HEAD + NEAR.format(low=low_w, high=high_w))
    assert {one.decision for one in _powers(near)} == {Decision.PASS}

    def odd(answer: bytes, number: int, before: list[bytes]) -> bytes:
        return f"{float(answer) + off_db:+.8E}".encode()

    for first in range(9):
        rig = near.again()
        rig.device(POWER).faults = Spoiler(READS[POWER], odd, first=first, times=1)
        found = _powers(rig)
        assert {one.decision for one in found} == {Decision.PASS}, (first, found)


def test_one_under_range_is_no_silence(make_rig: Any) -> None:
    """A unit that radiates on a channel outside the plan does not pass because the meter said once that there is nothing."""
    text = HEAD + "  - {check: channel_sweep, sweep: [1], outside: [41]}\n"
    whole = make_rig(serial="MX40-0103", sequence=text)
    before = {one.quantity: one.decision for one in whole.run().results}
    assert "radiated outside the plan" in before
    for skip in (2, 3):
        rig = whole.again()
        under = Fault(kind=FaultKind.WRONG, match=READS[POWER], regex=True, skip=skip, argument="-9.9E37")
        rig.inject(POWER, under)
        assert {one.quantity: one.decision for one in rig.run().results} == before
