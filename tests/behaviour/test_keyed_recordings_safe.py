"""Recordings over PTT are as safe as all else: key time and duty, Ctrl-C in their middle, a radio that does not answer, a meter that lies.

The witness is asked by the runs themselves (`tests/support/keyed_units.py`): it must have seen no hazard.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from drivers.profiled.modulation_analyser import ProfiledModulationAnalyser
from sim.scpi.faults import Fault, FaultKind
from tests.support.key_log import KeyLog
from tests.support.keyed_units import Rig, run

CHECKS = ("check: time_to_power, channel: 5", "check: transient, channel: 5")


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("delay_s", [0.0, 0.3, 0.7])
def test_key_time_and_duty_hold_however_slowly_they_answer(
    tmp_path: Path, check: str, delay_s: float
) -> None:
    """Every instrument answers late: no key-down is longer than 40 s, and the witness sees the duty kept."""
    logs: list[KeyLog] = []

    def slow(rig: Rig) -> None:
        logs.append(KeyLog(rig.simulation))
        if delay_s:
            rig.inject_everywhere(Fault(kind=FaultKind.DELAY, match=":", times=None, argument=delay_s))

    run(tmp_path, "V5-0351", check, spoil=slow)
    assert logs[0].times >= 3
    assert max(logs[0].lengths_s) <= 40.0


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("nth", [1, 2, 5])
def test_ctrl_c_in_the_middle_of_a_recording_ends_released(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, check: str, nth: int
) -> None:
    """It comes while the analyser records and PTT is just pressed, or just released."""
    truly, count, rigs = ProfiledModulationAnalyser.finish_baseband, [0], list[Rig]()

    def finish(self: Any) -> Any:
        count[0] += 1
        if count[0] == nth:
            raise KeyboardInterrupt
        return truly(self)

    monkeypatch.setattr(ProfiledModulationAnalyser, "finish_baseband", finish)
    with suppress(KeyboardInterrupt):
        run(tmp_path, "V5-0351", check, spoil=rigs.append)
    assert count[0] >= min(nth, 3)
    (rig,) = rigs
    assert not rig.simulation.unit.keyed
    assert rig.simulation.hazards == ()


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("order", [0, 1])
def test_a_radio_that_is_silent_for_good_has_its_supply_cut(tmp_path: Path, check: str, order: int) -> None:
    """It takes no order to press, or none to release, from the first press on: what cannot be released is not fed either."""

    def silent(rig: Rig) -> None:
        rig.device("radio").faults.add(
            Fault(kind=FaultKind.TIMEOUT, match=rf"KEY:STAT\w* {order}", regex=True, skip=3, times=None)
        )

    rig = run(tmp_path, "V5-0351", check, spoil=silent)
    assert all(one.value is None for kept in rig.record.kept.values() for one in kept)
    assert not rig.simulation.unit.keyed or rig.simulation.unit.supply_v == 0.0
