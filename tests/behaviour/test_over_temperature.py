"""A run over temperature, supply and channel in a chamber: what is found, what is proved, and chambers that do not do as asked."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Callable
from typing import Any

import pytest

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.at_point import AtPoint
from sequencer.results.model import Result
from sequencer.run.events import CheckEnded, Event
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.power_cycle import power_cycle
from tests.support.rig import Rig

SERIAL = "M40-0081"
POWER_W, NOMINAL_V, STATED_AT_C, DB_PER_K = 3.6, 13.2, 23.0, -0.008
"""What the specimen's file says; power follows the square of the supply (a class-C stage, textbook)."""
TOLERANCE_C, SENSOR_C = 2.0, 0.4
HEAD = (
    "sequence: Chamber\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nrated_supply: {min: 8 V, max: 16 V}\n"
    "rated_temperature: {min: -10 degC, max: 55 degC}\nchecks:\n"
)
TWO = "  - {check: carrier_power, channel: 20, at: {temperature: [-10 degC, 40 degC]}, limit: {min: 3 W, max: 6 W}}\n"
CHAMBER = {
    "address": "TCPIP0::192.0.2.21::5025::SOCKET",
    "temperature": {"min": "-40 degC", "max": "80 degC"},
    "soak": "30 min",
    "given_up_after": "90 min",
}


class _Ran:
    """One run of the shipped sequence, with the truth at the end of each check."""

    def __init__(self) -> None:
        plan = make_plan(load_sequence("over-temperature"), load_bench("chamber-bench"), serial=SERIAL)
        self.rig = Rig(plan, SERIAL)
        self.truth: dict[int, tuple[float, float]] = {}  # body, °C, and carrier, Hz, by the check's number
        self.outcome: RunOutcome = self.rig.run(listeners=[self._look])

    def _look(self, event: Event) -> None:
        if isinstance(event, CheckEnded):
            unit, climate = self.rig.simulation.unit, self.rig.device("chamber").climate
            self.truth[event.index] = (climate.body_c(self.rig.simulation.clock.now_s()), unit.tuned_hz)

    def of(self, check: str) -> list[tuple[int, Result]]:
        """Return the results of a check, each with its check's number."""
        return [
            (step, one) for step, found in self.rig.record.kept.items() for one in found if one.check == check
        ]


@pytest.fixture(scope="module")
def ran() -> _Ran:
    """Return the run."""
    return _Ran()


def test_power_and_frequency_are_those_of_the_unit_as_warm_as_it_is(ran: _Ran) -> None:
    """At all 27 points the power, and at all 6 the frequency, lies within U of what the specimen gives at its temperature."""
    powers, errors = ran.of("carrier_power"), ran.of("frequency_error")
    assert (len(powers), len(errors)) == (27, 6)
    for index, one in powers:
        point = AtPoint.of(one.settings)
        assert point is not None
        assert point.supply_v is not None
        assert one.value is not None
        assert one.uncertainty is not None
        warmer_k = ran.truth[index][0] - STATED_AT_C
        truth_w = POWER_W * (point.supply_v / NOMINAL_V) ** 2 * 10.0 ** (DB_PER_K * warmer_k / 10.0)
        assert abs(one.value - truth_w) < one.uncertainty, one.quantity
    for index, one in errors:
        assert one.value is not None
        assert one.uncertainty is not None
        assert abs(one.value - (ran.truth[index][1] - 27.205e6)) < one.uncertainty, one.quantity


def test_a_receiver_that_is_noisier_when_warm_hears_less(ran: _Ran) -> None:
    """0.02 dB a kelvin over 65 K are 1.3 dB, found within the two results' uncertainties."""
    found = {AtPoint.of(one.settings): one for _, one in ran.of("sensitivity")}
    cold, warm = (found[AtPoint(channel=20, temperature_c=at_c)] for at_c in (-10.0, 55.0))
    assert warm.value is not None
    assert cold.value is not None
    assert abs(warm.value - cold.value - 1.3) < (warm.uncertainty or 0.0) + (cold.uncertainty or 0.0)


def test_the_temperature_changes_least_often_and_the_unit_has_followed(ran: _Ran) -> None:
    """Three settings of the chamber for 36 points; at each the unit, which lags the air, was within the tolerance, and it had soaked."""
    asked = [
        float(one.rpartition("SPOint ")[2].partition(";")[0]) for one in ran.rig.sent() if "SPOint " in one
    ]
    aside, *asked = asked
    assert abs(aside - 20.0) > TOLERANCE_C, "sent elsewhere first, to see that what it reads follows"
    assert asked == [20.0, -10.0, 55.0]
    for index, step in sorted((one.index, one) for one in ran.rig.plan.steps):
        if (at_c := step.conditions.temperature_c) is not None:
            assert abs(ran.truth[index][0] - at_c) < TOLERANCE_C + SENSOR_C
    assert ran.outcome.bench_s > 3 * 3600.0
    assert abs(ran.outcome.bench_s / ran.rig.plan.forecast_s - 1.0) < 0.2


def test_each_result_says_at_which_temperature_it_was_found(ran: _Ran) -> None:
    """As data (the point), along the axis of a drawing, and in words as it was read and for how long the unit had soaked."""
    cold = next(one for _, one in ran.of("sensitivity") if one.quantity.endswith("at -10 °C"))
    assert "chamber -10 °C (air read -" in cold.conditions
    assert "sensor on the unit -" in cold.conditions
    assert "soaked 60 min" in cold.conditions
    assert (cold.axis, cold.axis_value, cold.axis_unit) == ("temperature", -10.0, "°C")


def test_at_the_end_the_chamber_is_stopped_and_its_air_is_read(ran: _Ran) -> None:
    """Read back as stopped; that what is in it is hot is said from a reading."""
    assert not ran.rig.device("chamber").running
    assert ran.outcome.status is ExitStatus.PASSED
    assert ran.rig.simulation.hazards == ()
    said = ran.outcome.safe_state.last_line()
    assert "chamber stopped" in said
    assert "The chamber's air reads 5" in said
    assert "hot" in said


def _rig(make_rig: Callable[..., Rig], checks: str = TWO, **chamber: Any) -> Rig:
    return make_rig(serial=SERIAL, sequence=HEAD + checks, instruments={"chamber": {**CHAMBER, **chamber}})


def _missed(outcome: RunOutcome) -> list[tuple[str, bool]]:
    return [(one.quantity, one.value is None) for one in outcome.results]


def test_a_temperature_that_is_not_reached_costs_its_points_alone(make_rig: Callable[..., Rig]) -> None:
    """Its air comes to 5 °C and no lower: given up once, said, not tried again for the next point there; the warm ones are measured."""
    rig = _rig(make_rig, TWO + "  - {check: frequency_error, channel: 20, at: {temperature: [-10 degC]}}\n")
    climate = rig.device("chamber").climate
    air_c = climate.air_c
    climate.air_c = lambda now_s: max(5.0, air_c(now_s))
    outcome = rig.run()
    assert _missed(outcome) == [
        ("carrier power at -10 °C", True),
        ("carrier power at 40 °C", False),
        ("frequency error at -10 °C", True),
    ]
    lost = outcome.results[0]
    assert "did not stay within -12 to -8 °C" in lost.note
    assert "its air read 4.9 °C" in lost.note
    assert "chamber -10 °C (asked for, not read)" in lost.conditions
    assert outcome.bench_s < 4 * 3600.0
    assert outcome.status is ExitStatus.BENCH_FAILED


def test_a_chamber_that_restarts_during_a_soak_costs_no_point(make_rig: Callable[..., Rig]) -> None:
    """It heads for nothing after that: what it was set to is asked for before it is given up, and the check is made anew."""
    rig = _rig(make_rig)
    chamber = rig.device("chamber")
    hear, asked = chamber.submit, [0]

    def restart(message: bytes) -> object:
        asked[0] += b"SPECimen?" in message
        if asked[0] == 3:
            asked[0] += 1
            power_cycle(chamber)
        return hear(message)

    chamber.submit = restart
    outcome = rig.run()
    assert [missed for _, missed in _missed(outcome)] == [False, False]
    assert [one.kind for one in outcome.faults] == ["SettingLost"]
    assert outcome.status is ExitStatus.PASSED


def test_a_soak_below_a_minute_is_told_in_seconds(make_rig: Callable[..., Rig]) -> None:
    """Not as 0 min."""
    rig = _rig(make_rig, TWO.replace("[-10 degC, 40 degC]", "[40 degC]"), soak="10 s")
    (found,) = rig.run().results
    assert re.search(r"soaked \d\d s\)", found.conditions)


ROOM = (
    "  - {check: carrier_power, channel: 20, at: {temperature: [20 degC, 40 degC], supply: [10.8 V, 13.2 V]}, limit: {min: 2 W}}\n"
    "  - {check: frequency_error, channel: 20, at: {temperature: [40 degC, 20 degC]}}\n"
)


@pytest.mark.parametrize("checks", [TWO, ROOM], ids=["elsewhere", "where it stands"])
@pytest.mark.parametrize(
    ("late_s", "says"),
    [(0.0, "°C at once,"), (5.0, r"\d+ s later,"), (300.0, r"\d min later,")],
    ids=["at once", "5 s late", "5 min late"],
)
def test_a_chamber_that_answers_with_its_setting_is_found_out(
    make_rig: Callable[..., Rig], checks: str, late_s: float, says: str
) -> None:
    """Nothing is measured by its reading, neither where it was set last nor where it stood, and its air is not told as a fact."""
    rig = _rig(make_rig, checks)
    chamber, clock = rig.device("chamber"), rig.simulation.clock
    told = [(0.0, 20.0)]  # what it was set to, with when

    def echo(now_s: float) -> float:
        if told[-1][1] != chamber.set_c:
            told.append((clock.now_s(), chamber.set_c))
        return next(set_c for at_s, set_c in reversed(told) if now_s >= at_s + late_s or at_s == 0.0)

    chamber.climate.air_c = echo
    outcome = rig.run()
    measured = [one for one in outcome.results if one.check != "bench_health"]
    assert all(one.value is None for one in measured)
    assert all("it answers with its setting" in one.note and re.search(says, one.note) for one in measured)
    assert any(
        one.check == "bench_health" and "answer with its setting" in one.note for one in outcome.results
    )
    said = outcome.safe_state.last_line()
    assert "air reads" not in said.replace("What the chamber's air reads is not known", "")
    assert "was found to answer with its setting" in said
    # what is known is told: the setting furthest from the room's, which whoever opens the door is warned by
    furthest_c = max((set_c for _, set_c in told[1:]), key=lambda one: abs(one - 23.0))
    assert f"It was set to {furthest_c:g} °C." in said


def test_a_chamber_found_out_later_puts_what_was_measured_before_in_doubt(
    make_rig: Callable[..., Rig],
) -> None:
    """It followed at the first temperature, and answers with its setting from then on: the second is not measured, the first marked."""
    rig = _rig(make_rig)
    chamber = rig.device("chamber")

    def echo(event: Event) -> None:
        if isinstance(event, CheckEnded):
            chamber.climate.air_c = lambda now_s: chamber.set_c

    outcome = rig.run(listeners=[echo])
    found = {one.check: one for one in outcome.results}
    assert [one.value is None for one in outcome.results if one.check == "carrier_power"] == [False, True]
    assert "what was measured at -10 °C before stands on the same reading" in found["bench_health"].note
    assert outcome.status is ExitStatus.BENCH_FAILED


def test_a_chamber_that_cannot_be_stopped_is_to_be_switched_off_by_hand(make_rig: Callable[..., Rig]) -> None:
    """The last line says where, what its air reads and what that is to whoever opens it; the supply reads off, and is not asked for."""
    rig = _rig(make_rig, TWO.replace("[-10 degC, 40 degC]", "[55 degC]"))

    def runs_on(event: Event) -> None:
        if isinstance(event, CheckEnded):
            rig.inject("chamber", Fault(kind=FaultKind.WRONG, match=":STATe 0", times=None, argument="1"))

    outcome = rig.run(listeners=[runs_on])
    assert outcome.safe_state.problems
    said = outcome.safe_state.last_line()
    assert "Switch the chamber off at its own switch now." in said
    assert "The chamber's air reads 5" in said
    assert "let it cool down" in said
    assert "Remove the supply" not in said


def test_a_chamber_that_stops_answering_loses_what_it_was_to_hold(make_rig: Callable[..., Rig]) -> None:
    """Silent from the second temperature on: the first point stands, the second is not measured, and the last line says what it cannot."""
    rig = _rig(make_rig)

    def silence(event: Event) -> None:
        if isinstance(event, CheckEnded):
            rig.inject("chamber", Fault(kind=FaultKind.TIMEOUT, times=None))

    outcome = rig.run(listeners=[silence])
    assert _missed(outcome) == [("carrier power at -10 °C", False), ("carrier power at 40 °C", True)]
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert "the chamber could not be confirmed stopped" in outcome.safe_state.last_line()


def test_a_door_that_is_opened_during_a_check_costs_that_check(make_rig: Callable[..., Rig]) -> None:
    """The air leaves the tolerance while the unit is keyed: what was read is not told as of -10 °C; after another soak it may be."""
    rig = _rig(make_rig, TWO.replace("[-10 degC, 40 degC]", "[-10 degC]"))
    climate, unit = rig.device("chamber").climate, rig.simulation.unit
    air_c, was_keyed = climate.air_c, [False]

    def opened(now_s: float) -> float:
        was_keyed[0] |= unit.keyed
        return 15.0 if was_keyed[0] else air_c(now_s)

    set_keyed = unit._set_keyed

    def keyed(*, keyed: bool) -> None:
        was_keyed[0] |= keyed
        set_keyed(keyed=keyed)

    unit._set_keyed = keyed  # type: ignore[method-assign]
    climate.air_c = opened
    outcome = rig.run()
    assert _missed(outcome) == [("carrier power at -10 °C", True)]
    assert outcome.results[0].decision is Decision.NOT_MEASURED


def test_an_interruption_ends_a_soak_at_once(make_rig: Callable[..., Rig]) -> None:
    """Ctrl-C at the fifth look at the air: no result, the chamber stopped, long before the soak was over."""
    rig = _rig(make_rig)
    climate = rig.device("chamber").climate
    air_c, looks = climate.air_c, [0]

    def looked(now_s: float) -> float:
        looks[0] += 1
        if looks[0] == 5:
            os.kill(os.getpid(), signal.SIGINT)
        return float(air_c(now_s))

    climate.air_c = looked
    outcome = rig.run()
    assert outcome.status is ExitStatus.INTERRUPTED
    assert outcome.results == ()
    assert outcome.bench_s < 600.0
    assert not rig.device("chamber").running
    assert outcome.safe_state.confirmed


def test_the_unit_is_off_while_it_soaks(make_rig: Callable[..., Rig]) -> None:
    """Without supply, and never keyed, whenever the air is read before the temperature is reached."""
    rig = _rig(make_rig, TWO.replace("[-10 degC, 40 degC]", "[40 degC]"))
    climate, unit = rig.device("chamber").climate, rig.simulation.unit
    air_c = climate.air_c
    seen: list[tuple[bool, bool]] = []

    def looked(now_s: float) -> float:
        seen.append((unit.supply_v > 0.0, unit.keyed))
        return float(air_c(now_s))

    climate.air_c = looked
    assert rig.run().status is ExitStatus.PASSED
    assert seen.count((False, False)) > 50
    assert not any(keyed for _, keyed in seen)
