"""A check is measured again after a fault that passes, within a budget; nothing that is not safe to repeat is repeated."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.faults import (
    ConnectionLost,
    ImpossibleReading,
    InstrumentError,
    NotSettled,
    Refused,
    TimedOut,
    UnexpectedReply,
)
from sequencer.run.events import FaultMet, StepTaken
from sequencer.run.measuring.retries import PER_RUN, Retries
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.key_log import KeyLog
from tests.support.power_cycle import power_cycle

TWO_CHECKS = """
sequence: Two
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
  - {check: sinad, channel: 20, level: -100 dBm, limit: {min: 12 dB}}
"""


def _fault(kind: type[Any] = TimedOut, *, what: str = "no answer", command: str = ":READ?") -> Any:
    return kind(what, instrument="meter", address="A::1", command=command)


def _results(rig: Any) -> dict[int, Any]:
    return {index: found[0] for index, found in rig.record.kept.items() if found}


def test_a_check_is_repeated_so_often_and_no_more() -> None:
    """Twice a check, ten times a run; the opening counts as one check."""
    retries = Retries(per_check=2, per_run=3)
    whats = iter("abcdefgh")
    assert [retries.take(1, _fault(what=next(whats))) for _ in range(3)] == [True, True, False]
    assert [retries.take(None, _fault(what=next(whats))) for _ in range(2)] == [True, False]
    assert not Retries(per_run=0).take(1, _fault())
    assert PER_RUN == 10


def test_a_fault_that_came_again_is_not_repeated_any_more() -> None:
    """One that stays costs one repeat in the run, not one in each check."""
    retries = Retries()
    assert retries.take(1, _fault())
    assert not retries.take(1, _fault())
    assert not retries.take(2, _fault())
    assert retries.take(2, _fault(ConnectionLost))


@pytest.mark.parametrize(
    "fault",
    [_fault(Refused), _fault(NotSettled), _fault(UnexpectedReply, command="")],
    ids=["refused", "not settled", "a reading that does not follow the unit"],
)
def test_what_is_no_fault_that_passes_is_not_repeated(fault: Any) -> None:
    """What we refused, a unit that the meter does not see, and an instrument that does not respond to it."""
    assert not Retries().take(1, fault)


def test_what_the_wire_did_is_repeated() -> None:
    """Time-outs, lost connections, garbled answers, complaints."""
    for kind in (TimedOut, ConnectionLost, UnexpectedReply, InstrumentError):
        assert Retries().take(1, _fault(kind))


def test_a_fault_that_passes_costs_no_check_and_is_said(make_rig: Any) -> None:
    """The decisions are those of an undisturbed run, the exit status too; note, screen and outcome say what was met."""
    sound = make_rig(sequence=TWO_CHECKS)
    sound.run()
    rig = make_rig(sequence=TWO_CHECKS)
    rig.inject("switch", Fault(kind=FaultKind.DISCONNECT, match="ROUTe:CLOSe? (@2)", skip=5))
    told: list[Any] = []
    outcome = rig.run(listeners=[told.append])
    assert outcome.status is ExitStatus.PASSED
    assert len(outcome.faults) == 1
    assert sum(isinstance(one, FaultMet) for one in told) == 1
    assert any(isinstance(one, StepTaken) and "measured again, because switch" in one.text for one in told)
    noted = [
        one for one in _results(rig).values() if "measured again, because switch failed once: " in one.note
    ]
    assert len(noted) == 1
    assert {at: one.decision for at, one in _results(rig).items()} == {
        at: one.decision for at, one in _results(sound).items()
    }


def test_a_fault_that_stays_leaves_the_check_not_measured_after_one_repeat(make_rig: Any) -> None:
    """And the next check is made."""
    rig = make_rig(sequence=TWO_CHECKS)
    rig.inject("modulation_analyser", Fault(kind=FaultKind.TIMEOUT, match="READ", times=None))
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    first, second = _results(rig).values()
    assert first.decision is Decision.NOT_MEASURED
    assert "modulation_analyser" in first.note
    assert second.decision is Decision.PASS


def test_a_reading_alone_is_taken_again_and_counted(make_rig: Any) -> None:
    """One that was late, in a search too: the check goes on, and its result says how many."""
    rig = make_rig(sequence=TWO_CHECKS)
    rig.inject("audio_analyser", Fault(kind=FaultKind.TIMEOUT, match="READ"))
    rig.inject("modulation_analyser", Fault(kind=FaultKind.GARBAGE, match="READ", times=1))
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED
    assert outcome.faults == ()
    first, second = _results(rig).values()
    assert "one reading was taken again after an answer that made no sense" in first.note
    assert "one reading was taken again after a time-out" in second.note


def test_a_number_that_cannot_be_costs_no_check(make_rig: Any) -> None:
    """An answer too many puts the readings of a check out of step: the whole check is made again, what was read before it too."""
    assert Retries().take(1, _fault(ImpossibleReading, command=""))
    rig = make_rig(sequence=TWO_CHECKS)
    rig.inject("modulation_analyser", Fault(kind=FaultKind.WRONG, match="READ", argument="3.48E+02", times=2))
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED
    assert [one.kind for one in outcome.faults] == ["ImpossibleReading"]
    assert "frequency of 348 Hz cannot be" in outcome.faults[0].what
    assert "measured again, because modulation_analyser" in _results(rig)[0].note


def test_a_generator_whose_setting_reads_back_senseless_once_is_not_called_on(make_rig: Any) -> None:
    """In the proof that it is off, as anywhere: the check is made again, and the bench is called safe in the end."""
    rig = make_rig(sequence=TWO_CHECKS)
    rig.inject(
        "signal_generator",
        Fault(kind=FaultKind.WRONG, match="AMPLitude -1.36", argument='9.91E37;0,"No error"'),
    )
    outcome = rig.run()
    assert [one.kind for one in outcome.faults] == ["NotConfirmed"]
    assert outcome.safe_state.confirmed
    assert outcome.status is ExitStatus.PASSED


def test_a_generator_that_restarts_while_the_meter_line_is_asked_is_not_called_on(make_rig: Any) -> None:
    """A line that stands still with the generator off as with a signal that was not there any more: the S9 point is found anew."""
    checks = (
        TWO_CHECKS.split("checks:", maxsplit=1)[0]
        + "checks:\n  - {check: s9_point, channel: 20, target: 2.25 V}\n"
    )
    rig = make_rig(sequence=checks)
    generator = rig.device("signal_generator")
    hear, strong = generator.submit, [False]

    def restart(message: bytes) -> Any:
        strong[0] |= b"AMPLitude -3.9" in message
        if strong == [True] and b"CONDition?" in message:
            strong.append(True)
            power_cycle(generator)
        return hear(message)

    generator.submit = restart
    outcome = rig.run()
    assert len(strong) == 2
    assert [one.kind for one in outcome.faults] == ["SettingLost"]
    assert outcome.safe_state.confirmed
    assert outcome.status is ExitStatus.PASSED


def test_a_press_of_ptt_whose_answer_was_lost_is_no_reading(make_rig: Any) -> None:
    """It is not passed over as a reading that failed, with PTT not pressed: the check is made again from its start."""
    rig = make_rig(sequence=TWO_CHECKS)
    log = KeyLog(rig.simulation)
    rig.inject("radio", Fault(kind=FaultKind.DISCONNECT, match="KEY:STATe 1"))
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED
    assert "measured again, because radio failed once" in _results(rig)[0].note
    assert log.times >= 1


@pytest.mark.parametrize("role", ["radio", "switch", "supply", "power_meter", "voltmeter"])
@pytest.mark.parametrize("kind", [FaultKind.GARBAGE, FaultKind.TIMEOUT])
def test_an_instrument_that_fails_once_while_it_is_opened_is_opened_again(
    make_rig: Any, role: str, kind: FaultKind
) -> None:
    """Opening leaves it as after its reset, however often; the run says so."""
    rig = make_rig(sequence=TWO_CHECKS)
    rig.inject(role, Fault(kind=kind, match="*IDN?"))
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED
    assert [one.instrument for one in outcome.faults] == [role]


@pytest.mark.parametrize("match", ["CURRent:LEVel:IMMediate:AMPLitude?;", "MEASure:VOLTage"])
def test_a_supply_that_restarts_is_fed_anew(make_rig: Any, match: str) -> None:
    """Found out by its settings or at its terminals, in a check or before one: the next feeds the unit as the sequence says."""
    rig = make_rig(sequence=TWO_CHECKS)
    supply, hear, heard = rig.device("supply"), rig.device("supply").submit, list[bytes]()

    def submit(message: bytes) -> Any:
        if match.encode() in message and supply.output_on:
            heard.append(message)
            if len(heard) == 2:
                supply._reset()
        return hear(message)

    supply.submit = submit
    outcome = rig.run()
    assert len(heard) > 2
    assert outcome.status is ExitStatus.PASSED
    assert [one.instrument for one in outcome.faults] == ["supply"]


def test_a_fault_on_one_channel_of_a_sweep_costs_no_channel(make_rig: Any) -> None:
    """The channel is measured again from its choice on, each press after its own proof; its results say so, the others do not."""
    checks = (
        "{check: channel_sweep, sweep: [1, 20, 40], frequency: {within: 600 Hz}, power: {min: 3 W, max: 4 W}}"
    )
    rig = make_rig(sequence=TWO_CHECKS.split("checks:", maxsplit=1)[0] + f"checks:\n  - {checks}\n")
    rig.inject("radio", Fault(kind=FaultKind.DISCONNECT, match="CHANnel 20"))
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED
    again = {
        one.channel for one in outcome.results if "measured again, because radio failed once" in one.note
    }
    assert again == {20}
    assert all(one.value is not None for one in outcome.results)
