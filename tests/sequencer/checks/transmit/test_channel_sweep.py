"""The channel sweep: what counts as a refusal, and what one channel's trouble costs the others."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.disobedient import disobey_from

SWEEP = """
sequence: Sweep
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {{check: channel_sweep, sweep: [1, 2, 3, 4, 5], outside: [41], frequency: {{within: 600 Hz}}, power: {{min: 3 W, max: 4.5 W}}}}
"""


def _sweep(make_rig: Any, serial: str, *faults: tuple[str, Fault]) -> tuple[Any, Any]:
    rig = make_rig(serial=serial, sequence=SWEEP.format())
    for role, fault in faults:
        rig.inject(role, fault)
    return rig, rig.run()


def _of(outcome: Any, quantity: str) -> dict[int | None, Any]:
    return {one.channel: one for one in outcome.results if one.quantity == quantity}


@pytest.mark.parametrize(
    ("role", "note"),
    [("power_meter", (310, "Sensor zero is older than 8 h")), ("radio", (512, "Squelch line open"))],
)
def test_a_remark_is_no_refusal(make_rig, role, note) -> None:
    """A unit that radiates on channel 41 fails, whatever an instrument remarks meanwhile: it was written as 0 W, pass."""
    remark = Fault(kind=FaultKind.ERROR, match="", times=None, argument=note)
    _, outcome = _sweep(make_rig, "MX40-0103", (role, remark))
    radiated = _of(outcome, "radiated outside the plan")[41]
    assert radiated.decision is Decision.FAIL
    assert radiated.value > 3.0
    assert outcome.status is ExitStatus.FAILED


def test_an_error_of_the_meter_is_no_refusal_of_the_unit(make_rig) -> None:
    """The meter's own error while the sweep goes outside leaves that not measured: nobody has looked."""
    error = Fault(
        kind=FaultKind.ERROR, match="FREQ", skip=6, times=None, argument=(-222, "Data out of range")
    )
    _, outcome = _sweep(make_rig, "MX40-0103", ("power_meter", error))
    radiated = _of(outcome, "radiated outside the plan")[41]
    assert radiated.decision is Decision.NOT_MEASURED
    assert outcome.status is ExitStatus.BENCH_FAILED


def test_a_refusal_is_a_fact_and_no_power(make_rig) -> None:
    """A sound unit refuses channel 41: a fact with the channel it stands on, and no row says 0 W."""
    _, outcome = _sweep(make_rig, "MX40-0101")
    refused = _of(outcome, "refused outside the plan")[41]
    assert (refused.value, refused.unit, refused.decision) == (1.0, "", Decision.PASS)
    assert "stands on 5" in refused.note
    assert not _of(outcome, "radiated outside the plan")
    assert outcome.status is ExitStatus.PASSED


FROM_2 = SWEEP.format().replace("[1, 2, 3, 4, 5]", "[2, 3, 4, 5]")  # the simulated unit stands on 1


@pytest.mark.parametrize("refused", [{3}, {2}, {2, 3}, {5}])
def test_a_refused_legal_channel_is_a_finding(make_rig, refused: set[int]) -> None:
    """A unit that refuses a channel twice has failed there (status 1), also the first; the other channels are measured."""
    rig = make_rig(serial="MX40-0101", sequence=FROM_2)
    _refuse(rig.simulation.unit, *refused)
    outcome = rig.run()
    accepted = _of(outcome, "channel accepted")
    assert {channel: one.decision for channel, one in accepted.items()} == dict.fromkeys(
        refused, Decision.FAIL
    )
    assert set(_of(outcome, "carrier power")) == {2, 3, 4, 5} - refused
    assert outcome.status is ExitStatus.FAILED


def test_a_unit_that_takes_no_channel_of_a_sweep_fails_on_the_first(make_rig) -> None:
    """Nothing is measured, and nothing keyed: it stands where the sweep never asked for it."""
    rig = make_rig(serial="MX40-0101", sequence=FROM_2)
    _refuse(rig.simulation.unit, 2, 3, 4, 5)
    outcome = rig.run()
    assert {channel: one.decision for channel, one in _of(outcome, "channel accepted").items()} == {
        2: Decision.FAIL
    }
    assert not _of(outcome, "carrier power")
    assert outcome.status is ExitStatus.FAILED
    assert not any("KEY:STATe 1" in message for message in rig.sent("radio"))


def _refuse(unit: Any, *refused: int) -> None:
    """Have a unit refuse some of its channels, as one does whose memory of them is empty."""
    select = unit.set_channel

    def chosen(channel: int) -> None:
        if channel in refused:
            raise ValueError("an empty channel")
        select(channel)

    unit.set_channel = chosen


def test_a_late_answer_costs_one_channel(make_rig) -> None:
    """One reading that never comes costs channel 2 alone, and that is the bench's: status 3, nothing against the unit."""
    late = Fault(kind=FaultKind.TIMEOUT, match="READ", skip=4, times=1)
    _, outcome = _sweep(make_rig, "MX40-0101", ("power_meter", late))
    power = _of(outcome, "carrier power")
    missing = [channel for channel, one in power.items() if one.decision is Decision.NOT_MEASURED]
    assert missing in ([2], [])  # a reading that is late once is taken again
    assert [one.decision for channel, one in power.items() if channel not in missing] == [Decision.PASS] * (
        5 - len(missing)
    )
    assert outcome.status is (ExitStatus.BENCH_FAILED if missing else ExitStatus.PASSED)


def test_a_dead_meter_ends_a_sweep_early(make_rig) -> None:
    """After two channels in a row that a fault cost, no further one is tried; each says so, and none counts against the unit."""
    dead = Fault(kind=FaultKind.TIMEOUT, match="", skip=14, times=None)
    _, outcome = _sweep(make_rig, "MX40-0101", ("power_meter", dead))
    assert {one.decision for one in outcome.results} <= {Decision.NOT_MEASURED, Decision.PASS}
    assert "not tried" in _of(outcome, "carrier power")[5].note
    assert outcome.status is ExitStatus.BENCH_FAILED


def test_a_check_on_a_refused_channel_is_a_finding(make_rig) -> None:
    """Also a single check says that the unit refuses its channel: status 1, and the next check goes on."""
    text = SWEEP.format().split("checks:")[0] + (
        "checks:\n  - {check: carrier_power, channel: 3}\n  - {check: carrier_power, channel: 4}\n"
    )
    rig = make_rig(serial="MX40-0101", sequence=text)
    _refuse(rig.simulation.unit, 3)
    outcome = rig.run()
    first, second, third = outcome.results
    assert (first.quantity, first.decision) == ("channel accepted", Decision.FAIL)
    assert second.decision is Decision.NOT_MEASURED
    assert third.value is not None
    assert outcome.status is ExitStatus.FAILED


@pytest.mark.parametrize("role", ["modulation_analyser", "power_meter"])
def test_an_instrument_that_restarts_in_a_sweep_is_not_the_units_fault(make_rig, role) -> None:
    """It finds no carrier where its reset left it; the next channel would set it anew: the sweep is measured again, and says so."""
    rig = make_rig(serial="MX40-0101", sequence=SWEEP.format())
    device = rig.device(role)
    hear, readings = device.submit, []

    def submit(message: bytes) -> Any:
        if b"READ" in message:
            readings.append(message)
            if len(readings) == 8:
                device._reset()
        return hear(message)

    device.submit = submit
    outcome = rig.run()
    assert len(readings) > 8
    assert outcome.status is ExitStatus.PASSED
    assert all("lost a setting" in one.note for one in outcome.results if one.check == "channel_sweep")


FIRST_THREE = SWEEP.format().replace("[1, 2, 3, 4, 5]", "[1, 20, 40]")


@pytest.mark.parametrize("stays", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize(
    ("role", "words"),
    [("radio", b"CHANnel"), ("radio", b"KEY:STATe 1"), ("modulation_analyser", b"FREQuency:CW")],
    ids=["channel", "PTT", "tuning"],
)
def test_what_does_not_move_in_a_sweep_fails_no_sound_unit(make_rig, role, words, stays) -> None:
    """A radio or analyser that confirms and does nothing: once, and the channel is read anew; for good, and that is not measured."""
    rig = make_rig(serial="MX40-0101", sequence=FIRST_THREE)
    disobey_from(rig.device(role), words, 3, stays=stays)
    outcome = rig.run()
    decisions = {one.decision for one in outcome.results}
    assert Decision.FAIL not in decisions, [one.note for one in outcome.results]
    if not stays:
        assert decisions == {Decision.PASS}, [one.note for one in outcome.results]
        assert role != "radio" or any(
            "measured again, because at first" in one.note for one in outcome.results
        )
        assert outcome.status is ExitStatus.PASSED
        return
    assert outcome.status is ExitStatus.BENCH_FAILED
    spoilt = [one for one in outcome.results if one.channel == 40]
    assert {one.decision for one in spoilt} == {Decision.NOT_MEASURED}, spoilt
    assert _of(outcome, "carrier power")[1].decision is Decision.PASS
    assert not _of(outcome, "silent outside the plan")


def test_an_outside_channel_to_which_the_radio_does_not_go_counts_against_nobody(make_rig) -> None:
    """A radio that reads 41 and stays on 40 radiates there: no power outside the plan, and not once it has gone there after all."""
    for stays, quantity in ((False, "refused outside the plan"), (True, "radiated outside the plan")):
        rig = make_rig(serial="MX40-0101", sequence=FIRST_THREE)
        radio, met = rig.device("radio"), [0]
        said, told = radio.read_channel, radio.set_channel

        def ignores(channel: int, radio=radio, said=said, told=told, met=met, stays=stays) -> None:
            met[0] += channel == 41
            lies = channel == 41 and (stays or met[0] == 1)
            radio.read_channel = (lambda: 41) if lies else said
            if not lies:
                told(channel)

        radio.set_channel = ignores
        outcome = rig.run()
        found = _of(outcome, quantity)[41]
        assert found.decision is (Decision.NOT_MEASURED if stays else Decision.PASS), outcome.results
        assert not stays or "stays at 27.405" in found.note, found.note


def test_a_unit_that_is_off_on_one_channel_still_fails(make_rig) -> None:
    """A synthesizer that is 5 kHz off on channel 40, or far from it: the other channels show that all follows, and the unit fails."""
    for off_hz, is_counted in ((5e3, True), (2e6, False)):
        rig = make_rig(serial="MX40-0101", sequence=FIRST_THREE)
        unit = rig.simulation.unit
        own = unit.emission

        def moved(*given: Any, own=own, unit=unit, off_hz=off_hz, **more: Any) -> Any:
            made = own(*given, **more)
            return made and replace(made, frequency_hz=made.frequency_hz + off_hz * (unit.channel == 40))

        unit.emission = moved
        outcome = rig.run()
        error = _of(outcome, "frequency error")
        assert (error[40].value is not None) is is_counted
        (whole,) = _of(outcome, "channel sweep, outside its limits").values()
        assert (whole.value, whole.decision) == (1.0, Decision.FAIL)
        assert outcome.status is ExitStatus.FAILED


def test_a_unit_that_is_low_on_every_channel_fails_on_all_of_them(make_rig) -> None:
    """Each is doubted, radio and analyser are seen to follow, and the numbers stand; what it refuses outside the plan counts too."""
    rig = make_rig(serial="MX40-0101", sequence=FIRST_THREE.replace("min: 3 W, max: 4.5 W", "min: 5 W"))
    outcome = rig.run()
    assert {one.decision for one in _of(outcome, "carrier power").values()} == {Decision.FAIL}
    assert {one.decision for one in _of(outcome, "frequency error").values()} == {Decision.PASS}
    (whole,) = _of(outcome, "channel sweep, outside its limits").values()
    assert whole.value == 3.0
    assert outcome.status is ExitStatus.FAILED
