"""Checks that share a key-down: fewer of them, the same results, and none of these before what proves them all is there."""

from __future__ import annotations

import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from drivers.profiled.modulation_analyser import ProfiledModulationAnalyser
from sequencer.results.model import Result
from sequencer.run.events import CheckEnded, CheckStarted, Event
from sequencer.run.status import ExitStatus
from sim.scpi.faults import Fault, FaultKind
from tests.support.desk import ROOT, by_hand, run_by_hand
from tests.support.key_log import KeyLog
from tests.support.rig import Rig

CHECKS = """checks:
  - {check: supply_current, channel: 20}
  - {check: carrier_power, channel: 20, limit: {max: 4 W}}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
  - {check: peak_deviation, channel: 20, drive: 10 mV, tone: [1 kHz], limit: {max: 2 kHz}}
  - {check: carrier_power, channel: 20, keyed_for: 10 s, limit: {min: 3 W}}
"""
RigMaker = Callable[..., Rig]


def text_of(share_key: str, checks: str = CHECKS) -> str:
    """Return a sequence of ``checks``."""
    head = "sequence: Shared\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\n"
    return f"{head}share_key: {share_key}\n{checks}"


def results(rig: Rig) -> dict[tuple[int, str], Result]:
    """Return what a rig's run has kept, by number of the step and quantity."""
    return {(index, one.quantity): one for index, kept in rig.record.kept.items() for one in kept}


def differences(found: Rig, truth: Rig) -> list[str]:
    """Return the results with a value that is not, within U, that of an undisturbed run."""
    right = results(truth)
    return [
        f"{key}: {one.value} in place of {right[key].value}"
        for key, one in results(found).items()
        if one.value is not None and one.value != pytest.approx(right[key].value, abs=right[key].uncertainty)
    ]


@pytest.fixture
def apart(make_rig: RigMaker) -> Rig:
    """The same checks, each in a key-down of its own."""
    rig = make_rig(sequence=text_of("no"))
    assert rig.run().status is ExitStatus.PASSED
    return rig


def test_five_checks_key_once_and_find_the_same(make_rig: RigMaker, apart: Rig) -> None:
    """The unit is keyed once, for hardly longer than the longest of them keeps it keyed; each result is that of a check by itself."""
    rig = make_rig(sequence=text_of("yes"))
    log = KeyLog(rig.simulation)
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED
    assert log.times == 1
    assert log.keyed_s < 10.5  # 10 s are those of keyed_for, in which the others are measured
    assert set(results(rig)) == set(results(apart))
    assert differences(rig, apart) == []
    assert all(one.value is not None for one in results(rig).values())
    assert outcome.bench_s == pytest.approx(rig.plan.forecast_s, rel=0.2)


def test_they_share_unless_the_sequence_says_no(make_rig: RigMaker) -> None:
    """`share_key: no`: as many key-downs as checks; where nothing is said of it, one."""
    assert all(len(part) == 1 for part in make_rig(sequence=text_of("no")).plan.parts)
    unsaid = make_rig(sequence=text_of("no").replace("share_key: no\n", "")).plan
    assert [len(part) for part in unsaid.parts] == [5]


@pytest.mark.parametrize(
    ("checks", "groups"),
    [
        ("{check: carrier_power, channel: 20}|{check: frequency_error, channel: 1}", [1, 1]),
        ("{check: carrier_power, channel: 20}|{check: carrier_power, channel: 20, mode: AM}", [1, 1]),
        ("{check: carrier_power, channel: 20}|{check: supply_current, channel: 20}", [1, 1]),
        (
            "{check: peak_deviation, channel: 20, drive: 10 mV, read: samples}|{check: carrier_power, channel: 20}",
            [1, 1],
        ),
        ("{check: supply_current, channel: 20}|{check: carrier_power, channel: 20}", [2]),
        (
            "{check: carrier_power, channel: 20, mode: AM}|{check: modulation_depth, channel: 20, mode: AM, drive: 10 mV}",
            [2],
        ),
    ],
)
def test_only_what_reads_keyed_on_one_channel_shares(
    make_rig: RigMaker, checks: str, groups: list[int]
) -> None:
    """Another channel or mode, a reading with PTT released, and what is worked out for long come by themselves."""
    items = "".join(f"  - {one}\n" for one in checks.split("|"))
    plan = make_rig(sequence=text_of("yes", f"checks:\n{items}")).plan
    assert [len(part) for part in plan.parts] == groups


def test_what_does_not_fit_into_max_key_time_is_made_apart(make_rig: RigMaker) -> None:
    """Setting back what slow instruments may take for it leaves little of 26 s: ten deviations of a second each take several key-downs."""
    checks = "checks:\n" + 10 * "  - {check: peak_deviation, channel: 20, drive: 10 mV, tone: [1 kHz]}\n"
    rig = make_rig(sequence=text_of("yes", checks), protection={"max_key_time": "26 s"})
    assert len(rig.plan.parts) > 1
    log = KeyLog(rig.simulation)
    assert rig.run().status is ExitStatus.PASSED
    assert len(rig.plan.parts) <= log.times < 10
    assert max(log.lengths_s) < 26.0
    none = make_rig(sequence=text_of("yes", checks), protection={"max_key_time": "21 s"})
    assert len(none.plan.parts) == 10


def test_no_result_is_told_or_kept_while_the_unit_is_keyed(make_rig: RigMaker) -> None:
    """What a group found is judged once PTT was released and the carrier seen to be gone: not at the end of each check."""
    rig = make_rig(sequence=text_of("yes"))
    log = KeyLog(rig.simulation)
    seen: list[tuple[int, int, int]] = []

    def hear(event: Event) -> None:
        if isinstance(event, CheckEnded):
            seen.append((event.index, log.times, len(rig.record.kept)))
        elif isinstance(event, CheckStarted):
            assert rig.record.kept == {}

    rig.run(listeners=[hear])
    assert [(index, times) for index, times, _ in seen] == [(index, 1) for index in range(5)]
    assert [kept for *_, kept in seen] == [1, 2, 3, 4, 5]  # each on the disk before it is told


def test_each_message_is_kept_with_its_check(make_rig: RigMaker) -> None:
    """The trace of a check holds what was said in it, though it is written when the group ends."""
    rig = make_rig(sequence=text_of("yes"))
    said: dict[int, str] = {}
    keep = rig.record.keep

    def kept(index: int, found: Any, exchanges: Any) -> None:
        said[index] = said.get(index, "") + " ".join(one.content.decode() for one in exchanges)
        keep(index, found, exchanges)

    rig.record.keep = kept  # type: ignore[method-assign]
    rig.run()
    assert "FUNCtion POSitive" in said[3]
    assert "FUNCtion POSitive" not in said[1] + said[2]


@pytest.mark.parametrize("kind", [FaultKind.TIMEOUT, FaultKind.GARBAGE, FaultKind.DISCONNECT])
def test_a_fault_at_any_message_gives_no_wrong_result(
    make_rig: RigMaker, apart: Rig, kind: FaultKind
) -> None:
    """One message in seventeen is failed in turn: the bench ends safe, and what has a value has that of an undisturbed run."""
    rig = make_rig(sequence=text_of("yes"))
    rig.run()
    for number in range(4, len(rig.sent()), 17):
        failing = rig.again()
        failing.inject_everywhere(Fault(kind=kind, skip=number))
        outcome = failing.run()
        assert outcome.safe_state.confirmed
        assert failing.simulation.hazards == ()
        assert differences(failing, apart) == []


def test_a_fault_is_of_its_check_alone(make_rig: RigMaker, apart: Rig) -> None:
    """A count that never comes leaves the frequency not measured, the others are made by themselves and say so."""
    rig = make_rig(sequence=text_of("yes"))
    rig.inject("modulation_analyser", Fault(kind=FaultKind.TIMEOUT, match='ON "FREQuency"', times=5))
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    found = results(rig)
    assert found[2, "frequency error"].value is None
    assert "in time" in found[2, "frequency error"].note
    others = [one for (index, _), one in found.items() if index != 2]
    assert len(others) == 6
    assert all(one.value is not None for one in others)
    assert all("in a key-down of its own" in one.note and "ended after 3 s" in one.note for one in others)
    assert differences(rig, apart) == []


@pytest.mark.parametrize("role", ["power_meter", "modulation_analyser", "audio_analyser"])
def test_what_lost_its_settings_makes_all_of_them_anew(make_rig: RigMaker, apart: Rig, role: str) -> None:
    """An instrument that restarts behind the deviation is found out, though the next check sets it anew: none of the group is stated."""
    rig = make_rig(sequence=text_of("yes"))
    log = KeyLog(rig.simulation)

    def hear(event: Event) -> None:
        if isinstance(event, CheckStarted) and event.index == 4 and log.times == 0:
            rig.device(role)._reset()

    assert rig.run(listeners=[hear]).status is ExitStatus.PASSED
    assert log.times == 6
    assert all("in a key-down of its own" in one.note and role in one.note for one in results(rig).values())
    assert differences(rig, apart) == []


def test_a_ptt_that_opens_in_between_is_not_read_on(make_rig: RigMaker, apart: Rig) -> None:
    """A relay box that restarts behind the power releases PTT: what was read then is not stated, and all is measured anew."""
    rig = make_rig(sequence=text_of("yes"))
    log = KeyLog(rig.simulation)

    def hear(event: Event) -> None:
        if isinstance(event, CheckStarted) and event.index == 3 and log.times == 0:
            rig.device("radio")._reset()

    rig.run(listeners=[hear])
    assert differences(rig, apart) == []
    assert all(one.value is not None for one in results(rig).values())


def test_a_meter_that_stands_still_decides_nothing(make_rig: RigMaker, apart: Rig) -> None:
    """An analyser that shows the same released as keyed, found when the group is left, leaves its own quantities not measured."""
    rig = make_rig(sequence=text_of("yes"))
    rig.inject("modulation_analyser", Fault(kind=FaultKind.STUCK, match='ON "FREQuency"', times=None))
    assert rig.run().status is ExitStatus.BENCH_FAILED
    found = results(rig)
    assert found[2, "frequency error"].value is None
    assert found[1, "carrier power"].value is not None
    assert "in a key-down of its own" in found[1, "carrier power"].note
    assert differences(rig, apart) == []


def interrupts(rig: Rig, at: int) -> Callable[[Event], None]:
    """Return who presses Ctrl-C as check number ``at`` begins."""

    def hear(event: Event) -> None:
        if isinstance(event, CheckStarted) and event.index == at:
            signal.raise_signal(signal.SIGINT)

    return hear


@pytest.mark.parametrize("at", [1, 3])
def test_ctrl_c_in_a_group_keeps_what_was_finished_and_proved(
    make_rig: RigMaker, apart: Rig, at: int
) -> None:
    """The checks before the one that was cut short stand, proved once PTT is released; of that one no result, of each every message."""
    rig = make_rig(sequence=text_of("yes"))
    log = KeyLog(rig.simulation)
    outcome = rig.run(listeners=[interrupts(rig, at)])
    assert outcome.status is ExitStatus.INTERRUPTED
    assert {index for index, _ in results(rig)} == set(range(at))
    assert differences(rig, apart) == []
    assert all(one.value is not None for one in results(rig).values())
    assert set(range(at + 1)) <= set(rig.record.kept)
    assert (log.times, outcome.safe_state.confirmed) == (1, True)


def test_ctrl_c_as_a_reading_is_made_keeps_what_was_finished_before_it(
    make_rig: RigMaker, apart: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the middle of the deviation, keyed: the three before it stand."""
    read, calls = ProfiledModulationAnalyser.read_deviation_hz, 0

    def interrupted(self: ProfiledModulationAnalyser, *given: Any, **named: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == 1:
            signal.raise_signal(signal.SIGINT)
        return read(self, *given, **named)

    rig = make_rig(sequence=text_of("yes"))
    log = KeyLog(rig.simulation)
    monkeypatch.setattr(ProfiledModulationAnalyser, "read_deviation_hz", interrupted)
    outcome = rig.run()
    assert (calls, outcome.status) == (1, ExitStatus.INTERRUPTED)
    assert {index for index, _ in results(rig)} == {0, 1, 2}
    assert differences(rig, apart) == []
    assert (log.times, outcome.safe_state.confirmed) == (1, True)


def test_ctrl_c_in_a_group_states_nothing_that_its_proofs_do_not_bear(make_rig: RigMaker) -> None:
    """A meter that shows the same released as keyed: none of what was finished before the interruption is stated."""
    rig = make_rig(sequence=text_of("yes"))
    rig.inject("modulation_analyser", Fault(kind=FaultKind.STUCK, match='ON "FREQuency"', times=None))
    outcome = rig.run(listeners=[interrupts(rig, 3)])
    assert outcome.status is ExitStatus.INTERRUPTED
    assert results(rig) == {}
    assert outcome.safe_state.confirmed


def test_ctrl_c_in_the_first_of_a_group_states_nothing(make_rig: RigMaker) -> None:
    """Nothing was finished: PTT is released, and no result is kept."""
    rig = make_rig(sequence=text_of("yes"))
    outcome = rig.run(listeners=[interrupts(rig, 0)])
    assert (outcome.status, results(rig)) == (ExitStatus.INTERRUPTED, {})
    assert outcome.safe_state.confirmed


def test_a_person_presses_ptt_once_for_a_group(tmp_path: Path) -> None:
    """With PTT in a person's hand and all else networked, power, frequency and deviation ask for one press and one release."""
    checks = """checks:
  - {check: carrier_power, channel: 20}
  - {check: frequency_error, channel: 20}
  - {check: peak_deviation, channel: 20, tone: 1 kHz, drive: 100 mV}
"""
    bench = by_hand((ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8"), ("radio",))
    presses = {}
    for share_key in ("no", "yes"):
        file = tmp_path / f"{share_key}.yaml"
        file.write_text(text_of(share_key, checks), encoding="utf-8")
        ran, person = run_by_hand(tmp_path / "..", str(file), bench)
        assert ran.outcome.status is ExitStatus.PASSED
        presses[share_key] = sum("HOLD" in text for text in person.asked)
    assert presses == {"no": 3, "yes": 1}
