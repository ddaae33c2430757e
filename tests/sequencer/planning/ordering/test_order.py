"""The quickest order: what is moved, what stays, and that an order which finds something else is not taken."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.checks import SHIPPED, find_check
from sequencer.checks.transmit.peak_deviation import PeakDeviation
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import Wanted
from sequencer.planning.ordering.order import quickest, unlike, why_fixed
from sequencer.planning.ordering.rests import Duty, timeline
from sequencer.planning.plan import Plan, make_plan
from sequencer.planning.proving.proof import UNIT_SIDES, keyed_roles
from sequencer.planning.step import Step
from tests.behaviour.test_shipped_sequences import BENCHES, RUNS

HEAD = "sequence: Test\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
WARM = "  - {check: carrier_power, channel: 20, keyed_for: 20 s}\n"
COLD = "  - {check: carrier_power, channel: 1}\n"
COUNT = "  - {check: frequency_error, channel: 1}\n"
HEARS = "  - {check: sensitivity, channel: 20}\n"
METER = "  - {check: s9_point, channel: 20, target: 2.25 V, attack: 250 ms, decay: 500 ms}\n"
ASKS = "  - {check: confirm, text: volume at half}\n"
BY_HAND = {"connection_repeatability", "adjust"}
"""Checks on the unit's sides in which a person acts: they say nothing of what they depend on, and nothing passes them."""


def _plan(folder: Path, text: str) -> Plan:
    (folder / "s.yaml").write_text(HEAD + text)
    return make_plan(load_sequence(str(folder / "s.yaml")), load_bench("sim/bench.yaml"), order="quickest")


def _duty(plan: Plan) -> Duty:
    return Duty.of(plan.bench, keyed_roles([step.settings for step in plan.steps]))


def _order(folder: Path, text: str) -> list[int]:
    return [step.index for step in _plan(folder, text).steps]


def test_a_long_rest_is_filled_from_the_receive_side(tmp_path: Path) -> None:
    """What hears comes into the 20 s that 50 % duty owes after 20 s of transmitting; each step keeps the number of the file."""
    plan = _plan(tmp_path, WARM + COUNT + HEARS + METER)
    assert plan.arranged is not None
    assert [step.index for step in plan.steps] == [0, 2, 3, 1]
    assert [step.index for step in plan.arranged.moved] == [1]
    assert plan.arranged.written_s - plan.forecast_s > 12.0
    assert [step.label for step in plan.steps][1:3] == ["sensitivity, channel 20", "s9 point, channel 20"]


def test_without_being_asked_nothing_is_moved() -> None:
    """A plan stands as it is written, and says nothing of an order."""
    plan = make_plan(load_sequence("fm-mobile-acceptance"), load_bench("sim/bench.yaml"))
    assert [step.index for step in plan.steps] == list(range(12))
    assert plan.arranged is None


@pytest.mark.parametrize(
    "text",
    [
        WARM + COLD + HEARS + METER,  # a power after the warm one is to be read warm
        COLD + WARM + HEARS + METER,  # and one before it cold
        COUNT + WARM + COLD + METER,
    ],
)
def test_what_depends_on_the_stage_does_not_pass_a_warm_up(tmp_path: Path, text: str) -> None:
    """A reading after a minute of transmitting is another than one before it: their order is the file's."""
    powers = [step.index for step in _plan(tmp_path, text).steps if step.check.name == "carrier_power"]
    assert powers == sorted(powers)


def test_an_order_that_saves_next_to_nothing_is_left_as_it_is_written(tmp_path: Path) -> None:
    """No key-down that owes a rest, nothing to fill."""
    plan = _plan(tmp_path, COUNT + HEARS + COUNT)
    assert plan.arranged is not None
    assert (plan.arranged.order, plan.arranged.moved) == ((0, 1, 2), ())


def test_an_order_that_takes_as_long_is_not_taken(tmp_path: Path) -> None:
    """What hears before the last key-down fills no rest there: behind it, it would take as long, and nothing is gained."""
    assert _order(tmp_path, HEARS + WARM) == [0, 1]


def test_a_short_warm_up_is_not_passed_even_late(tmp_path: Path) -> None:
    """Three seconds keyed leave the reference of a unit that was fed for ten minutes where it was: the frequency stays behind them."""
    plan = _plan(tmp_path, "  - {check: carrier_power, channel: 1, keyed_for: 3 s}\n" + COUNT)
    written = sorted(plan.steps, key=lambda step: step.index)
    other = list(timeline(written[::-1], _duty(plan), began_s=600.0))
    assert unlike(list(timeline(written, _duty(plan), began_s=600.0)), other) == []
    assert sum(one.forecast_s for one in other) < plan.forecast_s - 1.0
    for share_key in (True, False):
        order, _ = quickest(written, plan.bench.bench, _duty(plan), began_s=600.0, share_key=share_key)
        assert [step.index for step in order] == [0, 1]


def test_a_long_key_down_stays_for_what_depends_on_it_and_says_so(tmp_path: Path) -> None:
    """It may be passed by what does not; where nothing depends on it there is nothing to say."""
    arranged = _plan(tmp_path, WARM + COUNT + HEARS).arranged
    assert arranged is not None
    (stays,) = arranged.stays
    assert (stays.step.index, stays.is_passed) == (0, True)
    assert re.fullmatch(r"it transmits for 2\d s", stays.why)
    alone = _plan(tmp_path, WARM + HEARS).arranged
    assert alone is not None
    assert alone.stays == ()


def test_what_can_share_a_warm_up_s_key_down_comes_right_before_it(tmp_path: Path) -> None:
    """A deviation on the warm-up's channel after the one on another channel, so that both are read in one key-down."""
    short = "  - {{check: peak_deviation, channel: {}, drive: 10 mV, tone: 1 kHz}}\n"
    plan = _plan(tmp_path, short.format(20) + short.format(1) + WARM)
    assert [(step.index, step.shares) for step in plan.steps] == [(1, None), (0, 0), (2, 0)]


def test_what_was_keyed_before_a_hold_is_not_warmed_by_it_twice(tmp_path: Path) -> None:
    """Some seconds of deviations in front of a power after 20 s: in one key-down the stage is as warm as by itself, and they share it."""
    short = "  - {check: peak_deviation, channel: 20, drive: 10 mV, tone: 1 kHz}\n"
    plan = _plan(tmp_path, 3 * short + WARM)
    assert {step.shares for step in plan.steps} == {0}
    alone = [replace(step, shares=None) for step in plan.steps]
    apart, _ = quickest(alone, plan.bench.bench, _duty(plan), share_key=False)
    assert {step.shares for step in apart} == {None}


def test_nothing_passes_a_person(tmp_path: Path) -> None:
    """After a confirmation the unit may be set otherwise: what comes after it is not moved before it, nor the other way round."""
    assert _order(tmp_path, WARM + ASKS + COUNT + HEARS + METER)[:2] == [0, 1]
    assert _order(tmp_path, HEARS + ASKS + WARM + COUNT) == [0, 1, 2, 3]


def test_what_a_person_works_stays_and_says_so() -> None:
    """On a bench that is set and read by hand nothing is moved, and each step says whom it waits for."""
    plan = make_plan(load_sequence("manual-bench"), load_bench("manual-bench"), order="quickest")
    assert plan.arranged is not None
    assert (plan.arranged.moved, plan.forecast_s) == ((), plan.arranged.written_s)
    assert any("signal_generator" in one.why for one in plan.arranged.stays)


def test_a_check_that_does_not_say_what_it_depends_on_stays(tmp_path: Path) -> None:
    """Of a check from elsewhere nobody knows what its order means: it is left where it is, and nothing passes it."""
    plan = _plan(tmp_path, WARM + COUNT + HEARS + METER)

    class Unsaid(type(find_check("frequency_error"))):  # type: ignore[misc]
        depends_on = None

    written = sorted(plan.steps, key=lambda step: step.index)
    written[1] = replace(written[1], check=Unsaid())
    order, arranged = quickest(written, plan.bench.bench, _duty(plan))
    assert [step.index for step in order] == [0, 1, 2, 3]
    assert "does not say" in arranged.stays[0].why


def test_every_shipped_check_says_what_it_depends_on() -> None:
    """So that `--order quickest` leaves none where it is for want of a word; checks with a person in them do stay."""
    unsaid = {
        name
        for name in SHIPPED
        if find_check(name).side in UNIT_SIDES and find_check(name).depends_on is None
    }
    assert unsaid <= BY_HAND | {"receiver_emissions"}  # which takes the unit's supply away between its looks


def _swapped(plan: Plan, order: list[int]) -> list[Step]:
    by_index = {step.index: step for step in plan.steps}
    changed = [by_index[index] for index in order]
    written = list(timeline(sorted(plan.steps, key=lambda step: step.index), _duty(plan)))
    return unlike(written, list(timeline(changed, _duty(plan))))


def test_a_frequency_before_the_warm_up_is_another(tmp_path: Path) -> None:
    """A reference that was fed 20 s ago has run in less far than one fed 60 s ago: such an order is refused, and by that step."""
    plan = _plan(tmp_path, WARM + COUNT + HEARS + METER)
    assert [step.check.name for step in _swapped(plan, [1, 0, 2, 3])] == ["frequency_error"]
    assert _swapped(plan, [0, 2, 3, 1]) == []


def test_a_power_before_the_warm_up_is_another(tmp_path: Path) -> None:
    """A cold stage, and one after 20 s of transmitting: the power that was to be read warm is what differs."""
    plan = _plan(tmp_path, WARM + COLD + HEARS)
    assert [step.index for step in _swapped(plan, [1, 0, 2])] == [1]


def test_many_short_key_downs_warm_as_one_long_does(tmp_path: Path) -> None:
    """Ten deviations of a second and a half each in front of a power warm the stage; one of them more or less does not."""
    short = "  - {check: peak_deviation, channel: 20, drive: 10 mV, tone: 1 kHz}\n"
    plan = _plan(tmp_path, 10 * short + COLD + 10 * short)
    assert [step.index for step in _swapped(plan, [10, *range(10), *range(11, 21)])] == [10]
    assert _swapped(plan, [*range(10), 11, 10, *range(12, 21)]) == []
    assert PeakDeviation.depends_on == frozenset()


@pytest.mark.parametrize(("sequence", "serial"), sorted({name: serial for name, serial, _ in RUNS}.items()))
def test_no_shipped_sequence_takes_longer_or_loses_a_step(sequence: str, serial: str) -> None:
    """Each is made whole, never slower than as written, and what nothing may pass stands between the same steps as before."""
    bench = load_bench(BENCHES.get(sequence, "sim/bench.yaml"))
    loaded = load_sequence(sequence, Wanted(serial=serial))
    written = [step.index for step in make_plan(loaded, bench).steps]
    plan = make_plan(loaded, bench, order="quickest")
    assert plan.arranged is not None
    assert plan.forecast_s <= plan.arranged.written_s + 1e-9
    assert sorted(step.index for step in plan.steps) == list(range(len(plan.steps)))
    for at, step in enumerate(plan.steps):
        if why_fixed(step, bench.bench):
            assert step.index == written[at]
            assert {one.index for one in plan.steps[:at]} == set(written[:at])
