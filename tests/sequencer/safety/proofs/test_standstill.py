"""A program that stood still is seen, and what was done across it is discarded.

That CLOCK_BOOTTIME counts the time asleep and CLOCK_MONOTONIC does not: clock_gettime(2) of the Linux manual pages. No test can put the
machine to sleep: what the two clocks say then is handed in.
"""

from __future__ import annotations

import signal
import time
from collections.abc import Callable
from dataclasses import replace

import pytest

from drivers.clock import RealClock, asleep_s, boot_s
from drivers.faults import NotConfirmed, Refused, SettingLost, TimedOut
from sequencer.run.interrupt import stoppable
from sequencer.safety.proofs.standstill import Standstill, StoodStill, WatchedClock
from tests.support.key_log import KeyLog
from tests.support.rig import Rig

FACTS = {"instrument": "power_meter", "address": "here"}
RECEIVE = """
sequence: Receive
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: sinad, channel: 20, level: -80 dBm, tone: 1 kHz, deviation: 1.2 kHz}
"""
TRANSMIT = """
sequence: Transmit
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
"""


class Asleep:
    """How long the computer has slept, as a test has it."""

    def __init__(self) -> None:
        self.slept_s = 0.0

    def __call__(self) -> float:
        """Return it."""
        return self.slept_s


def test_a_computer_that_slept_is_seen_once() -> None:
    """What it slept before counts for nothing, a second of it is seen, and nobody is told of the same night twice."""
    asleep = Asleep()
    asleep.slept_s = 3600.0
    standstill = Standstill(asleep)
    before = standstill.count()
    asleep.slept_s += 0.2
    assert standstill.since(before) == ""
    asleep.slept_s += 28_800.0
    assert standstill.since(before) == "this computer was suspended for 28800 s"
    assert standstill.since(standstill.count()) == ""


def test_the_clock_of_a_bench_goes_on_while_the_computer_sleeps() -> None:
    """Key-down and rest are counted by it: the unit may have been keyed all the while. This machine has not slept between two looks."""
    assert RealClock().now_s() == pytest.approx(boot_s(), abs=1.0)
    assert asleep_s() >= -0.01
    if hasattr(time, "CLOCK_BOOTTIME"):
        assert boot_s() == pytest.approx(time.clock_gettime(time.CLOCK_BOOTTIME), abs=1.0)


def test_a_process_that_goes_on_is_told() -> None:
    """SIGCONT reaches whoever asked, raises nothing, and the handler of before is given back."""
    before, told = signal.getsignal(signal.SIGCONT), []
    with stoppable() as stopper:
        stopper.on_continue = lambda: told.append("goes on")
        signal.raise_signal(signal.SIGCONT)
        stopper.check()
    assert told == ["goes on"]
    assert signal.getsignal(signal.SIGCONT) == before


def test_a_wait_that_took_far_too_long_is_seen() -> None:
    """A frozen container tells nothing else."""

    class Late:
        at_s, by_s = 0.0, 0.0

        def now_s(self) -> float:
            return self.at_s

        def wait_s(self, seconds: float) -> None:
            self.at_s += seconds + self.by_s

    late, standstill = Late(), Standstill(Asleep())
    clock, before = WatchedClock(late, standstill), standstill.count()
    clock.wait_s(60.0)
    late.by_s = 1.0
    clock.wait_s(60.0)
    assert standstill.since(before) == ""
    late.by_s = 30.0
    clock.wait_s(0.1)
    assert standstill.since(before) == "this program stood still for 30 s"


@pytest.mark.parametrize(
    ("fault", "passes_as"),
    [
        (TimedOut("no answer", **FACTS), StoodStill),
        (SettingLost("it has restarted", **FACTS), StoodStill),
        (NotConfirmed("the switch stands elsewhere", **FACTS), NotConfirmed),
        (Refused("PTT is not pressed any more", **FACTS), Refused),
    ],
)
def test_a_fault_across_a_standstill_passes_as_that_unless_it_says_more(
    fault: Exception, passes_as: type[Exception]
) -> None:
    """A lost connection may be the sleep's doing; that a bench is not as it should be, or may not be keyed, is said as it is."""
    asleep = Asleep()
    standstill = Standstill(asleep)

    def measure(sleeps_s: float) -> None:
        with standstill.discarding():
            asleep.slept_s += sleeps_s
            raise fault

    with pytest.raises(type(fault)) as awake:
        measure(0.0)
    assert awake.value is fault
    with pytest.raises(passes_as) as caught:
        measure(60.0)
    assert type(caught.value) is passes_as


def test_a_receive_check_across_a_sleep_is_made_again(make_rig: Callable[..., Rig]) -> None:
    """Asked when the side is left: nothing that was read counts, and the second time it does, with a note."""
    rig, asleep = make_rig(sequence=RECEIVE), Asleep()
    calls = []

    def slept_s() -> float:
        calls.append(asleep.slept_s)
        asleep.slept_s = 600.0 if len(calls) >= 3 else 0.0  # made, side entered, side left
        return asleep.slept_s

    rig.parts = replace(rig.parts, standstill=Standstill(slept_s))
    outcome = rig.run()
    assert [result.value is not None for result in outcome.results] == [True] * len(outcome.results)
    assert (
        "measured again, because this computer was suspended for 600 s, while this was measured"
        in outcome.results[0].note
    )


def test_a_check_across_two_sleeps_is_not_measured(make_rig: Callable[..., Rig]) -> None:
    """A computer that falls asleep again and again cannot measure, and says so; the bench is left safe all the same."""
    rig, asleep = make_rig(sequence=RECEIVE), Asleep()

    def slept_s() -> float:
        asleep.slept_s += 60.0
        return asleep.slept_s

    rig.parts = replace(rig.parts, standstill=Standstill(slept_s))
    outcome = rig.run()
    assert {result.value for result in outcome.results} == {None}
    assert "this computer was suspended for 60 s, while this was measured" in outcome.results[0].note
    assert "Keep the computer from going to sleep" in outcome.results[0].note
    assert (int(outcome.status), outcome.safe_state.confirmed) == (3, True)


@pytest.mark.provokes_hazards
def test_a_unit_that_was_keyed_while_the_computer_slept_is_released_at_once_and_rests_for_it(
    make_rig: Callable[..., Rig],
) -> None:
    """Counted as keyed for all of the sleep: released after the reading under way, rested as the duty has it, and measured again.

    The witness of the simulated bench tells how long it was keyed, and how long not (rest = key-down x (1 - duty) / duty: a duty factor's
    definition, IEC 60050-411-51-08, from memory).
    """
    rig, asleep = make_rig(sequence=TRANSMIT), Asleep()
    log, clock = KeyLog(rig.simulation), rig.simulation.clock
    woken_s: list[float] = []

    def slept_s() -> float:
        if rig.simulation.wiring.unit.keyed and not woken_s:
            clock.wait_s(120.0)
            asleep.slept_s = 120.0
            woken_s.append(clock.now_s())
        return asleep.slept_s

    rig.parts = replace(rig.parts, standstill=Standstill(slept_s))
    pressed: list[float] = []
    press = rig.simulation.wiring.key

    def noted() -> None:
        pressed.append(clock.now_s())
        press()

    rig.simulation.wiring.key = noted
    outcome = rig.run()
    (power,) = outcome.results
    assert power.value is not None
    assert "measured again, because this computer was suspended for 120 s" in power.note
    first_s = log.lengths_s[0]
    assert 120.0 < first_s < 125.0
    released_s = pressed[0] + first_s
    assert released_s - woken_s[0] < 1.0, "released by the next exchange"
    assert pressed[1] - released_s >= first_s - 0.5, "at a duty of one half it rests as long"
