"""A unit whose PTT relay closes late reads closed at once: what is read before it transmits is not of the unit."""

from __future__ import annotations

from typing import Any

import pytest

from sequencer.run.status import ExitStatus
from sim.radio.simulated_unit import SimulatedUnit

HEAD = "sequence: Late\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nrated_power: 5 W\nchecks:\n"
CHECKS = """  - {check: carrier_power, channel: 20, limit: {max: 5 W}}
  - {check: frequency_error, channel: [1, 24], limit: {within: 600 Hz}}
  - {check: supply_current, channel: 20, transmit: {max: 2 A}}
  - {check: peak_deviation, channel: 1, drive: 10 mV, tone: [1 kHz], limit: {max: 2.1 kHz}}
  - {check: channel_sweep, sweep: [1, 40], outside: [41], frequency: {within: 600 Hz}, power: {max: 5 W}}
"""


def _closes_late(patch: pytest.MonkeyPatch, by_s: float) -> None:
    """Have every simulated unit transmit so long after it was keyed."""
    radiates, press = SimulatedUnit.radiates.fget, SimulatedUnit._set_keyed
    assert radiates is not None
    keyed_at_s: dict[int, float] = {}

    def set_keyed(unit: Any, *, keyed: bool) -> None:
        if keyed and not unit._keyed:
            keyed_at_s[id(unit)] = unit._clock.now_s()
        press(unit, keyed=keyed)

    def transmits(unit: Any) -> bool:
        return bool(radiates(unit)) and unit._clock.now_s() >= keyed_at_s.get(id(unit), 0.0) + by_s

    patch.setattr(SimulatedUnit, "_set_keyed", set_keyed)
    patch.setattr(SimulatedUnit, "radiates", property(transmits))


@pytest.mark.parametrize("by_s", [0.06, 0.2])
def test_a_relay_that_closes_late_costs_no_result(
    make_rig: Any, monkeypatch: pytest.MonkeyPatch, by_s: float
) -> None:
    """Each check finds the same within U, and a unit that radiates outside the plan is not silent there."""
    at_once = make_rig(serial="MX40-0103", sequence=HEAD + CHECKS).run()
    assert at_once.status is ExitStatus.FAILED
    _closes_late(monkeypatch, by_s)
    late = make_rig(serial="MX40-0103", sequence=HEAD + CHECKS).run()
    assert [(one.quantity, one.channel, one.decision) for one in late.results] == [
        (one.quantity, one.channel, one.decision) for one in at_once.results
    ], late.problems
    for was, now in zip(at_once.results, late.results, strict=True):
        assert now.value == pytest.approx(was.value, abs=was.uncertainty or 0.0), now
