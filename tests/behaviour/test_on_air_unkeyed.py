"""A unit that transmits though PTT reads released: its supply is cut before the switch moves it onto the generator, and the end says so."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.power_cycle import power_cycle
from tests.support.rig import Rig

HEAD = "sequence: Welded\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
POWER = "  - {check: carrier_power, channel: 20, limit: {min: 1 W}}\n"
SENSITIVITY = "  - {check: sensitivity, channel: 20, limit: {max: -110 dBm}}\n"
ORDERS = {
    "receive first": SENSITIVITY + POWER,
    "transmit first": POWER + SENSITIVITY,
    "receive only": SENSITIVITY,
}


def _welded(rig: Rig) -> None:
    """Let the unit's PTT line be closed as long as it is fed, whatever the relay box is told; it answers as told."""
    wiring, unit = rig.simulation.wiring, rig.simulation.unit
    press, feed = unit._set_keyed, wiring.set_supply_v
    unit._set_keyed = lambda *, keyed: None  # type: ignore[method-assign]
    rig.device("radio").read_key = lambda: False

    def fed(volts: float | None) -> None:
        feed(volts)
        press(keyed=bool(volts))

    wiring.set_supply_v = fed  # type: ignore[method-assign]


def _keyed_late(rig: Rig, by_s: float, *, opens: bool = True) -> None:
    """Let the unit follow its PTT line ``by_s`` s late, on and, if it ``opens``, off; the relay box answers at once, as told."""
    unit, clock, box = rig.simulation.unit, rig.simulation.clock, rig.device("radio")
    press, wait, due, told = unit._set_keyed, clock.wait_s, list[tuple[float, bool]](), [False]

    def told_to(*, keyed: bool) -> None:
        told[0] = keyed
        if keyed or opens:
            due.append((clock.now_s() + by_s, keyed))

    def waited(seconds: float) -> None:
        until_s = clock.now_s() + seconds
        while due and due[0][0] <= until_s:
            at_s, keyed = due.pop(0)
            wait(max(0.0, at_s - clock.now_s()))
            press(keyed=keyed)
        wait(max(0.0, until_s - clock.now_s()))

    unit._set_keyed = told_to  # type: ignore[method-assign]
    clock.wait_s = waited  # type: ignore[method-assign]
    box.read_key = lambda: told[0]


@pytest.mark.parametrize("checks", ORDERS.values(), ids=ORDERS)
def test_a_unit_that_transmits_by_itself_never_meets_the_generator(
    make_rig: Callable[..., Rig], checks: str
) -> None:
    """No hazard was seen, nothing was measured, its supply is off, and the last line does not call PTT released."""
    rig = make_rig(sequence=HEAD + checks)
    _welded(rig)
    outcome = rig.run()
    assert not rig.simulation.hazards
    assert {one.decision for one in outcome.results} == {Decision.NOT_MEASURED}
    assert outcome.status is ExitStatus.BENCH_FAILED
    line = outcome.safe_state.last_line()
    assert (
        "PTT could not be confirmed released (PTT was released and reads released, and the power meter reads"
        in line
    )
    assert "its supply was switched off and reads off" in line
    assert rig.simulation.wiring.unit.supply_v == 0.0


@pytest.mark.parametrize("by_s", [1.0, 3.0])
def test_a_unit_that_is_keyed_late_never_meets_the_generator(
    make_rig: Callable[..., Rig], by_s: float
) -> None:
    """It is on the air when PTT has long been released again: it is waited for before the switch moves."""
    rig = make_rig(sequence=HEAD + POWER + SENSITIVITY)
    _keyed_late(rig, by_s)
    outcome = rig.run()
    assert not rig.simulation.hazards
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert [one.decision for one in outcome.results if one.check == "carrier_power"] == [
        Decision.NOT_MEASURED
    ]


def test_a_supply_that_stays_on_too_is_named_as_well(make_rig: Callable[..., Rig]) -> None:
    """Both answer as told, and the terminals are read: the meter is not blamed for what the unit does."""
    rig = make_rig(sequence=HEAD + POWER + SENSITIVITY)
    _welded(rig)
    supply, wiring = rig.device("supply"), rig.simulation.wiring
    feed, unit = wiring.set_supply_v, rig.simulation.unit
    wiring.set_supply_v = lambda volts: feed(volts) if volts else None  # type: ignore[method-assign]
    supply._volts = lambda: unit.supply_v
    outcome = rig.run()
    assert not rig.simulation.hazards
    line = outcome.safe_state.last_line()
    assert "the power meter reads 35.7 dBm" in line
    assert "the unit's supply could not be confirmed off" in line
    assert not any("stand still" in one.note for one in outcome.results)


def test_a_meter_that_shows_the_same_whatever_happens_costs_its_own_checks(
    make_rig: Callable[..., Rig],
) -> None:
    """With the unit's supply off it shows the same: it is not the unit, which is fed again and measured by what else there is."""
    rig = make_rig(sequence=HEAD + POWER + SENSITIVITY)
    rig.device("power_meter")._shown = lambda level_dbm: 5.7
    outcome = rig.run()
    found = {one.check: one.decision for one in outcome.results}
    assert found == {"carrier_power": Decision.NOT_MEASURED, "sensitivity": Decision.PASS}
    assert "does not respond to the unit" in outcome.results[0].note
    assert "PTT released" in outcome.safe_state.last_line()


def test_a_meter_that_restarted_before_anything_was_keyed_is_set_anew(make_rig: Callable[..., Rig]) -> None:
    """It reads watts then, and a few picowatts are no carrier: the check is made again, and the unit is neither cut off nor blamed."""
    rig = make_rig(sequence=HEAD + POWER + SENSITIVITY)
    meter = rig.device("power_meter")
    shown, measure, restarts = meter._shown, meter._measure, [1]
    meter._shown = lambda level_dbm: shown(-39.9 if level_dbm is None else level_dbm)

    def measured() -> float:
        if restarts:
            restarts.pop()
            power_cycle(meter)
        return float(measure())

    meter._measure = measured
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED
    assert [one.decision for one in outcome.results] == [Decision.PASS, Decision.PASS]


def test_a_unit_that_is_keyed_late_and_stays_so_is_cut_off(make_rig: Callable[..., Rig]) -> None:
    """It comes on while it is waited for, and does not go off: its supply is cut before the switch moves."""
    rig = make_rig(sequence=HEAD + POWER + SENSITIVITY)
    _keyed_late(rig, 3.0, opens=False)
    outcome = rig.run()
    assert not rig.simulation.hazards
    assert {one.decision for one in outcome.results} == {Decision.NOT_MEASURED}
    assert "PTT could not be confirmed released" in outcome.safe_state.last_line()
    assert rig.simulation.wiring.unit.supply_v == 0.0


@pytest.mark.parametrize("checks", [POWER, POWER + SENSITIVITY], ids=["transmit", "transmit first"])
def test_a_unit_that_transmits_once_its_channel_is_set_is_cut_off(
    make_rig: Callable[..., Rig], checks: str
) -> None:
    """It was silent when the switch moved; before PTT is pressed the meter shows it, and the meter is not blamed."""
    rig = make_rig(sequence=HEAD + checks)
    unit, box = rig.simulation.unit, rig.device("radio")
    press, choose = unit._set_keyed, box.set_channel
    unit._set_keyed = lambda *, keyed: None  # type: ignore[method-assign]
    box.read_key = lambda: False

    def chosen(*arguments: object) -> None:
        choose(*arguments)
        press(keyed=True)

    box.set_channel = chosen
    outcome = rig.run()
    assert not rig.simulation.hazards
    assert {one.decision for one in outcome.results} == {Decision.NOT_MEASURED}
    assert "with its supply cut the unit is silent" in outcome.results[0].note
    assert "PTT could not be confirmed released" in outcome.safe_state.last_line()


def test_a_meter_that_restarts_between_two_looks_is_set_anew(make_rig: Callable[..., Rig]) -> None:
    """What it reads in watts before PTT is pressed is no carrier: the check is made again, and passes."""
    rig = make_rig(sequence=HEAD + POWER + SENSITIVITY)
    meter = rig.device("power_meter")
    shown, measure, looks = meter._shown, meter._measure, [0]
    meter._shown = lambda level_dbm: shown(-39.9 if level_dbm is None else level_dbm)

    def measured() -> float:
        looks[0] += 1
        if looks[0] == 2:
            power_cycle(meter)
        return float(measure())

    meter._measure = measured
    outcome = rig.run()
    assert [one.decision for one in outcome.results] == [Decision.PASS, Decision.PASS]
    assert outcome.status is ExitStatus.PASSED
    assert "measured again" in outcome.results[0].note
    assert (
        "before PTT was pressed" not in outcome.results[0].note
    )  # it had lost its settings, and the unit is not spoken of
