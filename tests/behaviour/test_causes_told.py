"""What a result says of a cause was looked at: the instrument by its name, watts beside dBm, a meter that stands still is no bar."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers.faults import NotSettled
from drivers.roles import Reading
from sequencer.checks.shared.readings.settle import agreeing, settle
from sim.scpi.faults import Fault, FaultKind

HEAD = "sequence: S\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\n"


def _rows(rig: Any) -> list[Any]:
    return list(rig.run().results)


def test_what_does_not_settle_is_told_of_the_instrument_that_was_read() -> None:
    """The fault names the instrument and its address, and not "the last instrument read"."""
    numbers = iter(range(100))

    def read() -> Reading:
        return Reading(number=float(next(numbers)), by="power_meter", address="TCPIP0::192.0.2.12::INSTR")

    with pytest.raises(NotSettled, match=r"^power_meter \(TCPIP0::192\.0\.2\.12::INSTR\)"):
        settle(read, lambda seconds: None, within=0.1)
    with pytest.raises(NotSettled, match=r"^power_meter \("):
        agreeing([read(), read(), read()], read, within=0.01)


def test_a_power_meter_that_never_rests_is_named(make_rig: Callable[..., Any]) -> None:
    """In a whole run the note of a power that does not settle names the bench file's power meter."""
    rig = make_rig(sequence=HEAD + "checks:\n  - {check: carrier_power, channel: 20}\n")
    meter = rig.device("power_meter")
    shown, turns = meter._shown, iter(range(10_000))
    meter._shown = lambda level_dbm: shown(level_dbm) + 0.5 * (next(turns) % 2)
    (row,) = _rows(rig)
    assert row.value is None
    assert "power_meter (" in row.note


def test_a_power_beyond_the_rating_is_told_in_watts(make_rig: Callable[..., Any]) -> None:
    """40 W of a unit rated 5 W is no number, and both are told in watts, beside dBm."""
    rig = make_rig(sequence=HEAD + "rated_power: 5 W\nchecks:\n  - {check: carrier_power, channel: 20}\n")
    meter = rig.device("power_meter")
    shown = meter._shown
    meter._shown = lambda level_dbm: shown(None if level_dbm is None else level_dbm + 10.0)
    (row,) = _rows(rig)
    assert row.value is None
    assert "W)" in row.note
    assert "(19.9 W)" in row.note or "(20 W)" in row.note


@pytest.mark.parametrize("rise_a", [0.008, 0.0])
def test_a_small_transmitter_leaves_the_receive_current(make_rig: Callable[..., Any], rise_a: float) -> None:
    """A unit of 20 mW draws 8 mA more: both currents are told. Where nothing rises the listening unit's current stands all the same."""
    rig = make_rig(sequence=HEAD + "checks:\n  - {check: supply_current, channel: 20}\n")
    supply = rig.device("supply")
    drawn, seen = supply._amperes, []

    def amperes() -> float:
        seen.append(drawn())
        return 0.12 + (rise_a if seen[-1] > 0.7 else 0.0) + 0.001 * (len(seen) % 2)

    supply._amperes = amperes
    receive, transmit = _rows(rig)
    assert receive.value == pytest.approx(0.1205, abs=0.001)
    assert (transmit.value is None) == (rise_a == 0.0)
    if transmit.value is None:
        assert "check whether the unit transmits" in transmit.note


def test_a_meter_that_stands_still_is_not_called_a_bar(make_rig: Callable[..., Any]) -> None:
    """A line that reads the same at every level is told as that; nobody is sent to 'meter: segments'."""
    rig = make_rig(sequence=HEAD + "checks:\n  - {check: s9_point, channel: 20, target: 2.25 V}\n")
    rig.device("voltmeter")._shown = lambda volts: 1.234
    row = _rows(rig)[0]
    assert row.value is None
    assert "moves in steps" not in row.note


def test_what_a_fault_costs_keeps_its_limits(make_rig: Any) -> None:
    """A row that could not be measured shows what it would have been held against: which limits are open is known from it alone."""
    checks = (
        "  - {check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}\n"
        "  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}\n"
        "  - {check: s9_point, channel: 20, target: 2.25 V, limit: {nominal: -73 dBm, within: 6 dB}}\n"
    )
    rig = make_rig(sequence=HEAD + "checks:\n" + checks)
    for role in ("power_meter", "modulation_analyser", "voltmeter"):
        rig.inject(role, Fault(kind=FaultKind.TIMEOUT, match="READ", times=None))
    rows = rig.run().results
    assert [one.value for one in rows] == [None] * 3
    assert [(one.lower_limit, one.upper_limit) for one in rows] == [
        (3.0, 4.0),
        (-600.0, 600.0),
        (-79.0, -67.0),
    ]
