"""The runner under attack: defects in checks, lost interruptions, disks and screens that fail. The bench is the simulated one."""

from __future__ import annotations

import contextlib
import math
import signal
import sys
from dataclasses import replace
from typing import Any

import pytest

from drivers.faults import TimedOut
from sequencer.checks.base import Check, CheckSettings, Finding
from sequencer.results.model import FaultFacts
from sequencer.run.events import CheckEnded, CheckStarted, FaultMet, RunEnded, Warned
from sequencer.run.record import Again
from sequencer.run.status import ExitStatus
from sequencer.safety.ending.way_out import PATIENCE_S
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind, FaultScript

KEY_ON, KEY_OFF = ":CONTrol:KEY:STATe 1", ":CONTrol:KEY:STATe 0"
SAFE = "The bench is safe: PTT released, generator off, supply off, each read back."


class Procedure(Check[CheckSettings]):
    """A check made of one function of its side; returns what that returns, or one finding."""

    name = "procedure"
    summary = "a test's own procedure"
    settings = CheckSettings

    def __init__(self, side, procedure) -> None:
        self.side = side
        self._procedure = procedure

    def quantities(self, settings):
        """Return the one quantity it reports."""
        return (("procedure", "W"),)

    def receive(self, side, settings, conditions):
        """Do it."""
        found = self._procedure(side)
        return [Finding(quantity="procedure", value=1.0, unit="W")] if found is None else found

    transmit = receive


def _nothing(side: Any) -> None:
    return None


def _read_power(side: Any) -> None:
    side.read_power_dbm()


def _listen(side: Any) -> None:
    side.apply_carrier(-80.0)
    side.read_sinad_db(0.1)


def _fail(side: Any) -> None:
    side.read_power_dbm()
    raise ZeroDivisionError("a defect")


def _exit(side: Any) -> None:
    sys.exit(0)


def _safe(rig: Any) -> bool:
    return not rig.simulation.unit.keyed and not rig.device("signal_generator").output_on


@pytest.mark.parametrize(
    "procedure",
    [
        _fail,
        _exit,
        lambda side: 7,
        lambda side: [None],
        lambda side: [Finding(quantity="procedure", value="much", unit="W")],
        lambda side: (_ for _ in ()).throw(RecursionError("deep")),
    ],
    ids=["raises", "exits", "returns a number", "returns None", "finds a word", "fails while it is read"],
)
def test_a_defect_in_a_check_costs_that_check_only(make_rig, procedure):
    """Whatever a check raises or returns, what was measured before is kept, what comes after is run, and the status is 3."""
    rig = make_rig().with_checks(
        Procedure("transmit", _nothing), Procedure("transmit", procedure), Procedure("receive", _listen)
    )
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    kept = rig.record.kept
    assert [result.value for index in (0, 1, 2) for result in kept[index]] == [1.0, None, 1.0]
    assert kept[1][0].decision is Decision.NOT_MEASURED
    assert "the check itself failed" in kept[1][0].note
    assert outcome.safe_state.last_line() == SAFE


def test_a_value_that_is_no_number_is_not_passed(make_rig):
    """A check that finds NaN is not measured, never a pass."""
    rig = make_rig().with_checks(
        Procedure("transmit", lambda side: [Finding(quantity="procedure", value=math.nan, unit="W")])
    )
    outcome = rig.run()
    assert outcome.results[0].decision is Decision.NOT_MEASURED
    assert outcome.status is not ExitStatus.PASSED


# --- interruptions ---------------------------------------------------------------------------------------------------


class SignalAt(FaultScript):
    """Breaks nothing: raises real signals in this process when messages with certain numbers, over the whole bench, arrive."""

    def __init__(self, *numbers: int) -> None:
        super().__init__()
        self.numbers = numbers
        self.seen = 0
        self.fired = 0

    def __bool__(self) -> bool:
        return True

    def take(self, message):
        """Count, and raise the signal."""
        self.seen += 1
        if self.seen - 1 in self.numbers:
            self.fired += 1
            signal.raise_signal(signal.SIGINT)


@pytest.mark.parametrize("again", [None, 1, 7], ids=["once", "twice at once", "twice"])
def test_ctrl_c_at_any_message_ends_the_run_safely(make_rig, again):
    """Ctrl-C at the 1st, 2nd, 3rd … message, once or twice, in opening, measuring and leaving: status 4, safe, nothing torn."""
    base = make_rig()
    number = 0
    while True:
        rig = base.again().with_checks(Procedure("transmit", _read_power), Procedure("receive", _listen))
        script = SignalAt(number) if again is None else SignalAt(number, number + again)
        for device in rig.simulation.devices.values():
            device.faults = script
        outcome = rig.run()
        if not script.fired:
            break
        assert outcome.status is ExitStatus.INTERRUPTED
        assert outcome.safe_state.last_line() == SAFE, f"message {number}"
        assert rig.record.ended["outcome"] == "interrupted (SIGINT)"
        assert _safe(rig)
        assert rig.simulation.hazards == ()
        number += 1
    assert number > 80
    assert outcome.status is ExitStatus.PASSED


def test_a_check_that_swallows_ctrl_c_does_not_keep_the_run_going(make_rig):
    """A check that catches everything, Ctrl-C included, is the last that is run."""

    def swallow(side):
        with contextlib.suppress(BaseException):
            signal.raise_signal(signal.SIGINT)

    rig = make_rig().with_checks(Procedure("transmit", swallow), Procedure("receive", _listen))
    outcome = rig.run()
    assert outcome.status is ExitStatus.INTERRUPTED
    assert 1 not in rig.record.kept
    assert outcome.safe_state.last_line() == SAFE


def test_ctrl_c_is_not_lost_when_the_release_fails_behind_it(make_rig):
    """A release that fails while Ctrl-C unwinds replaces the exception; the run ends all the same."""

    def interrupted(side):
        side.read_power_dbm()
        signal.raise_signal(signal.SIGINT)

    rig = make_rig().with_checks(Procedure("transmit", interrupted), Procedure("receive", _listen))
    rig.inject("radio", Fault(kind=FaultKind.DISCONNECT, match=KEY_OFF, skip=3, times=2))
    outcome = rig.run()
    assert outcome.status is ExitStatus.INTERRUPTED
    assert 1 not in rig.record.kept
    assert _safe(rig)


def test_a_prompt_that_takes_ctrl_c_for_no_is_still_an_interruption(make_rig):
    """click turns Ctrl-C at a prompt into Abort, and that looks like "no": it is status 4, with no row that says "not confirmed"."""

    class LikeClick:
        how = "asked"

        def confirm(self, text: str) -> bool:
            with contextlib.suppress(KeyboardInterrupt):
                signal.raise_signal(signal.SIGINT)
            return False

    rig = make_rig(
        sequence="sequence: S\nchannels: plans/cept-40.yaml\nsupply: 13.2 V\nprepare: [{confirm: volume}]\n"
        "checks: [{check: carrier_power, channel: 20}]\n"
    )
    outcome = rig.run(LikeClick())
    assert outcome.status is ExitStatus.INTERRUPTED
    assert outcome.results == ()


def test_signals_while_the_bench_is_made_safe_cut_nothing_short(make_rig):
    """Ctrl-C on the way out, when all is measured, is status 4 and the supply is off all the same."""
    rig = make_rig().with_checks(Procedure("transmit", _read_power))

    def late(event):
        if isinstance(event, CheckEnded):
            script = SignalAt(0, 1, 2)
            for device in rig.simulation.devices.values():
                device.faults = script

    outcome = rig.run(listeners=[late])
    assert outcome.status is ExitStatus.INTERRUPTED
    assert len(outcome.results) == 1
    assert outcome.safe_state.confirmed
    assert rig.simulation.unit.supply_v == 0.0


def test_what_was_said_in_a_check_that_was_cut_short_is_kept(make_rig):
    """The bytes of an interrupted check and of the way out are in the record: they tell what happened."""

    def interrupted(side):
        side.read_power_dbm()
        signal.raise_signal(signal.SIGINT)

    rig = make_rig().with_checks(Procedure("transmit", interrupted))
    rig.run()
    radio = [message for message in rig.sent("radio") if message.startswith((KEY_ON, KEY_OFF))]
    assert radio[-2].startswith(KEY_OFF)
    assert any(message.startswith(KEY_ON) for message in radio)


# --- what stands around the run --------------------------------------------------------------------------------------


def test_a_full_disk_ends_the_run_safely(make_rig):
    """When a result cannot be kept the run stops with status 3, in plain words, and the bench is safe."""
    rig = make_rig().with_checks(Procedure("transmit", _read_power), Procedure("receive", _listen))

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    rig.record.keep = full
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert "No space left on device" in outcome.problems[0]
    assert not any("Traceback" in text for text in outcome.problems)
    assert outcome.safe_state.last_line() == SAFE
    assert len(outcome.results) == 1


def test_a_screen_that_is_gone_does_not_end_a_run(make_rig):
    """A listener that fails is sent nothing more; the others are, to the end, and the run is not spoilt by it."""
    told: list[object] = []

    def gone(event):
        raise BrokenPipeError

    rig = make_rig().with_checks(Procedure("transmit", _read_power))
    outcome = rig.run(listeners=[gone, told.append])
    assert outcome.status is ExitStatus.PASSED
    assert isinstance(told[-1], RunEnded)
    assert len([text for text in outcome.problems if "is sent nothing more" in text]) == 1


def test_a_supply_that_stays_on_is_said(make_rig):
    """If the supply that the run switched on cannot be confirmed off at the end, the status is 3 and the last line says so."""
    rig = make_rig().with_checks(Procedure("transmit", _read_power))
    rig.inject("supply", Fault(kind=FaultKind.DISCONNECT, match="OUTPut:STATe 0", skip=1, times=None))
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert not outcome.safe_state.confirmed
    assert outcome.safe_state.off == ("PTT released", "generator off")
    line = outcome.safe_state.last_line()
    assert "the unit's supply could not be confirmed off" in line
    assert "Remove the supply from the unit now" in line


def test_a_supply_that_answers_again_after_seconds_is_switched_off(make_rig):
    """Making safe goes on for some seconds with pauses: what was busy for six tries is confirmed off at the seventh."""
    rig = make_rig().with_checks(Procedure("transmit", _read_power))
    rig.inject("supply", Fault(kind=FaultKind.DISCONNECT, match="OUTPut:STATe 0", skip=1, times=6))
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED
    assert outcome.safe_state.last_line() == SAFE
    assert rig.simulation.unit.supply_v == 0.0


def test_making_safe_in_vain_ends_and_is_not_done_all_over_again(make_rig):
    """A generator that is gone for good is tried for some seconds once, not once after the check and again on the way out."""
    rig = make_rig().with_checks(Procedure("receive", _listen))
    rig.inject(
        "signal_generator", Fault(kind=FaultKind.DISCONNECT, match="OUTPut:STATe 0", skip=4, times=None)
    )
    outcome = rig.run()
    assert not outcome.safe_state.confirmed
    assert outcome.bench_s < 2.0 * PATIENCE_S


def test_no_as_an_answer_runs_no_later_check(make_rig, nodding):
    """No, twice, leaves the confirmation not measured, ends with 3 and does nothing more: a knob that stands wrong is no failure."""
    rig = make_rig(
        sequence="sequence: S\nchannels: plans/cept-40.yaml\nsupply: 13.2 V\nprepare: [{confirm: volume}]\n"
        "checks: [{check: carrier_power, channel: 20}]\n"
    )
    person = nodding(answer=False)
    outcome = rig.run(person)
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert [(one.quantity, one.decision) for one in outcome.results] == [
        ("confirmed: volume", Decision.NOT_MEASURED)
    ]
    assert person.asked == ["volume", "Please set it now: volume"]
    assert not [message for message in rig.sent("radio") if message.startswith(KEY_ON)]


def test_what_is_set_when_asked_again_goes_on(make_rig, nodding):
    """A person who answers no, sets the knob and then says yes has a run as any other."""

    class SetsIt(nodding):
        """Says no first."""

        def confirm(self, text):
            """Return yes to the second question."""
            super().confirm(text)
            return len(self.asked) > 1

    rig = make_rig(
        sequence="sequence: S\nchannels: plans/cept-40.yaml\nsupply: 13.2 V\nprepare: [{confirm: volume}]\n"
        "checks: [{check: carrier_power, channel: 20}]\n"
    )
    outcome = rig.run(SetsIt())
    assert outcome.status is ExitStatus.PASSED
    assert [one.quantity for one in outcome.results] == ["confirmed: volume", "carrier power"]


@pytest.mark.parametrize(
    ("serial", "status"), [("M40-0007", ExitStatus.PASSED), ("M40-0012", ExitStatus.FAILED)]
)
def test_done_and_limit_failed_leave_the_bench_safe(make_rig, serial, status):
    """A sound unit passes with 0, a unit outside a limit ends with 1; both leave the bench safe and the unit without supply."""
    rig = make_rig(serial=serial)
    outcome = rig.run()
    assert outcome.status is status, [str(result.decision) for result in outcome.results]
    assert outcome.safe_state.last_line() == SAFE
    assert _safe(rig)
    assert rig.simulation.unit.supply_v == 0.0


def test_one_instrument_lost_in_mid_run_costs_only_what_needs_it(make_rig):
    """When the power meter is gone its checks are not measured, the others are, and the status is 3."""
    rig = make_rig()
    rig.inject("power_meter", Fault(kind=FaultKind.DISCONNECT, match=":READ", times=None))
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    decisions = [result.decision for result in outcome.results]
    assert decisions == [Decision.NOT_MEASURED, Decision.PASS, Decision.PASS]
    assert outcome.safe_state.last_line() == SAFE


def test_instruments_that_say_they_are_simulated_make_the_run_simulated(make_rig):
    """Also where bench file and command line say nothing of it: every result carries the mark."""
    rig = make_rig()
    rig.record.facts = replace(rig.record.facts, simulated=False)
    heard: list[Any] = []
    outcome = rig.run(listeners=[heard.append])
    assert rig.record.facts.simulated
    assert outcome.results
    assert all(result.simulated for result in outcome.results)
    told = [event for event in heard if isinstance(event, Warned | CheckStarted)]
    assert isinstance(told[0], Warned), "whoever watches learns it before the first check"
    assert "simulated" in told[0].text


def test_a_simulated_bench_does_not_repeat_a_run_on_a_real_one(make_rig):
    """It is found out when the bench is open: nothing is measured, nothing would replace the real result, status 3 and why."""
    rig = make_rig()
    again = Again(run="real-run", reason="plug was loose")
    rig.record.facts = replace(rig.record.facts, simulated=False, again=again)
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert outcome.results == ()
    assert "real-run was on a real one" in outcome.problems[0]
    assert rig.record.facts.simulated
    assert outcome.safe_state.last_line() == SAFE


def test_a_fault_keeps_its_attributes_in_results_and_outcome(make_rig):
    """Kind, instrument, address, command and next move of a fault are fields of the result and of the outcome, not only words."""

    def fault(side):
        raise TimedOut(
            "no answer", instrument="meter", address="A::1", command="READ?", next_move="Look at the plug."
        )

    rig = make_rig().with_checks(Procedure("receive", fault), Procedure("receive", _listen))
    told: list[Any] = []
    outcome = rig.run(listeners=[told.append])
    facts = FaultFacts(
        kind="TimedOut",
        what="no answer",
        instrument="meter",
        address="A::1",
        command="READ?",
        next_move="Look at the plug.",
    )
    assert [result.fault for result in outcome.results] == [facts, None]
    assert outcome.faults == (facts, facts), "it was measured again, once"
    assert [event for event in told if isinstance(event, FaultMet)] == [FaultMet(index=0, fault=facts)] * 2
    assert outcome.results[0].fault is outcome.faults[1]  # made of the fault once, and handed on
