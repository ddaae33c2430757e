"""What a result says of the supply it was found at."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.faults import NotConfirmed, Refused
from drivers.operator.sources import OperatorSupply
from drivers.roles import Reading
from sequencer.safety.control.key import Ratings
from sequencer.safety.control.supply import SupplyLine
from sequencer.safety.ending.cut_off import CutOff
from sequencer.safety.remembered.cables import Cables
from sim.scpi.faults import FaultKind
from tests.support.profiled_bench import ProfiledBench


@pytest.mark.parametrize(
    ("reads_itself", "says"), [(True, "supply 13.2 V"), (False, "supply 13.2 V (stated, not read)")]
)
def test_a_supply_that_only_a_person_could_read_is_stated(reads_itself: bool, says: str) -> None:
    """A voltage is told as it is where the terminals were read; nobody is asked to read them before each check."""
    assert not OperatorSupply.reads_voltage
    with ProfiledBench() as bench:
        supply = bench.driver("supply")
        supply.reads_voltage = reads_itself
        line = SupplyLine(lambda: supply, clock=bench.clock, ratings=Ratings(), cables=Cables())
        line.state(13.2)
        assert str(line.facts) == "supply 13.2 V (stated, not read)"
        line.restore()
        line.confirm()
        assert str(line.facts) == says
        assert any("MEASure" in message for message in bench.sent("supply")) is reads_itself


def test_how_far_the_terminals_may_be_off_follows_from_the_accuracy_stated() -> None:
    """Setting and reading may each be wrong by the accuracy: 0.5 % of 13.2 V allow 0.182 V with the display's 0.05 V, and no more."""
    for shown, is_right in (("13.38", True), ("13.39", False)):
        with ProfiledBench() as bench:
            supply = bench.driver("supply")
            ratings = Ratings(supply_accuracy_percent=0.5)
            line = SupplyLine(
                lambda supply=supply: supply, clock=bench.clock, ratings=ratings, cables=Cables()
            )
            line.state(13.2)
            bench.spoil("supply", FaultKind.WRONG, "MEASure:VOLTage", shown, times=None)
            if is_right:
                line.restore()
            else:
                with pytest.raises(NotConfirmed, match=r"13\.02 to 13\.38 V would be right"):
                    line.restore()


@pytest.mark.parametrize(("slow_s", "is_waited_for"), [(0.1, True), (0.7, True), (60.0, False)])
def test_a_supply_that_rises_slowly_is_waited_for(slow_s: float, is_waited_for: bool) -> None:
    """Terminals that come nearer from look to look are waited for while nothing is keyed; those that stand elsewhere are not."""
    with ProfiledBench() as bench:
        supply, started_s = bench.driver("supply"), bench.clock.now_s()

        def risen() -> Reading:
            share = 1.0 - math.exp(-(bench.clock.now_s() - started_s) / slow_s)
            return Reading(number=13.2 * share, raw="")

        supply.read_voltage_v = risen
        line = SupplyLine(lambda: supply, clock=bench.clock, ratings=Ratings(), cables=Cables())
        line.state(13.2)
        if is_waited_for:
            line.restore()
            assert str(line.facts) == "supply 13.2 V"
        else:
            with pytest.raises(NotConfirmed, match="its terminals read"):
                line.restore()
            assert bench.clock.now_s() - started_s < 7.0


def test_a_supply_that_stands_elsewhere_is_told_at_once() -> None:
    """A voltage that does not come nearer is not waited for: one look more, and the fault."""
    with ProfiledBench() as bench:
        supply = bench.driver("supply")
        line = SupplyLine(lambda: supply, clock=bench.clock, ratings=Ratings(), cables=Cables())
        line.state(13.2)
        bench.spoil("supply", FaultKind.WRONG, "MEASure:VOLTage", "11.2", times=None)
        started_s = bench.clock.now_s()
        with pytest.raises(NotConfirmed, match=r"its terminals read 11\.2 V"):
            line.restore()
        assert bench.clock.now_s() - started_s < 1.0


def test_a_supply_that_reads_what_it_is_set_to_is_found_out_before_it_feeds_anything() -> None:
    """Terminals that read 13.2 V with the output off would read 13.2 V whatever the unit gets: nothing is fed or decided by them."""
    with ProfiledBench() as bench:
        supply = bench.driver("supply")
        bench.spoil("supply", FaultKind.WRONG, "MEASure:VOLTage", "13.2", times=None)
        line = SupplyLine(lambda: supply, clock=bench.clock, ratings=Ratings(), cables=Cables())
        with pytest.raises(NotConfirmed, match=r"reads off and its terminals read 13\.2 V"):
            line.state(13.2)
        assert not any("OUTPut:STATe 1" in message for message in bench.sent("supply"))


def test_a_supply_that_was_left_on_is_switched_off_before_its_terminals_are_read() -> None:
    """What an earlier run left on reads its voltage rightly: it is switched off first, and then feeds the unit."""
    with ProfiledBench() as bench:
        supply = bench.driver("supply")
        supply.configure_voltage(13.2, 6.0)
        supply.configure_output_enabled(True)
        line = SupplyLine(lambda: supply, clock=bench.clock, ratings=Ratings(), cables=Cables())
        line.state(13.2)
        line.confirm_voltage()
        assert line.fed_v == 13.2


def test_a_supply_that_answers_with_its_setting_is_found_out_by_its_setting() -> None:
    """Its terminals are read once its voltage is set: before that it would read nothing, as a voltmeter does."""
    with ProfiledBench() as bench:
        supply = bench.driver("supply")
        line = SupplyLine(lambda: supply, clock=bench.clock, ratings=Ratings(), cables=Cables())
        line.state(13.2)
        told = [
            one
            for one in bench.sent("supply")
            if "MEASure:VOLTage" in one or "SOURce:VOLTage" in one or "STATe 1" in one
        ]
        assert [("MEASure" in one, "STATe 1" in one) for one in told] == [
            (False, False),
            (True, False),
            (False, True),
        ], told


def test_a_unit_that_transmitted_twice_with_ptt_read_released_is_fed_no_more() -> None:
    """Once may be a relay that hung for a moment; after the second time the supply stays off, whoever asks."""
    with ProfiledBench() as bench:
        supply = bench.driver("supply")
        line = SupplyLine(lambda: supply, clock=bench.clock, ratings=Ratings(), cables=Cables())
        cut_off = CutOff(
            lambda: supply, line, send_off_unanswered=lambda role: None, open_missing=lambda role: None
        )
        radio: Any = SimpleNamespace(name="radio", address="here")
        for time in (1, 2):
            line.state(13.2)
            on: Any = SimpleNamespace(
                is_silent=lambda: False, seen="the power meter reads 36 dBm", is_seen_falling=lambda: True
            )
            with pytest.raises(NotConfirmed, match="with its supply cut the unit is silent"):
                cut_off.unless_silent(on, radio)
            assert line.feedings == time
        with pytest.raises(
            Refused, match="PTT read released 2 times, and the unit transmitted: the unit is not fed any more"
        ):
            line.state(13.2)
        assert line.fed_v is None
