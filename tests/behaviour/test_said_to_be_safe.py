"""What the last line says of the bench is how the bench stands, whichever check was under way and whatever an instrument does.

The truth is asked of the simulated instruments and the unit themselves, past every message.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.run.events import CheckStarted, Event
from sequencer.run.status import ExitStatus
from sim.scpi.faults import Fault, FaultKind
from tests.support.every_check import EVERY_CHECK, rig_of
from tests.support.rig import Rig

OFF = {
    "signal_generator": rb":?OUTP(UT)?(:STAT)?\w* (0|OFF)\b",
    "supply": rb":?OUTP(UT)?(:STAT)?\w* (0|OFF)\b",
    "radio": rb":?CONT\w*:KEY\w*(:STAT\w*)? (0|OFF)\b",
}
SAID = {"signal_generator": "generator off", "supply": "supply off", "radio": "PTT released"}


def _accepts_and_stays_on(rig: Rig, role: str) -> None:
    """Have every "off" taken without complaint and without effect; its state reads as it is."""
    device = rig.device(role)
    submit = device.submit
    device.submit = lambda message: submit(re.sub(OFF[role], b"*WAI", message))


def _reads_off_and_stays_on(rig: Rig, role: str) -> None:
    """Have the supply's terminals stay as they are, whatever it says of its output."""
    wiring, device = rig.simulation.wiring, rig.device("supply")
    feed, stays_v = wiring.set_supply_v, wiring.unit.supply_v
    wiring.set_supply_v = lambda volts: feed(volts or stays_v)
    device._volts = lambda: stays_v  # what hangs between its terminals


def _reads_back_nothing(rig: Rig, role: str) -> None:
    """Have everything that asks the instrument go unanswered; what it is told it does."""
    rig.inject(role, Fault(kind=FaultKind.TIMEOUT, times=None))


def _is_lost(rig: Rig, role: str) -> None:
    """Have the instrument take and answer nothing."""
    rig.inject(role, Fault(kind=FaultKind.DISCONNECT, times=None))


def _answers_senselessly(rig: Rig, role: str) -> None:
    rig.inject(role, Fault(kind=FaultKind.GARBAGE, times=None))


TROUBLES: list[tuple[Callable[[Rig, str], None], str]] = [
    *((trouble, role) for trouble in (_accepts_and_stays_on, _reads_back_nothing) for role in SAID),
    *((trouble, "supply") for trouble in (_reads_off_and_stays_on, _answers_senselessly)),
    (_is_lost, "signal_generator"),
]


def _truth(rig: Rig) -> dict[str, bool]:
    generators = [one for one in rig.simulation.devices.values() if hasattr(one, "level_dbm")]
    assert len(generators) == 2
    return {
        "generator off": not any(one.output_on for one in generators),
        "supply off": not rig.simulation.unit.supply_v,
        "PTT released": not rig.simulation.unit.keyed,
    }


@pytest.mark.parametrize("name", EVERY_CHECK, ids=lambda name: name.replace(" ", "_"))
def test_what_the_last_line_says_is_off_is_off(tmp_path: Path, name: str) -> None:
    """Nothing is said to be off that is on, safe is said only if all is off; otherwise the status is 3 and what to do is said.

    Troubles that begin when the check does: an instrument that accepts its "off" and stays on, one that reads off while its terminals
    are live, one that answers nothing, nonsense, or is gone. The store's row says the same as the line.
    """
    first = rig_of(tmp_path, name)
    (tmp_path / "receive-loss.yaml").unlink(missing_ok=True)
    last = first.plan.steps[-1].index
    for trouble, role in TROUBLES:
        rig = first.again()

        def begin(event: Event, rig: Any = rig, trouble: Any = trouble, role: str = role) -> None:
            if isinstance(event, CheckStarted) and event.index == last:
                trouble(rig, role)

        outcome = rig.run(listeners=[begin])
        truth, line = _truth(rig), outcome.safe_state.last_line()
        told = f"{trouble.__name__} {role}: {line}; {truth}"
        assert all(truth[said] for said in outcome.safe_state.off), told
        assert rig.record.ended["bench_safe"] is outcome.safe_state.confirmed, told
        if outcome.safe_state.confirmed:
            assert all(truth.values()), told
            assert line == "The bench is safe: PTT released, generator off, supply off, each read back.", told
        else:
            assert outcome.status is ExitStatus.BENCH_FAILED, told
            assert "Remove the supply from the unit now" in line, told
        if not truth[SAID[role]]:
            assert not outcome.safe_state.confirmed, told
