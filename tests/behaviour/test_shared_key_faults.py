"""Faults in a key-down that checks share: whatever happens, each planned check leaves a row, or the run has not passed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sequencer.cli.screens.summary import verdict_line
from sequencer.results.model import Result
from sequencer.run.events import CheckStarted, Event
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.rig import Rig

RigMaker = Callable[..., Rig]
HEAD = "sequence: Shared\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
POWER = "  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}\n"
FREQUENCY = "  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}\n"
SINAD = "  - {check: sinad, channel: 20, level: -80 dBm}\n"
KEY_OFF = ":CONTrol:KEY:STATe 0"


def rows(rig: Rig) -> dict[int, list[Result]]:
    """Return the rows of each check of the sequence, by its number."""
    return {index: kept for index, kept in rig.record.kept.items() if kept}


def is_owed_nothing(rig: Rig, outcome: RunOutcome) -> bool:
    """Say whether each check left rows; where one did not, or has no value, the run must not say that it passed."""
    whole = set(rows(rig)) >= {step.index for step in rig.plan.steps}
    missing = [one for one in outcome.results if one.value is None]
    if not whole or missing or rig.record.ended["outcome"] != "done":
        assert outcome.status is not ExitStatus.PASSED, (outcome.problems, missing)
        assert "All limits met" not in verdict_line(outcome)
        assert verdict_line(outcome)
    return whole


def count(asked: list[str], address: str, device: Any) -> None:
    """Keep in ``asked`` the address of each message that a simulated instrument takes."""
    submit = device.submit

    def submitted(message: bytes) -> Any:
        asked.append(address)
        return submit(message)

    device.submit = submitted


def stays_on(rig: Rig) -> None:
    """Let the unit transmit on for as long as it is fed, whatever its PTT line reads."""
    unit, seen = rig.simulation.unit, list[Any]()
    emission = unit.emission

    def stuck() -> Any:
        now = emission()
        if now is not None:
            seen.append(now)
        return now if now is not None or not unit.supply_v or not seen else seen[-1]

    unit.emission = stuck


def stuck_honest(rig: Rig) -> None:
    """Let PTT read pressed after each release."""
    rig.device("radio").wiring.unit._set_keyed = lambda *, keyed: setattr(
        rig.simulation.unit, "_keyed", keyed or rig.simulation.unit._keyed
    )


def cut_at_release(rig: Rig) -> None:
    """Let the radio's link break at every release after the first press."""
    rig.inject("radio", Fault(kind=FaultKind.DISCONNECT, match=KEY_OFF, skip=3, times=None))


@pytest.mark.parametrize("trouble", [stays_on, stuck_honest, cut_at_release])
def test_a_stuck_ptt_leaves_a_row_of_every_check(make_rig: RigMaker, trouble: Callable[[Rig], None]) -> None:
    """The group's checks, and those after it, are not measured and say why; the fault is told, and nothing has passed."""
    rig = make_rig(sequence=HEAD + POWER + FREQUENCY + SINAD)
    assert [len(part) for part in rig.plan.parts] == [2, 1]
    trouble(rig)
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert sorted(rows(rig)) == [0, 1, 2]
    for one in outcome.results:
        assert (one.decision, one.value) == (Decision.NOT_MEASURED, None)
        assert "because the run was stopped" in one.note
        assert one.fault is not None  # so that whoever carries the run on measures it
    assert outcome.problems
    assert (
        verdict_line(outcome) == f"The bench failed; see below. {len(outcome.results)} results not measured."
    )


def test_a_meter_that_stands_still_after_a_while_drops_no_row(make_rig: RigMaker) -> None:
    """A power meter that freezes keyed leaves the supply cut: what the run then makes no more stands as not measured."""
    rig = make_rig(sequence=HEAD + POWER + FREQUENCY + SINAD)
    rig.inject("power_meter", Fault(kind=FaultKind.STUCK, match=":READ", skip=2, times=None))
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert is_owed_nothing(rig, outcome)


def test_a_fault_when_the_side_is_entered_is_of_the_first(make_rig: RigMaker) -> None:
    """Terminals that read 12.9 V for 13.2 V before the first check of a group has begun: no key error, and all of them leave their rows."""
    rig = make_rig(sequence=HEAD + POWER + FREQUENCY + "  - {check: supply_current, channel: 20}\n")
    supply = rig.device("supply")
    volts = supply._volts
    supply._volts = lambda: 12.9 if volts() > 5.0 else volts()
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert is_owed_nothing(rig, outcome)
    assert not any("the run itself failed" in one for one in outcome.problems), outcome.problems


@pytest.mark.parametrize(("kind", "times"), [(FaultKind.TIMEOUT, 1), (FaultKind.DISCONNECT, None)])
def test_a_fault_at_any_operation_of_a_group_never_passes_without_its_rows(
    make_rig: RigMaker, kind: FaultKind, times: int | None
) -> None:
    """Each message that the group sends is failed in turn, once or from then on: all rows are there, and one without a value is no pass."""
    rig = make_rig(sequence=HEAD + POWER + FREQUENCY)
    asked: list[str] = []
    begins: list[int] = []

    def hear(event: Event) -> None:
        if isinstance(event, CheckStarted):
            begins.append(len(asked))

    for address, device in rig.simulation.devices.items():
        count(asked, address, device)
    assert rig.run(listeners=[hear]).status is ExitStatus.PASSED
    undisturbed = {(one.check, one.quantity): one for one in rig.record.results[0] + rig.record.results[1]}
    for number in range(begins[0], len(asked)):
        failing = rig.again()
        if times is None:  # from then on one instrument fails; the others go on
            own = asked[:number].count(asked[number])
            failing.simulation.devices[asked[number]].faults.add(Fault(kind=kind, skip=own, times=None))
        else:
            failing.inject_everywhere(Fault(kind=kind, skip=number))
        outcome = failing.run()
        is_owed_nothing(failing, outcome)
        for one in outcome.results:
            right = undisturbed[one.check, one.quantity]
            assert one.value is None or one.value == pytest.approx(right.value, abs=right.uncertainty)


@pytest.mark.parametrize("release", range(4))
def test_a_unit_that_stays_on_from_any_press_never_passes(make_rig: RigMaker, release: int) -> None:
    """Whichever key-down it is that does not end, no check is without a row."""
    rig = make_rig(sequence=HEAD + POWER + FREQUENCY + SINAD + POWER.replace("20", "1"))
    unit, presses = rig.simulation.unit, [0]
    set_keyed = unit._set_keyed

    def keyed(*, keyed: bool) -> None:
        presses[0] += keyed
        if presses[0] > release and unit._keyed and not keyed:
            return
        set_keyed(keyed=keyed)

    unit._set_keyed = keyed  # type: ignore[method-assign]
    outcome = rig.run()
    assert is_owed_nothing(rig, outcome)
    assert (outcome.status is ExitStatus.PASSED) == (presses[0] <= release)


def test_a_check_that_finds_nothing_at_all_has_not_passed(make_rig: RigMaker) -> None:
    """A procedure from elsewhere that returns an empty list: the run says which check left no result."""
    rig = make_rig(sequence=HEAD + POWER + SINAD)

    class Empty(type(rig.plan.steps[0].check)):  # type: ignore[misc]
        def transmit(self, *_: Any) -> list[Any]:
            return []

    rig.with_checks(Empty(), rig.plan.steps[1].check)
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert any("left no result" in one for one in outcome.problems)
