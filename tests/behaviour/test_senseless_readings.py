"""No reading decides that does not respond, is not whole, or cannot be: checks of both sides with each of their instruments broken."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest

from drivers.trace import Direction
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.rig import Rig

HEAD = """
sequence: One
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
rated_supply: {min: 8 V, max: 16 V}
rated_power: 4.5 W
checks:
"""
POWER, ANALYSER, SUPPLY = "power_meter", "modulation_analyser", "supply"
AUDIO, VOLTS = "audio_analyser", "voltmeter"
READS = {
    POWER: r"^:?READ|^:?MEAS",
    ANALYSER: r"READ\?",
    SUPPLY: r"MEAS\w*:CURR",
    AUDIO: r"READ\?",
    VOLTS: r"READ\?",
}
CHECKS = {
    "carrier_power": ("{check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}", (POWER,)),
    "frequency_error": ("{check: frequency_error, channel: 20, limit: {within: 600 Hz}}", (ANALYSER,)),
    "peak_deviation": (
        "{check: peak_deviation, channel: 20, drive: 100 mV, limit: {min: 1.4 kHz, max: 2 kHz}}",
        (ANALYSER,),
    ),
    "microphone_sensitivity": (
        "{check: microphone_sensitivity, channel: 20, maximum: 1.8 kHz, limit: {min: 5 mV, max: 20 mV}}",
        (ANALYSER,),
    ),
    "transmit_distortion": (
        "{check: transmit_distortion, channel: 20, drive: 10 mV, limit: {max: 10 %}}",
        (ANALYSER,),
    ),
    "residual_modulation": ("{check: residual_modulation, channel: 20, limit: {min: 30 dB}}", (ANALYSER,)),
    "supply_current": (
        "{check: supply_current, channel: 20, receive: {max: 0.5 A}, transmit: {max: 2 A}}",
        (SUPPLY,),
    ),
    "power_against_supply": (
        "{check: power_against_supply, channel: 20, supplies: [12 V, 13.2 V], limit: {min: 2 W, max: 6 W}}",
        (POWER,),
    ),
    "channel_sweep": (
        "{check: channel_sweep, sweep: [1, 20], frequency: {within: 600 Hz}, power: {min: 3 W, max: 4 W}}",
        (POWER, ANALYSER),
    ),
}
RECEIVE = {
    "sensitivity": (
        "{check: sensitivity, channel: 20, target: 12 dB SINAD, deviation: 1.2 kHz, accuracy: 0.7 dB, limit: {max: -113 dBm}}",
        (AUDIO,),
    ),
    "sinad": ("{check: sinad, channel: 20, level: -100 dBm, limit: {min: 20 dB}}", (AUDIO,)),
    "receive_distortion": (
        "{check: receive_distortion, channel: 20, level: -90 dBm, limit: {max: 10 %}}",
        (AUDIO,),
    ),
    "s9_point": (
        (
            "{check: s9_point, channel: 20, target: 2.25 V, attack: 250 ms, decay: 500 ms, accuracy: 0.7 dB, "
            "limit: {nominal: -73 dBm, within: 6 dB}}"
        ),
        (VOLTS,),
    ),
}
RECEIVE_PAIRS = [(name, role) for name, (_, roles) in RECEIVE.items() for role in roles]
PAIRS = [(name, role) for name, (_, roles) in CHECKS.items() for role in roles]
DECIDED = {Decision.PASS, Decision.FAIL, Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL}


def _rig(make_rig: Any, name: str, **changes: Any) -> Rig:
    found: Rig = make_rig(
        serial="M40-0007", sequence=HEAD + "  - " + (CHECKS | RECEIVE)[name][0] + "\n", **changes
    )
    return found


def _decided(outcome: Any, role: str) -> list[Any]:
    """Return the results with a decision that rest on the instrument of ``role``."""
    measured = {POWER: ("W",), ANALYSER: ("Hz", "dB", "%", "V"), SUPPLY: ("A",)}
    units = measured.get(role, ("dBm", "dB", "%"))
    return [one for one in outcome.results if one.unit in units and one.decision in DECIDED]


def _answers(rig: Rig, role: str) -> list[str]:
    return [
        exchange.content.decode().strip()
        for exchange in rig.record.said
        if exchange.direction is Direction.RECEIVED and exchange.instrument == role
    ]


def _first_number(rig: Rig, role: str) -> float:
    """Return the first number that the instrument answered to a reading."""
    return _numbers(rig, role)[0]


def _number_of_a_carrier(rig: Rig, role: str) -> float:
    """Return a number that the instrument answered while the unit transmitted: a power meter's largest, another's first."""
    return max(_numbers(rig, role)) if role == POWER else _first_number(rig, role)


def _numbers(rig: Rig, role: str) -> list[float]:
    asked, numbers = False, list[float]()
    for exchange in rig.record.said:
        if exchange.instrument != role:
            continue
        text = exchange.content.decode(errors="replace").strip()
        if exchange.direction is Direction.SENT:
            asked = re.search(READS[role], text, re.IGNORECASE) is not None
        elif asked and re.fullmatch(r"[-+]?[0-9.]+(E[-+]?[0-9]+)?", text):
            numbers.append(float(text))
            asked = False
    assert numbers, f"{role} was not read"
    return numbers


@pytest.mark.parametrize(("name", "role"), PAIRS + RECEIVE_PAIRS)
def test_a_frozen_instrument_decides_nothing(make_rig, name: str, role: str) -> None:
    """An instrument that gives its first number for ever, keyed and released, leaves nothing that passes or fails."""
    rig = _rig(make_rig, name)
    rig.inject(role, Fault(kind=FaultKind.STUCK, match=READS[role], regex=True, times=None))
    outcome = rig.run()
    assert not _decided(outcome, role), [(one.quantity, one.value, one.note) for one in outcome.results]
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert any(
        "does not respond" in one.note or one.decision is Decision.NOT_MEASURED for one in outcome.results
    )


@pytest.mark.parametrize(("name", "role"), PAIRS + RECEIVE_PAIRS)
def test_a_reading_ten_times_too_high_decides_nothing(make_rig, name: str, role: str) -> None:
    """One answer scaled by ten is taken again or told: what is stated lies within U of the undisturbed run."""
    whole = _rig(make_rig, name)
    undisturbed = {(one.quantity, one.channel): one for one in whole.run().results}
    number = _first_number(whole, role)
    for skip in (0, 1, 2, 4):
        rig = whole.again()
        wrong = Fault(
            kind=FaultKind.WRONG, match=READS[role], regex=True, skip=skip, argument=f"{10.0 * number:.9E}"
        )
        rig.inject(role, wrong)
        for one in rig.run().results:
            true = undisturbed.get((one.quantity, one.channel))
            if one.value is None or true is None or one.uncertainty is None:
                continue
            assert abs(one.value - true.value) <= max(one.uncertainty, true.uncertainty), (skip, one.quantity)


@pytest.mark.parametrize(("name", "role"), PAIRS + RECEIVE_PAIRS)
@pytest.mark.parametrize("kept", [1, 4])
def test_a_reply_cut_short_decides_nothing(make_rig, name: str, role: str, kept: int) -> None:
    """One answer that lost its end is taken again or told: what is stated lies within U of the undisturbed run."""
    whole = _rig(make_rig, name)
    undisturbed = {(one.quantity, one.channel): one for one in whole.run().results}
    for skip in (0, 1, 3):
        rig = whole.again()
        rig.inject(
            role, Fault(kind=FaultKind.TRUNCATE, match=READS[role], regex=True, skip=skip, argument=kept)
        )
        for one in rig.run().results:
            true = undisturbed.get((one.quantity, one.channel))
            if one.value is None or true is None or one.uncertainty is None:
                continue
            assert abs(one.value - true.value) <= max(one.uncertainty, true.uncertainty), (skip, one.quantity)


@pytest.mark.parametrize(
    ("name", "role"),
    [("carrier_power", POWER), ("frequency_error", ANALYSER), ("power_against_supply", POWER)],
)
def test_what_cannot_be_is_not_measured_with_the_bytes(make_rig, name: str, role: str) -> None:
    """An instrument whose every number is ten times too high says what no unit gives: not measured, and the answer is told."""
    rig = _rig(make_rig, name)
    number = _first_number_of(make_rig, name, role)
    wrong = f"{100.0 * number:.4E}" if role == POWER else f"{10.0 * number:.9E}"
    rig.inject(role, Fault(kind=FaultKind.WRONG, match=READS[role], regex=True, times=None, argument=wrong))
    outcome = rig.run()
    assert not _decided(outcome, role)
    for one in outcome.results:  # the power meter is read before PTT is pressed, and shows it there already
        assert "cannot be" in one.note or "before PTT was pressed" in one.note, one.note
        assert wrong in one.note
    assert outcome.status is ExitStatus.BENCH_FAILED


def _first_number_of(make_rig: Any, name: str, role: str) -> float:
    rig = _rig(make_rig, name)
    rig.run()
    return _number_of_a_carrier(rig, role)


@pytest.mark.parametrize("word", ["9.91E37", "9.9E37"])
@pytest.mark.parametrize(("name", "role"), PAIRS)
def test_one_word_instead_of_a_number_costs_nothing(make_rig, name: str, role: str, word: str) -> None:
    """No measurement or over range, said once, as an instrument does that changes its range, is asked again."""
    whole = _rig(make_rig, name)
    undisturbed = [one.decision for one in whole.run().results]
    rig = whole.again()
    rig.inject(role, Fault(kind=FaultKind.WRONG, match=READS[role], regex=True, skip=1, argument=word))
    assert [one.decision for one in rig.run().results] == undisturbed


@pytest.mark.parametrize(("name", "role"), PAIRS)
def test_one_late_answer_costs_nothing(make_rig, name: str, role: str) -> None:
    """A reading that comes too late once is taken again."""
    whole = _rig(make_rig, name)
    undisturbed = [one.decision for one in whole.run().results]
    rig = whole.again()
    rig.inject(role, Fault(kind=FaultKind.TIMEOUT, match=READS[role], regex=True, skip=1))
    assert [one.decision for one in rig.run().results] == undisturbed


def test_a_meter_over_range_twice_is_keyed_into_no_more(make_rig) -> None:
    """A meter that says over range whenever it is read is not keyed into at all; what needs no key goes on."""
    text = HEAD + (
        "  - {check: carrier_power, channel: 1}\n  - {check: frequency_error, channel: 1}\n"
        "  - {check: sinad, channel: 20, level: -80 dBm}\n"
    )
    rig = make_rig(serial="M40-0007", sequence=text)
    over = Fault(kind=FaultKind.WRONG, match=READS[POWER], regex=True, times=None, argument="9.9E37")
    rig.inject(POWER, over)
    outcome = rig.run()
    power, frequency, sinad = outcome.results[:3]
    assert power.decision is frequency.decision is Decision.NOT_MEASURED
    assert "over range" in power.note
    assert "before PTT was pressed" in frequency.note
    assert sinad.value is not None
    assert not any(message.startswith(":CONTrol:KEY:STATe 1") for message in rig.sent("radio"))


def test_a_meter_over_range_twice_while_keyed_is_keyed_into_no_more(make_rig) -> None:
    """Power that the meter says is too much, twice, as soon as PTT is pressed, ends keying for the run."""
    text = HEAD + (
        "  - {check: carrier_power, channel: 1}\n  - {check: frequency_error, channel: 1}\n"
        "  - {check: sinad, channel: 20, level: -80 dBm}\n"
    )
    whole = make_rig(serial="M40-0007", sequence=text)
    whole.run()
    unkeyed = next(at for at, number in enumerate(_numbers(whole, POWER)) if number > -30.0)
    rig = whole.again()
    over = Fault(
        kind=FaultKind.WRONG, match=READS[POWER], regex=True, skip=unkeyed, times=None, argument="9.9E37"
    )
    rig.inject(POWER, over)
    outcome = rig.run()
    power, frequency, sinad = outcome.results[:3]
    assert power.decision is frequency.decision is Decision.NOT_MEASURED
    assert "over range" in power.note
    assert sinad.value is not None
    assert sum(message.startswith(":CONTrol:KEY:STATe 1") for message in rig.sent("radio")) <= 2


def test_a_dead_meter_stops_only_what_needs_it(make_rig) -> None:
    """A power meter that answers no more leaves frequency and deviation measured."""
    text = HEAD + (
        "  - {check: carrier_power, channel: 1}\n  - {check: frequency_error, channel: 1}\n"
        "  - {check: peak_deviation, channel: 20, drive: 100 mV}\n"
    )
    rig = make_rig(serial="M40-0007", sequence=text)
    rig.inject(POWER, Fault(kind=FaultKind.TIMEOUT, match=READS[POWER], regex=True, times=None))
    outcome = rig.run()
    values = {one.quantity: one.value for one in outcome.results}
    assert values["carrier power"] is None
    assert values["frequency error"] is not None
    assert values["peak deviation, positive"] is not None


def _stays_on(rig: Rig) -> None:
    """Have the unit transmit on after its first key-down, with the line open, for as long as it is fed."""
    unit = rig.simulation.unit
    emission, seen = unit.emission, []

    def stuck() -> Any:
        now = emission()
        if now is not None:
            seen.append(now)
        return now if now is not None or not unit.supply_v or not seen else seen[-1]

    unit.emission = stuck


TWO_SIDES = HEAD + (
    "  - {check: carrier_power, channel: 20, limit: {max: 4 W}}\n  - {check: sinad, channel: 20, level: -80 dBm}\n"
)


def test_a_unit_that_transmits_on_is_found_before_the_switch_moves(make_rig) -> None:
    """PTT reads released and power is still there: supply cut, switch left alone, nothing passes, the last line does not call it safe."""
    rig = make_rig(serial="M40-0007", sequence=TWO_SIDES)
    _stays_on(rig)
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert not [one for one in outcome.results if one.decision in DECIDED]
    assert "PTT was released and reads released, and the power meter reads" in outcome.results[0].note
    assert "with its supply cut the unit is silent" in outcome.results[0].note
    assert rig.simulation.unit.emission() is None


def test_a_unit_that_transmits_on_without_a_supply_to_cut_is_not_called_safe(make_rig) -> None:
    """Where nothing can cut the supply, the last line says that the unit transmits and what to do."""
    text = TWO_SIDES.replace("supply: 13.2 V\n", "")
    rig = make_rig(serial="M40-0007", sequence=text, instruments={"supply": None})
    _stays_on(rig)
    outcome = rig.run()
    assert not outcome.safe_state.confirmed
    assert "reads released, and the power meter reads" in outcome.safe_state.last_line()
    assert "Remove the supply from the unit now" in outcome.safe_state.last_line()


def test_a_unit_that_never_keys_draws_no_transmit_current(make_rig) -> None:
    """A current that does not change with the key is no transmit current: it was 0.350 A, pass. That of listening stands."""
    rig = _rig(make_rig, "supply_current")
    rig.simulation.unit.supply_current_a = lambda: 0.350
    outcome = rig.run()
    receive, transmit = outcome.results
    assert receive.value == pytest.approx(0.350, abs=0.005)
    assert transmit.value is None
    assert outcome.status is ExitStatus.BENCH_FAILED


def test_readings_that_disagree_are_not_averaged(make_rig) -> None:
    """A second odd reading among four is no outlier any more: not measured, with the readings; no (60 ± 590) W."""
    rig = _rig(make_rig, "carrier_power")
    for skip in (3, 3):  # counted among the messages that no earlier fault took
        odd = Fault(
            kind=FaultKind.WRONG, match=READS[POWER], regex=True, skip=skip, argument="-2.51234567E+00"
        )
        rig.inject(POWER, odd)
    (result,) = rig.run().results
    assert result.decision is Decision.NOT_MEASURED
    assert "disagree" in result.note


def test_digits_that_a_meter_does_not_show_are_in_the_uncertainty(make_rig) -> None:
    """A meter that answers whole decibels, rounded or cut, is believed to no more than that: the true power lies within U."""
    whole = _rig(make_rig, "carrier_power")
    (fine,) = whole.run().results
    assert fine.budget is not None
    assert "digits shown" not in str(fine.budget)
    answer = f"{math.trunc(_number_of_a_carrier(whole, POWER)):d}"
    unkeyed = next(at for at, number in enumerate(_numbers(whole, POWER)) if number > -30.0)
    rig = whole.again()
    keyed = sum(number > -30.0 for number in _numbers(whole, POWER))
    coarse = Fault(
        kind=FaultKind.WRONG, match=READS[POWER], regex=True, skip=unkeyed, times=keyed, argument=answer
    )
    rig.inject(POWER, coarse)
    (result,) = rig.run().results
    assert "digits shown" in str(result.budget)
    assert abs(result.value - fine.value) <= result.uncertainty


def test_a_unit_that_gives_next_to_nothing_is_told_so(make_rig) -> None:
    """A meter's own noise is no power of the unit: it says that nothing was seen of it, and not that it cannot be."""
    rig = _rig(make_rig, "carrier_power")
    noise = Fault(
        kind=FaultKind.WRONG, match=READS[POWER], regex=True, times=None, argument="-6.86123456E+01"
    )
    rig.inject(POWER, noise)
    (result,) = rig.run().results
    assert result.value is None
    assert "saw nothing of the unit" in result.note
    assert "cannot be" not in result.note
    assert not rig.simulation.hazards
