"""A supply that gives way while the unit is keyed: what was read meanwhile is no result of the unit's."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.rig import Rig

HEAD = "sequence: Sags\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
HELD = "  - {check: carrier_power, channel: 20, keyed_for: 2 s, limit: {min: 3 W}}\n"
POWER = "  - {check: carrier_power, channel: 20, limit: {min: 3 W}}\n"
DEVIATION = "  - {check: peak_deviation, channel: 20, drive: 10 mV, tone: [1 kHz], limit: {max: 2 kHz}}\n"


def sag(rig: Rig, after_s: float, by_v: float) -> None:
    """Let the supply's terminals lose ``by_v`` V ``after_s`` s after each press, and have them again once PTT is released."""
    supply, unit, clock = rig.device("supply"), rig.simulation.unit, rig.simulation.clock
    volts, since = supply._volts, [0.0]
    set_keyed = unit._set_keyed

    def keyed(*, keyed: bool) -> None:
        since[0] = clock.now_s()
        set_keyed(keyed=keyed)

    def sagged() -> float:
        late = unit.keyed and clock.now_s() - since[0] > after_s
        return volts() - by_v if late else volts()

    unit._set_keyed = keyed  # type: ignore[method-assign]
    supply._volts = sagged


@pytest.mark.parametrize("checks", [HELD, DEVIATION + HELD, HELD + DEVIATION], ids=["alone", "last", "first"])
def test_what_was_read_of_a_supply_that_sags_late_is_not_measured(
    make_rig: Callable[..., Rig], checks: str
) -> None:
    """1 s after PTT the terminals lose 2.5 V, and have them again when it is released: no wrong fail, by itself or in a shared key-down."""
    rig = make_rig(sequence=HEAD + checks)
    sag(rig, 1.0, 2.5)
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    held = [one for one in outcome.results if one.check == "carrier_power"]
    assert [one.decision for one in held] == [Decision.NOT_MEASURED]
    assert "its terminals read 10.7 V" in held[0].note


def test_a_sound_supply_is_asked_once_more_in_a_key_down(make_rig: Callable[..., Rig]) -> None:
    """The cost: one reading of the terminals in each key-down, behind the last reading and before the release."""
    rig = make_rig(sequence=HEAD + POWER)
    assert rig.run().status is ExitStatus.PASSED
    sent = rig.sent()
    last = max(at for at, one in enumerate(sent) if ":CONTrol:KEY:STATe 1" in one)
    release = next(at for at, one in enumerate(sent) if at > last and ":CONTrol:KEY:STATe 0" in one)
    assert (
        sum("MEASure:VOLTage" in one for one in sent[last:release]) == 2
    )  # under load, and behind the readings
