"""Whole runs with instruments as they are: notes in error queues, reading times in steps, analysers that average."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sequencer.results.model import Result
from sequencer.run.status import ExitStatus
from sim.scpi.faults import Fault, FaultKind

S9 = """
sequence: S9
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: s9_point, channel: 20, target: 2.25 V}
"""


def _result(outcome: Any, quantity: str) -> Result:
    return next(one for one in outcome.results if one.quantity.startswith(quantity))


@pytest.mark.parametrize("role", ["signal_generator", "audio_analyser", "radio", "switch"])
def test_notes_on_every_setting_cost_no_check_and_are_told(make_rig: Callable[..., Any], role: str) -> None:
    """An instrument that queues a note at each setting, from opening on: the values are those of a quiet one, and the note says so."""
    quiet = make_rig().run()
    rig = make_rig()
    rig.inject(role, Fault(kind=FaultKind.ERROR, argument=(310, "System note"), times=None))
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED, outcome.problems
    assert [one.value for one in outcome.results] == [one.value for one in quiet.results]
    assert any(f'{role} noted 310,"System note"' in one.note for one in outcome.results)


def test_a_voltmeter_with_steps_finds_the_same_s9_point_and_the_search_counts_its_time(
    make_rig: Callable[..., Any], bench_file: Callable[..., Any]
) -> None:
    """With 0.2, 1, 10 and 100 cycles of the line the S9 point is within U of a continuous one's; each point says how long it was read."""
    smooth = _result(make_rig(sequence=S9).run(), "S9 point")
    rig = make_rig(sequence=S9)
    steps_s = (0.004, 0.02, 0.2, 2.0)
    rig.device("voltmeter").steps_s = steps_s
    stepped = _result(rig.run(), "S9 point")
    assert stepped.value is not None, stepped.note
    assert smooth.value is not None
    assert smooth.uncertainty is not None
    assert abs(stepped.value - smooth.value) <= smooth.uncertainty
    assert {point.reading_s for point in stepped.points} <= set(steps_s)
    assert {point.reading_s for point in smooth.points} - set(steps_s)


def test_a_voltmeter_that_refuses_what_it_does_not_list_is_read_with_the_nearest_it_has(
    make_rig: Callable[..., Any],
) -> None:
    """A reading time refused with -224 costs no check: the nearest listed one is set, read back, and told at each point of the search."""
    smooth = _result(make_rig(sequence=S9).run(), "S9 point")
    rig = make_rig(sequence=S9)
    device = rig.device("voltmeter")
    device.steps_s, device.refuses_steps = (0.02, 0.2, 2.0), True
    outcome = rig.run()
    stepped = _result(outcome, "S9 point")
    assert outcome.status is ExitStatus.PASSED, outcome.problems
    assert stepped.value is not None, stepped.note
    assert smooth.value is not None
    assert smooth.uncertainty is not None
    assert abs(stepped.value - smooth.value) <= smooth.uncertainty
    assert {point.reading_s for point in stepped.points} <= set(device.steps_s)


def test_an_instrument_that_refuses_every_reading_time_ends_the_check_with_its_own_words(
    make_rig: Callable[..., Any],
) -> None:
    """Nothing is read over a time that nobody knows."""
    rig = make_rig(sequence=S9)
    device = rig.device("voltmeter")
    device.steps_s, device.refuses_steps = (0.123,), True
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert _result(outcome, "S9 point").value is None
    assert "-224" in _result(outcome, "S9 point").note
