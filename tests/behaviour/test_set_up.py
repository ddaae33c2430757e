"""The shipped sequence that sets an FM mobile up, with a simulated person: one set that can be brought to its targets, one that cannot."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import Wanted
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.running import Ran, run_plan
from tests.support.turning import Turner

GIVES_UP_AFTER = 90
"""Looks: more than a preset that can be set needs, fewer than bore."""


def set_up(folder: Path, serial: str) -> tuple[Ran, Turner]:
    """Run the sequence on a specimen with a person who turns, and gives up what does not come."""
    bench = load_bench("sim/bench.yaml")
    plan = make_plan(load_sequence("set-up-fm-mobile", Wanted(serial=serial)), bench, serial=serial)
    parts = bench_parts(bench, serial=serial, dry_run=False)
    assert parts.simulation is not None

    def turn(name: str, turns: float) -> None:
        turn_by = person.starts[-1].turn_by  # as the keys at a terminal do
        assert turn_by is not None
        turn_by(turns)

    person = Turner(turn, gives_up_after=GIVES_UP_AFTER)
    return run_plan(folder, serial, plan, parts, live=person), person


@pytest.fixture(scope="module")
def at_ends(tmp_path_factory: pytest.TempPathFactory) -> tuple[Ran, Turner]:
    """The set whose presets stand at their ends."""
    return set_up(tmp_path_factory.mktemp("ends"), "M40-0032")


def left(ran: Ran, quantity: str) -> Result:
    """Return the result of a quantity as left."""
    (found,) = (one for one in ran.outcome.results if (one.quantity, one.stage) == (quantity, "as left"))
    return found


def test_a_set_out_of_adjustment_is_set_up(tmp_path: Path) -> None:
    """All of it fails as found and passes as left, and so do the checks behind it, with the model's own limits; the verdict is a pass."""
    ran, person = set_up(tmp_path, "M40-0031")
    results = ran.outcome.results
    assert any(one.stage == "as found" and one.decision is Decision.FAIL for one in results)
    held = [one for one in results if one.stage == "as left" and one.upper_limit is not None]
    assert len(held) == 4
    assert {one.decision for one in held} == {Decision.PASS}
    behind = [one for one in results if one.check in ("carrier_power", "peak_deviation", "s9_point")]
    assert {one.quantity.split(",")[0] for one in behind} == {"carrier power", "peak deviation", "S9 point"}
    assert {one.decision for one in behind} == {Decision.PASS}
    assert ran.outcome.status is ExitStatus.PASSED
    assert [one.preset for one in person.starts][:2] == ["power", "deviation"]


def test_what_cannot_be_set_fails_as_found_and_as_left(at_ends: tuple[Ran, Turner]) -> None:
    """Power ends below 3 W and the deviation trimmer is dead, as the specimen's file says: both fail and were given up: status 3."""
    ran, _ = at_ends
    assert left(ran, "carrier power").decision is Decision.FAIL
    assert (left(ran, "carrier power").value or 9.0) < 3.0
    assert (left(ran, "peak deviation, positive").value or 0.0) > 2000.0
    failed = {one.check for one in ran.outcome.results if one.stage == "" and one.decision is Decision.FAIL}
    assert {"carrier_power", "peak_deviation"} <= failed
    assert ran.outcome.status is ExitStatus.BENCH_FAILED


def test_what_was_given_up_is_not_asked_for_again(at_ends: tuple[Ran, Turner]) -> None:
    """Of three rounds the first is enough for a preset that the person skipped; the result says that it was skipped."""
    ran, person = at_ends
    names = [one.preset for one in person.starts]
    assert sorted(names) == ["deviation", "meter", "power"]
    assert "skipped" in left(ran, "carrier power").note
    assert "skipped" in left(ran, "S9 point").note
    assert not ran.simulation.unit.keyed
