"""Power over seconds of a key-down: truth of a stage that warms up, its trace, and key-downs that may not last so long."""

from __future__ import annotations

from math import exp
from pathlib import Path

import pytest

from sequencer.checks.transmit import power_over_time
from sequencer.checks.transmit.power_over_time import _beginning
from sequencer.problems import FileProblems
from sequencer.results.model import AGAINST_TIME, Point, Result
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.keyed_units import Rig
from tests.support.keyed_units import run as run_vhf
from tests.support.multimode_desk import specimen
from tests.support.spectral import run

CHECK = "check: power_over_time, channel: 20, over: 15 s, limit: {max: 0.5 dB}"


def found(rig: Rig) -> Result:
    """Return the one result."""
    (one,) = (one for kept in rig.record.kept.values() for one in kept)
    return one


def true_sag_db(serial: str, from_s: float, to_s: float, supply_v: float) -> float:
    """Return what a stage loses between two moments of a key-down from cold: hot loss · heat, with the heat's one time constant."""
    transmitter = specimen(serial).transmitter
    heat = (supply_v / transmitter.nominal_supply_v) ** 2
    lost = [1.0 - exp(-at_s / transmitter.heating_s) for at_s in (from_s, to_s)]
    return transmitter.hot_loss_db * heat * (lost[1] - lost[0])


@pytest.mark.parametrize(("serial", "decision"), [("M40-0007", Decision.PASS), ("M40-0014", Decision.FAIL)])
def test_the_truth_lies_within_u(tmp_path: Path, serial: str, decision: Decision) -> None:
    """A sound unit keeps its power, one whose stage loses it hot does not; both as their own law says, elementary."""
    one = found(run(tmp_path, serial, CHECK, seed=3))
    first, last = one.points[0], one.points[-1]
    assert one.value == pytest.approx(true_sag_db(serial, first.at_s, last.at_s, 13.2), abs=one.uncertainty)
    assert one.value == pytest.approx((first.reading or 0.0) - (last.reading or 0.0), abs=0.02)
    assert one.decision is decision
    assert {point.state for point in one.points} == {AGAINST_TIME}
    assert last.at_s == pytest.approx(15.0, abs=0.5)


def test_a_unit_that_earlier_checks_left_warm_is_let_cool_first(tmp_path: Path) -> None:
    """Behind presses that warm it: from the coldest, 2 dB · (1 - 1/e) by its own law; without a rest it read a third low."""
    rig = run_vhf(
        tmp_path,
        "V5-0355",
        "check: time_to_power, channel: 5",
        "check: transient, channel: 5",
        "check: power_over_time, channel: 5, over: 10 s, limit: {max: 0.5 dB}",
    )
    (one,) = rig.record.kept[2]
    assert one.value == pytest.approx(true_sag_db("V5-0355", 0.0, 10.0, 7.4), abs=one.uncertainty)
    assert one.decision is Decision.FAIL
    assert "after a rest of 60 s in which its power after PTT changed by" in one.note


def test_a_unit_that_does_not_recover_in_time_is_not_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten seconds keyed, and two rests of 20 s: it would read low, so that nothing is stated, and what to do is."""
    monkeypatch.setattr(power_over_time, "MOST_RESTS", 2)
    rig = run_vhf(
        tmp_path,
        "V5-0355",
        "check: carrier_power, channel: 5, keyed_for: 10 s",
        "check: power_over_time, channel: 5, over: 10 s, rest: 20 s",
    )
    (one,) = rig.record.kept[1]
    assert one.value is None
    assert "after 2 rests of 20 s its power after PTT still rose by" in one.note
    assert "state a longer 'rest'" in one.note


@pytest.mark.parametrize("rest", ["1 s", "2 h", "60"])
def test_a_rest_that_is_none_or_has_no_end_is_refused(tmp_path: Path, rest: str) -> None:
    """None, two hours, no unit."""
    with pytest.raises(FileProblems, match="rest"):
        run_vhf(tmp_path, "V5-0351", f"check: power_over_time, channel: 5, over: 5 s, rest: {rest}")


def test_a_fall_before_the_power_stands_counts() -> None:
    """A stage that has lost 0.9 dB by the time two readings agree: its first reading begins; a meter that was still rising does not."""
    falling = [
        Point.of_time(0.4, 37.0),
        Point.of_time(0.6, 36.4),
        Point.of_time(0.8, 36.1),
        Point.of_time(1.0, 36.1),
    ]
    assert _beginning(falling, (36.1, 36.1), 1.1) == falling[0]
    rising = [Point.of_time(0.4, 30.0), Point.of_time(0.6, 36.1), Point.of_time(0.8, 36.1)]
    assert _beginning(rising, (36.1, 36.1), 0.9) == Point.of_time(0.9, 36.1)


def test_a_meter_that_fails_in_the_middle_leaves_nothing_keyed(tmp_path: Path) -> None:
    """Readings that do not come for good from the tenth on: no number, and PTT released."""

    def spoil(rig: Rig) -> None:
        rig.device("power_meter").faults.add(Fault(kind=FaultKind.TIMEOUT, match="READ", skip=10, times=None))

    rig = run_vhf(tmp_path, "V5-0351", "check: power_over_time, channel: 5, over: 5 s", spoil=spoil)
    assert found(rig).value is None
    assert not rig.simulation.unit.keyed


def test_a_key_down_that_may_not_last_so_long_is_refused_with_what_would_do(tmp_path: Path) -> None:
    """60 s with a max_key_time of 40 s."""
    with pytest.raises(FileProblems, match="do not fit into max_key_time 40 s") as refused:
        run_vhf(tmp_path, "V5-0351", "check: power_over_time, channel: 5, over: 60 s")
    assert "'max_key_time' of at least" in str(refused.value)


def test_a_person_at_the_meter_is_refused(tmp_path: Path) -> None:
    """A person reads once in a key-down."""
    with pytest.raises(FileProblems, match="a person reads the power meter or presses PTT"):
        run_vhf(
            tmp_path,
            "V5-0351",
            "check: power_over_time, channel: 5",
            **{"    address: TCPIP0::192.0.2.12::5025::SOCKET\n": "    driver: operator\n"},
        )
