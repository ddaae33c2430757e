"""The witness: every hazard is provoked on the wired bench and recorded, and a safe order leaves none."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.clock import VirtualClock
from sim.radio.simulated_unit import SimulatedUnit
from sim.radio.unit import Specimen
from sim.rf_signal import RfSignal
from sim.wiring.paths import PathLosses, Paths
from sim.wiring.wiring import Wiring
from sim.wiring.witness import BenchState, HazardKind, Witness, WitnessLimits

STRONG = RfSignal(level_dbm=-60.0, frequency_hz=27.205e6)


class Bench:
    """A wired bench with supply on, and its clock."""

    def __init__(self, limits: WitnessLimits | None = None) -> None:
        self.clock = VirtualClock()
        unit = SimulatedUnit(Specimen(serial="T"), self.clock, np.random.default_rng(1))
        losses = PathLosses(receive_db={27e6: 0.4}, transmit_db={27e6: 30.0})
        self.witness = Witness(limits or WitnessLimits(), self.clock)
        self.wiring = Wiring(unit, Paths(losses, self.clock), self.witness, self.clock)
        self.wiring.set_supply_v(13.2)

    def go(self, position: str) -> None:
        """Move the switch and wait until it has arrived."""
        self.wiring.connect(position)
        self.clock.wait_s(0.1)
        self.wiring.update()

    def key_for(self, seconds: float) -> None:
        """Key, wait, release."""
        self.wiring.key()
        self.clock.wait_s(seconds)
        self.wiring.unkey()

    @property
    def kinds(self) -> set[HazardKind]:
        """What has been recorded."""
        return {hazard.kind for hazard in self.witness.hazards}


def test_a_safe_order_leaves_no_hazard() -> None:
    """Receive, generator off, switch, key, release, switch back: nothing to record."""
    bench = Bench()
    bench.go("receive")
    bench.wiring.set_generator(STRONG)
    bench.clock.wait_s(2.0)
    bench.wiring.set_generator(None)
    for _ in range(3):
        bench.go("transmit")
        bench.key_for(20.0)
        bench.clock.wait_s(20.0)
        bench.go("receive")
        bench.wiring.set_generator(STRONG)
        bench.clock.wait_s(1.0)
        bench.wiring.set_generator(None)
    assert bench.witness.hazards == ()


def keyed_then_switched(bench: Bench) -> None:
    """Key on the load, then move the switch to the generator."""
    bench.go("transmit")
    bench.wiring.key()
    bench.wiring.connect("receive")
    bench.clock.wait_s(1.0)


def switched_then_keyed(bench: Bench) -> None:
    """Move the switch to the generator, then key."""
    bench.go("receive")
    bench.wiring.key()


def keyed_in_flight(bench: Bench) -> None:
    """Key while the switch is still on its way to the generator."""
    bench.wiring.connect("receive")
    bench.wiring.key()
    bench.clock.wait_s(1.0)


@pytest.mark.parametrize("provoke", [keyed_then_switched, switched_then_keyed, keyed_in_flight])
def test_keyed_into_the_generator_in_any_order(provoke: Callable[[Bench], None]) -> None:
    """Whichever came first, keyed on the generator's path is recorded, with the power that reached it."""
    bench = Bench()
    provoke(bench)
    bench.wiring.update()
    assert {HazardKind.KEYED_INTO_GENERATOR, HazardKind.POWER_INTO_GENERATOR} <= bench.kinds
    power = next(h for h in bench.witness.hazards if h.kind is HazardKind.POWER_INTO_GENERATOR)
    assert power.figure == pytest.approx(35.4, abs=0.1)  # 3.8 W is 35.8 dBm, less 0.4 dB


def test_keyed_on_the_check_path_has_no_load_and_the_meter_s_rating_holds_there() -> None:
    """On check the unit's connector is open: keyed there it has no load. The generator into the meter counts against the meter's rating."""
    bench = Bench()
    bench.go("check")
    bench.wiring.key()
    bench.wiring.update()
    assert HazardKind.KEYED_WITHOUT_LOAD in bench.kinds
    bench = Bench()
    bench.go("check")
    bench.wiring.set_generator(RfSignal(level_dbm=21.0, frequency_hz=27e6))
    assert bench.kinds == {HazardKind.METER_OVERLOADED}


def test_arrival_is_dated_when_the_contact_arrived() -> None:
    """Nobody looks for a second, yet the hazard begins when the switch arrived, 15 ms after the command."""
    bench = Bench()
    keyed_then_switched(bench)
    bench.wiring.update()
    into = next(h for h in bench.witness.hazards if h.kind is HazardKind.KEYED_INTO_GENERATOR)
    assert into.time_s == pytest.approx(0.1 + 0.015)


@pytest.mark.parametrize("generator_first", [True, False])
def test_generator_on_while_keyed_on_its_path(generator_first: bool) -> None:
    """A generator that is on while the unit is keyed on its path is recorded in either order."""
    bench = Bench()
    bench.go("receive")
    actions = [lambda: bench.wiring.set_generator(STRONG), bench.wiring.key]
    for action in actions if generator_first else reversed(actions):
        action()
    assert HazardKind.GENERATOR_ON_WHILE_KEYED in bench.kinds


def test_hot_switching_and_open_load() -> None:
    """A switch that moves while keyed, and a key without any load, are recorded."""
    bench = Bench()
    bench.go("transmit")
    bench.wiring.key()
    bench.wiring.connect("open")
    assert bench.kinds == {HazardKind.HOT_SWITCHING}
    bench.clock.wait_s(1.0)
    bench.wiring.update()
    assert HazardKind.KEYED_WITHOUT_LOAD in bench.kinds


def test_receiver_overdriven() -> None:
    """A generator above the receiver's rating is recorded on the receive path, not on the other."""
    loud = RfSignal(level_dbm=13.0, frequency_hz=27.205e6)
    bench = Bench()
    bench.go("transmit")
    bench.wiring.set_generator(loud)
    assert bench.kinds == set()
    bench.go("receive")
    (hazard,) = bench.witness.hazards
    assert (hazard.kind, hazard.limit) == (HazardKind.RECEIVER_OVERDRIVEN, 0.0)
    assert hazard.figure == pytest.approx(12.6)


@pytest.mark.parametrize(
    ("limits", "kind"),
    [
        (WitnessLimits(path_rating_w=3.0), HazardKind.PATH_OVERLOADED),
        (WitnessLimits(load_rating_w=3.0), HazardKind.LOAD_OVERLOADED),
        (WitnessLimits(meter_rating_dbm=5.0), HazardKind.METER_OVERLOADED),
        (WitnessLimits(supply_a=1.0), HazardKind.SUPPLY_OVER_CURRENT),
    ],
)
def test_ratings_of_the_transmit_side(limits: WitnessLimits, kind: HazardKind) -> None:
    """Power and current above a rating are recorded as just that."""
    bench = Bench(limits)
    bench.go("transmit")
    bench.key_for(1.0)
    assert bench.kinds == {kind}


def test_supply_over_voltage() -> None:
    """A supply above its limit is recorded."""
    bench = Bench()
    bench.wiring.set_supply_v(18.0)
    assert bench.kinds == {HazardKind.SUPPLY_OVER_VOLTAGE}


@pytest.mark.parametrize("released", [True, False])
def test_key_down_too_long(released: bool) -> None:
    """A key-down of 21 s is recorded with its length, released before anybody looks or not."""
    bench = Bench()
    bench.go("transmit")
    bench.wiring.key()
    bench.clock.wait_s(21.0)
    if released:
        bench.wiring.unkey()
    long = next(h for h in bench.witness.hazards if h.kind is HazardKind.KEY_DOWN_TOO_LONG)
    assert long.figure == pytest.approx(21.0)
    assert long.time_s == pytest.approx(20.1)


def test_exactly_the_longest_key_down_is_allowed() -> None:
    """A key-down of exactly the limit is no hazard."""
    bench = Bench()
    bench.go("transmit")
    bench.key_for(20.0)
    assert bench.kinds == set()


def test_duty_exceeded_by_short_key_downs() -> None:
    """Key-downs of 5 s with 1 s of rest break a duty of 50 %, though each is short."""
    bench = Bench()
    bench.go("transmit")
    for _ in range(8):
        bench.key_for(5.0)
        bench.clock.wait_s(1.0)
    assert bench.kinds == {HazardKind.DUTY_EXCEEDED}


@settings(deadline=None)
@given(key_downs=st.lists(st.floats(0.1, 20.0), min_size=1, max_size=8), duty_percent=st.floats(10.0, 90.0))
def test_resting_as_long_as_the_duty_asks_is_safe(key_downs: list[float], duty_percent: float) -> None:
    """Each key-down of T followed by a rest of T·(1-d)/d is never a hazard (definition of duty)."""
    clock = VirtualClock()
    witness = Witness(WitnessLimits(key_duty_percent=duty_percent), clock)
    for seconds in key_downs:
        witness.observe(BenchState(keyed=True, position="transmit"))
        clock.wait_s(seconds)
        witness.observe(BenchState(position="transmit"))
        clock.wait_s(seconds * (100.0 - duty_percent) / duty_percent)
    assert witness.hazards == ()


def test_resting_too_short_is_recorded() -> None:
    """Key-downs of 20 s with 16 s of rest, where 20 s are due, break a duty of 50 % at the second."""
    bench = Bench()
    bench.go("transmit")
    bench.key_for(20.0)
    bench.clock.wait_s(16.0)
    assert bench.kinds == set()
    bench.key_for(20.0)
    assert bench.kinds == {HazardKind.DUTY_EXCEEDED}


def test_each_hazard_once_with_its_worst_figure() -> None:
    """A hazard that lasts is one entry with the worst figure; one that comes again is another."""
    clock = VirtualClock()
    witness = Witness(WitnessLimits(), clock)
    for level_dbm in (1.0, 5.0, 2.0, None, 3.0):
        witness.observe(BenchState(at_antenna_dbm=level_dbm))
    assert [hazard.figure for hazard in witness.hazards] == [5.0, 3.0]
    assert "limit 0 dBm" in str(witness.hazards[0])


def test_keyed_without_supply_counts_as_keyed() -> None:
    """A closed key on the generator's path is a hazard before the supply comes on: it would transmit."""
    bench = Bench()
    bench.wiring.set_supply_v(None)
    bench.go("receive")
    bench.wiring.key()
    assert bench.kinds == {HazardKind.KEYED_INTO_GENERATOR}
    bench.wiring.set_supply_v(13.2)
    assert HazardKind.POWER_INTO_GENERATOR in bench.kinds


def test_a_unit_that_lost_its_supply_is_keyed_no_longer_though_its_line_stays_closed() -> None:
    """Cut off after 15 s it has transmitted for 15 s, however long the line stays closed; fed again the time counts from then."""
    clock = VirtualClock()
    witness = Witness(WitnessLimits(key_time_s=20.0, key_duty_percent=100.0), clock)
    for seconds, state in (
        (15.0, BenchState(keyed=True, position="transmit")),
        (30.0, BenchState(keyed=True, unfed=True, position="transmit")),
        (19.0, BenchState(keyed=True, position="transmit")),
    ):
        witness.observe(state)
        clock.wait_s(seconds)
    assert not witness.hazards
    clock.wait_s(2.0)
    assert {one.kind for one in witness.hazards} == {HazardKind.KEY_DOWN_TOO_LONG}
