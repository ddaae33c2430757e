"""Frequency and power as a carrier comes and goes: truth by the specimens' own law, masks, and recordings that prove nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.problems import FileProblems
from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.keyed_units import Rig, run, true_transient

MASK = (
    "windows: [{from: 0 ms, to: 5 ms, max: 12.5 kHz}, {from: 5 ms, to: 25 ms, max: 6.25 kHz}], "
    "release: {before: 5 ms, max: 12.5 kHz}, rise: {max: 20 ms}, fall: {max: 20 ms}"
)
CHECK = f"check: transient, channel: 5, {MASK}"


def results(rig: Rig) -> dict[str, Result]:
    """Return the results by quantity."""
    return {one.quantity: one for kept in rig.record.kept.values() for one in kept}


@pytest.mark.parametrize(
    ("serial", "failing"),
    [
        ("V5-0351", set()),
        ("V5-0352", {"rise time of the power"}),
        ("V5-0353", {"frequency difference, t2"}),
        ("V5-0354", {"frequency difference, release"}),
    ],
)
def test_the_truth_lies_within_u_and_the_fault_is_found(
    tmp_path: Path, serial: str, failing: set[str]
) -> None:
    """Each figure against the specimen's law in steps of a microsecond; what fails is what the specimen's file says."""
    rig = run(tmp_path, serial, CHECK, seed=3)
    found = results(rig)
    truth = true_transient(serial, rig.simulation.unit.tuned_hz)
    assert set(found) == set(truth)
    for quantity, true in truth.items():
        assert found[quantity].uncertainty is not None, found[quantity].note
        assert found[quantity].value == pytest.approx(true, abs=found[quantity].uncertainty), quantity
    assert {quantity for quantity, one in found.items() if one.decision is not Decision.PASS} == failing
    assert not rig.simulation.unit.keyed


def test_its_traces_show_what_was_judged(tmp_path: Path) -> None:
    """The highest point of the frequency's trace is the figure; it begins as the carrier came; the other ends as it went."""
    found = results(run(tmp_path, "V5-0353", CHECK))
    first, last = found["frequency difference, t1"], found["frequency difference, release"]
    within = [abs(one.reading or 0.0) for one in first.points if one.at_s <= 0.005]
    assert max(within) == pytest.approx(first.value, abs=first.uncertainty)
    assert first.points[0].at_s == pytest.approx(0.0, abs=2e-4)
    assert last.points[-1].at_s == pytest.approx(0.0, abs=2e-4)
    assert not found["frequency difference, t2"].points
    assert min(one.reading or 0.0 for one in found["rise time of the power"].points) < -40.0


@pytest.mark.parametrize("nth", [0, 1, 2, 3, 4, 5])
def test_an_order_to_the_radio_that_is_lost_leaves_nothing_keyed(tmp_path: Path, nth: int) -> None:
    """Each order to press or release times out once, in the middle of a recording: measured again, or not at all, and released."""

    def spoil(rig: Rig) -> None:
        rig.device("radio").faults.add(
            Fault(kind=FaultKind.TIMEOUT, match=r"KEY:STAT\w* \d", regex=True, skip=nth)
        )

    rig = run(tmp_path, "V5-0351", CHECK, spoil=spoil)
    truth = true_transient("V5-0351", rig.simulation.unit.tuned_hz)
    for quantity, one in results(rig).items():
        assert one.value is None or one.value == pytest.approx(truth[quantity], abs=one.uncertainty), quantity
    assert not rig.simulation.unit.keyed


def test_windows_later_than_the_recording_are_refused_with_what_would_do(tmp_path: Path) -> None:
    """400 ms of windows do not fit into 150 ms after PTT, of which the end has to be steady; nor do short ones into 40 ms."""
    with pytest.raises(FileProblems, match="too short for windows up to 400 ms") as refused:
        run(tmp_path, "V5-0351", "check: transient, channel: 5, windows: [{from: 0 ms, to: 400 ms}]")
    assert "watched_for: 530 ms" in str(refused.value)
    with pytest.raises(FileProblems, match="too short for windows up to 25 ms"):
        run(tmp_path, "V5-0351", "check: transient, channel: 5, watched_for: 40 ms")


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("windows: [{from: 0 ms, to: 5 ms}, {from: 6 ms, to: 25 ms}]", "nothing is held from 5 ms to 6 ms"),
        ("windows: [{from: 0 ms, to: 5 ms}, {from: 4 ms, to: 25 ms}]", "two windows hold from 4 ms to 5 ms"),
        ("windows: [{from: 1 ms, to: 5 ms}]", "nothing is held from 0 ms to 1 ms"),
        ("windows: [{from: 5 ms, to: 5 ms}]", "a window from 5 ms to 5 ms"),
        ("windows: []", "windows"),
        ("rate: 25 kHz, release: {max: 12.5 kHz}", "samples at 25 kHz do not show 12.5 kHz to either side"),
        ("above: 3 dB", "3 dB is out of range"),
        ("mode: AM", "AM"),
    ],
)
def test_windows_and_rates_that_cannot_be_are_refused(tmp_path: Path, how: str, said: str) -> None:
    """A gap, an overlap, a late beginning, no length, none at all, a rate too low, a threshold that is none, a mode without frequency."""
    with pytest.raises(FileProblems, match=said):
        run(tmp_path, "V5-0351", f"check: transient, channel: 5, {how}")


def test_a_frequency_beyond_the_samples_has_no_figure(tmp_path: Path) -> None:
    """11 kHz off at 20 kHz of samples: they would show another frequency, folded; none is stated."""
    found = results(run(tmp_path, "V5-0353", "check: transient, channel: 5, rate: 20 kHz"))
    assert {one.value for one in found.values()} == {None}
    assert "leaves the 8 kHz to either side" in found["frequency difference, t1"].note
