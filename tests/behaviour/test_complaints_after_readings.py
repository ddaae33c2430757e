"""What an instrument leaves in its error queue beside its readings is heard at the end of the check, whichever role it fills."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.behaviour.test_disobedient_instruments import HEAD

CHECKS = {
    "power_meter": "  - {check: carrier_power, channel: 20, limit: {min: 1 W, max: 9 W}}\n",
    "modulation_analyser": "  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}\n",
    "audio_analyser": "  - {check: sinad, channel: 20, level: -100 dBm, limit: {min: 6 dB}}\n",
}
STALE = (-230, "Data corrupt or stale")  # SCPI-1999 volume 2, 21.8.10
DUE = (107, "Calibration due soon")
Run = Callable[[str, tuple[int, str], int | None], RunOutcome]


@pytest.fixture
def run(make_rig: Any) -> Run:
    """Run a role's check with so many of its readings leaving an entry in the queue."""

    def run(role: str, entry: tuple[int, str], times: int | None) -> RunOutcome:
        rig = make_rig(serial="M40-0007", sequence=HEAD + CHECKS[role])
        # the first readings may be asked for before the unit transmits
        skip = 3 if times else 0
        rig.inject(role, Fault(kind=FaultKind.ERROR, match="READ?", argument=entry, times=times, skip=skip))
        outcome: RunOutcome = rig.run()
        return outcome

    return run


@pytest.mark.parametrize("role", CHECKS)
def test_what_is_called_corrupt_after_every_reading_decides_nothing(run: Run, role: str) -> None:
    """SCPI numbers errors below nought: what was read with one beside it is not measured, in the instrument's own words."""
    outcome = run(role, STALE, None)
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert {one.decision for one in outcome.results if one.unit != "V"} == {Decision.NOT_MEASURED}
    assert "it complains" in outcome.results[0].note
    assert '-230,"Data corrupt or stale"' in outcome.results[0].note
    assert all(one.command and one.next_move for one in outcome.faults)


@pytest.mark.parametrize("role", ["power_meter", "modulation_analyser"])
def test_what_is_called_corrupt_once_is_measured_again(run: Run, role: str) -> None:
    """The check is made anew from its start, and says why."""
    outcome = run(role, STALE, 1)
    (found,) = outcome.results
    assert outcome.status is ExitStatus.PASSED
    assert found.decision is Decision.PASS
    assert "-230" in found.note


@pytest.mark.parametrize("role", ["power_meter", "modulation_analyser"])
def test_what_an_instrument_remarks_beside_its_readings_is_a_note(run: Run, role: str) -> None:
    """A positive entry is the instrument's own (21.8.2): it says nothing against the reading, and is told."""
    outcome = run(role, DUE, None)
    (found,) = outcome.results
    assert found.decision is Decision.PASS
    assert f"{role} noted {DUE[0]}," in found.note
