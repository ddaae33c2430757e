"""The proof that a unit whose PTT was released is silent: which instrument tells, and what none can tell."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.faults import UnexpectedReply
from sequencer.safety.proofs.release import CURRENT, FREQUENCY, IDLE_CURRENT, POLLS_S, POWER, Release
from sequencer.safety.proofs.watch import LastReading
from sim.scpi.faults import FaultKind
from tests.support.profiled_bench import ProfiledBench

CARRIER_HZ = 27.205e6


def _release(bench: ProfiledBench, *, taken: dict[str, LastReading] | None = None, **who: Any) -> Release:
    facts: dict[str, Any] = {"meter": None, "analyser": None, "supply": None, "stands_still": False, **who}
    return Release(
        clock=bench.clock, loss_db=30.0, carrier_hz=CARRIER_HZ, taken=taken or {}, top_dbm=50.0, **facts
    )


def _taken(instrument: Any, **numbers: float) -> dict[str, LastReading]:
    def never() -> Any:
        raise AssertionError("the proof itself reads nothing anew by this")

    return {
        name: LastReading(instrument=instrument, number=number, again=never)
        for name, number in numbers.items()
    }


def _drawn(supply: Any, *, keyed_a: float, idle_a: float) -> dict[str, LastReading]:
    return _taken(supply, **{CURRENT: keyed_a, IDLE_CURRENT: idle_a})


@pytest.mark.parametrize(
    ("shown_a", "keyed_a", "silent"),
    [
        ("0.25", 1.5, True),
        ("1.45", 1.5, False),
        ("0.845", 1.5, True),  # just below the middle between 0.2 A and 1.5 A
        ("0.855", 1.5, False),  # just above it
        ("0.215", 0.215, None),  # a rise of 15 mA is no witness of a carrier
        ("9.91E37", 1.5, None),
    ],
)
def test_the_supply_s_current_tells_where_it_rose_while_keyed(
    shown_a: str, keyed_a: float, silent: bool | None
) -> None:
    """A current nearer to that before PTT than to that under it means silence; one that hardly rose means nothing."""
    with ProfiledBench() as bench:
        supply = bench.driver("supply")
        bench.spoil("supply", FaultKind.WRONG, "MEASure:CURRent", shown_a, times=None)
        release = _release(bench, supply=supply, taken=_drawn(supply, keyed_a=keyed_a, idle_a=0.2))
        assert release.is_silent() is silent
        assert release.seen == (
            f"the supply still delivers {float(shown_a):.3g} A" if silent is False else ""
        )


def test_a_supply_that_does_not_answer_or_was_not_read_keyed_is_no_witness() -> None:
    """Nothing is told of a carrier by a current that nobody knows; nor does the question end the way out."""
    with ProfiledBench() as bench:
        supply = bench.driver("supply")
        assert _release(bench, supply=supply).is_silent() is None
        bench.spoil("supply", FaultKind.TIMEOUT, "MEASure:CURRent", times=None)
        assert (
            _release(bench, supply=supply, taken=_drawn(supply, keyed_a=1.5, idle_a=0.2)).is_silent() is None
        )


@pytest.mark.parametrize(
    ("counted_hz", "was_counted", "silent"),
    [("27205000", True, False), ("9.91E37", True, True), ("9.91E37", False, None)],
)
def test_the_analyser_s_count_tells_where_it_counted_before(
    counted_hz: str, was_counted: bool, silent: bool | None
) -> None:
    """A carrier that is still counted is there; that none is counted means silence only where one was counted while keyed."""
    with ProfiledBench() as bench:
        analyser = bench.driver("modulation_analyser")
        bench.spoil("modulation_analyser", FaultKind.WRONG, "FREQ", counted_hz, times=None)
        taken = _taken(analyser, **{FREQUENCY: CARRIER_HZ}) if was_counted else {}
        release = _release(bench, analyser=analyser, taken=taken)
        assert release.is_silent() is silent
        assert ("counts 27.20500 MHz" in release.seen) is (silent is False)


def test_a_meter_that_shows_more_than_can_be_is_no_witness() -> None:
    """A meter beyond its path's rating says nothing; one that falls by decibels, or reads under range, says that the unit is silent."""
    for shown_dbm, silent in (("30", None), ("5.5", False), ("-9.9E37", True), ("-40", True)):
        with ProfiledBench() as bench:
            meter = bench.driver("power_meter")
            bench.spoil("power_meter", FaultKind.WRONG, "READ?", shown_dbm, times=None)
            release = _release(bench, meter=meter, taken=_taken(meter, **{POWER: 35.6}))
            assert release.is_silent() is silent, shown_dbm


@pytest.mark.parametrize(("shown_dbm", "falling"), [("5.5", False), ("-40", True), ("9.91E37", False)])
def test_a_meter_is_seen_falling_or_not(shown_dbm: str, falling: bool) -> None:
    """After the supply was cut the meter's word counts where it shows less than while keyed; no measurement is no fall."""
    with ProfiledBench() as bench:
        meter = bench.driver("power_meter")
        bench.spoil("power_meter", FaultKind.WRONG, "READ?", shown_dbm, times=None)
        release = _release(bench, meter=meter, taken=_taken(meter, **{POWER: 35.6}))
        assert release.is_seen_falling() is falling


def test_a_meter_that_stays_gets_time_and_is_then_named() -> None:
    """It is asked again for a few seconds of bench time; that it reads the same released as keyed is its own fault, with what it read."""
    with ProfiledBench() as bench:
        meter = bench.driver("power_meter")
        bench.spoil("power_meter", FaultKind.WRONG, "READ?", "5.6", times=None)
        release, began_s = (
            _release(bench, meter=meter, taken=_taken(meter, **{POWER: 35.6})),
            bench.clock.now_s(),
        )
        assert release.is_silent() is False
        assert sum(POLLS_S) <= bench.clock.now_s() - began_s < 5.0
        with pytest.raises(
            UnexpectedReply, match="it shows the same with PTT released as with PTT pressed"
        ) as caught:
            release.confirm_response()
        assert caught.value.reply == "the power meter reads 35.6 dBm at the antenna connector"


def test_a_meter_that_was_not_read_keyed_tells_by_its_own_level() -> None:
    """Without a reading taken under PTT a level that stays well above silence is a carrier, and a low one is none."""
    for shown_dbm, silent in (("5.5", False), ("-60", True)):
        with ProfiledBench() as bench:
            meter = bench.driver("power_meter")
            bench.spoil("power_meter", FaultKind.WRONG, "READ?", shown_dbm, times=None)
            assert _release(bench, meter=meter).is_silent() is silent
