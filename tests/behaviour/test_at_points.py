"""Conditions as axes: what a run finds at each point, and what a reader is shown of it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.at_point import AtPoint
from sequencer.results.sweep import folded
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.rig import Rig

HEAD = "sequence: Points\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nrated_supply: {min: 8 V, max: 16 V}\nchecks:\n"
CHECKS = (
    "  - {check: carrier_power, at: {supply: [10.8 V, 13.2 V, 15.6 V], channel: [1, 40]}, limit: {min: 3 W, max: 5.5 W}}\n"
    "  - {check: sensitivity, channel: 20, accuracy: 1 dB}\n"
)
STATED_W, NOMINAL_V = (
    3.8,
    13.2,
)  # of the specimen; power follows the square of the supply (a class-C stage, textbook)


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunOutcome, Rig]:
    """Return one run over two axes."""
    file = tmp_path_factory.mktemp("points") / "sequence.yaml"
    file.write_text(HEAD + CHECKS, encoding="utf-8")
    rig = Rig(make_plan(load_sequence(str(file)), load_bench("sim/bench.yaml")), "M40-0007")
    return rig.run(), rig


def test_each_point_is_a_result_with_its_conditions(ran: tuple[RunOutcome, Rig]) -> None:
    """The truth of the specimen lies within U at each point, and channel, supply and axis stand in the row as data."""
    outcome, _ = ran
    powers = [one for one in outcome.results if one.check == "carrier_power"]
    points = [(supply_v, channel) for supply_v in (10.8, 13.2, 15.6) for channel in (1, 40)]
    assert [(one.supply_v, one.channel) for one in powers] == points
    for one in powers:
        assert one.supply_v is not None
        assert one.value is not None
        assert one.uncertainty is not None
        assert abs(one.value - STATED_W * (one.supply_v / NOMINAL_V) ** 2) < one.uncertainty
        assert one.quantity == f"carrier power at {one.supply_v:g} V"
        assert one.conditions.startswith(f"supply {one.supply_v:g} V")
        assert AtPoint.of(one.settings) == AtPoint(channel=one.channel, supply_v=one.supply_v)


def test_what_comes_after_is_fed_as_the_sequence_says(ran: tuple[RunOutcome, Rig]) -> None:
    """The supply goes back to the sequence's own, read at its terminals; each supply was set once."""
    outcome, rig = ran
    assert outcome.results[-1].check == "sensitivity"
    assert outcome.results[-1].supply_v == NOMINAL_V
    assert outcome.safe_state.confirmed
    assert rig.simulation.hazards == ()


def test_the_screen_shows_the_worst_point_and_each_that_failed(ran: tuple[RunOutcome, Rig]) -> None:
    """2.5 W at 10.8 V fails, on both channels; of the four others the one nearest to a limit stands for all."""
    shown = [one for one in folded(ran[0].results) if one.check == "carrier_power"]
    assert [(one.quantity, one.channel, one.decision) for one in shown[:2]] == [
        ("carrier power at 10.8 V", 1, Decision.FAIL),
        ("carrier power at 10.8 V", 40, Decision.FAIL),
    ]
    (worst,) = shown[2:]
    assert worst.quantity == "carrier power at 15.6 V, worst of 4 points"
    assert worst.note.startswith("channels 1, 40; 13.2, 15.6 V")


def test_a_supply_that_does_not_give_a_voltage_costs_that_point_alone(make_rig: Callable[..., Rig]) -> None:
    """Its terminals stay at 14 V: what was to be measured at 15.6 V is not, and says why; the others are."""
    rig = make_rig(
        sequence=HEAD
        + CHECKS.replace("[1, 40]", "[20]").replace("limit: {min: 3 W, max: 5.5 W}", "readings: 3")
    )
    supply = rig.device("supply")
    volts = supply._volts
    supply._volts = lambda: min(14.0, volts())
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert [one.value is not None for one in outcome.results] == [True, True, False, True]
    missed = outcome.results[2]
    assert missed.quantity == "carrier power at 15.6 V"
    assert missed.supply_v == 15.6
    assert "(stated, not read)" in missed.conditions
    assert "its terminals read 14 V" in missed.note
