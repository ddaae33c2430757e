"""The bench's check of itself: what it finds is the truth, a change of the bench is told, and no unit is keyed, fed or heard meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from sequencer.analysis.own_history import OwnHistory
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import FileProblems
from sequencer.results.model import BenchInstrument, Result
from sequencer.results.stored import StoredResult
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.disobedient import STAYS_ON, disobey
from tests.support.rig import Nodding, Rig

BENCH = Path("sim/self-checking-bench.yaml").resolve()
TEXT = BENCH.read_text(encoding="utf-8")
SERIAL = "M40-0007"
SHORT = "{check: bench_check, levels: [0 dBm], frequencies: [27 MHz], supply: 13.2 V, fewest: 3}"
LEVEL = "generator to power meter, 0 dBm at 27 MHz"
UNIT = "{check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}"


@pytest.fixture(scope="module")
def plan_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Plan]:
    """Make a plan of checks on the bench that checks itself, changed by key."""
    tmp_path = tmp_path_factory.mktemp("bench")

    def make(*checks: str, **changes: Any) -> Plan:
        content = {**yaml.safe_load(TEXT), **changes}
        content["unit"] = str(BENCH.parent / "units")
        (tmp_path / "bench.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")
        items = "".join(f"  - {one}\n" for one in checks or (SHORT,))
        head = "sequence: Own\nchannels: plans/cept-40.yaml\nsupply: 13.2 V\nchecks:\n"
        (tmp_path / "own.yaml").write_text(head + items, encoding="utf-8")
        return make_plan(load_sequence(str(tmp_path / "own.yaml")), load_bench(str(tmp_path / "bench.yaml")))

    return make


def _ran(plan: Plan, earlier: Sequence[Sequence[Result]] = ()) -> tuple[RunOutcome, Rig]:
    rig = Rig(plan, SERIAL)
    rig.record.earlier = _history(earlier)
    return rig.run(), rig


def _history(earlier: Sequence[Sequence[Result]], **who: Sequence[BenchInstrument]) -> OwnHistory:
    names = [one.name for one in fields(Result)]
    rows = [
        StoredResult(
            **{name: getattr(one, name) for name in names} | {"run": f"r{run}"}, id=run, check_index=0
        )
        for run, results in enumerate(earlier)
        for one in results
    ]
    return OwnHistory(rows=tuple(rows), simulated=True, **who)


def _found(outcome: RunOutcome, quantity: str = LEVEL) -> Result:
    (one,) = (one for one in outcome.results if one.quantity == quantity)
    return one


def test_what_it_finds_is_what_the_bench_was_built_with(plan_of: Callable[..., Plan]) -> None:
    """Level set less level read is the true loss less the hidden errors of generator and meter, to 0.01 dB: asked of the simulation.

    Without earlier results it is held against what the bench file states, which holds those errors.
    """
    for seed in (1, 2, 3):
        outcome, rig = _ran(plan_of(seed=seed))
        true_db = rig.simulation.wiring.paths.losses.check_loss_db(27e6)
        generator, meter = rig.device("signal_generator"), rig.device("power_meter")
        one = _found(outcome)
        assert one.value == pytest.approx(true_db - generator._level_error_db - meter._error_db, abs=0.01)
        assert outcome.status is ExitStatus.PASSED
        assert (
            "0 earlier checks of 3 that control limits need, held against the stated accuracies" in one.note
        )
        assert one.nominal == pytest.approx(0.8)


def test_beside_the_levels_supply_zero_and_audio_are_compared(plan_of: Callable[..., Plan]) -> None:
    """The terminals read 13.2 V, the voltmeter nought on an unfed unit's line, the audio meter its source to its own hidden error."""
    outcome, rig = _ran(plan_of())
    assert _found(outcome, "supply at 13.2 V").value == pytest.approx(13.2, abs=0.01)
    assert _found(outcome, "voltmeter zero").value == pytest.approx(0.0, abs=1e-3)
    ratio = 10.0 ** ((_found(outcome, "audio source to meter, 100 mV").value or 0.0) / 20.0)
    assert ratio == pytest.approx(rig.device("audio_analyser")._level_error, abs=1e-3)


def test_no_unit_is_keyed_fed_or_heard_while_generator_and_meter_are_joined(
    plan_of: Callable[..., Plan],
) -> None:
    """Whenever the generator is on the unit is unkeyed, without supply and off the switch; afterwards the generator is off.

    In a run with a unit it is fed again before its own checks, and PTT was pressed for those alone.
    """
    plan = plan_of(SHORT, UNIT)
    rig = Rig(plan, SERIAL)
    seen: set[tuple[bool, bool, str]] = set()
    deliver = rig.simulation.wiring.set_generator

    def watched(signal: Any) -> None:
        deliver(signal)
        if signal is not None:
            unit = rig.simulation.unit
            seen.add((unit.keyed, unit.supply_v > 0.0, rig.simulation.wiring.paths.position))

    rig.device("signal_generator")._apply = watched
    outcome = rig.run()
    assert seen == {(False, False, "check")}
    assert [one.decision for one in outcome.results if one.check == "carrier_power"] == [Decision.PASS]
    assert not rig.device("signal_generator").output_on
    assert rig.simulation.hazards == ()


def test_results_are_the_bench_s_own_in_a_run_of_a_unit(plan_of: Callable[..., Plan]) -> None:
    """They carry the bench's serial and no model; those of the unit carry its own."""
    outcome, _ = _ran(plan_of(SHORT, UNIT))
    serials = {one.check: (one.serial, one.model) for one in outcome.results}
    assert serials == {"bench_check": ("bench Self-checking bench", ""), "carrier_power": (SERIAL, "M40")}
    assert all(one.simulated for one in outcome.results)


def test_a_generator_that_sags_meanwhile_is_told_by_a_check_of_the_bench_at_the_end(
    plan_of: Callable[..., Plan],
) -> None:
    """It reads back as set and no receiver tells; first and last in the sequence the bench's own check says by how much it moved."""
    listens = (
        "{check: sensitivity, channel: 20, target: 12 dB SINAD, deviation: 1.2 kHz, limit: {max: -113 dBm}}"
    )
    rig = Rig(plan_of(SHORT, listens, SHORT), SERIAL)
    generator = rig.device("signal_generator")
    deliver = generator._apply

    def sags(signal: Any) -> None:
        generator.worn_db = max(-3.0, generator.worn_db - (0.1 if rig.simulation.unit.supply_v else 0.0))
        deliver(signal)

    generator._apply = sags
    outcome = rig.run()
    first, last = (one for one in outcome.results if one.quantity == LEVEL)
    assert first.decision is Decision.PASS
    assert last.decision is Decision.FAIL
    assert (last.value or 0.0) - (first.value or 0.0) == pytest.approx(-generator.worn_db, abs=0.2)
    assert outcome.status is ExitStatus.BENCH_FAILED


CHANGES = {
    "a cable that has got 1 dB worse": {"generator_cable": "1 dB"},
    "a generator that is 0.7 dB low": {"generator": "-0.7 dB"},
    "a power meter that reads 0.2 dB high": {"power_meter": "0.2 dB"},
}


@pytest.fixture(scope="module")
def eight(plan_of: Callable[..., Plan]) -> list[list[Result]]:
    """Eight checks of an undisturbed bench, each with other noise."""
    return [list(_ran(plan_of(connected=number))[0].results) for number in range(2, 10)]


def test_a_change_of_the_bench_is_told_before_any_unit_is_measured(
    plan_of: Callable[..., Plan], eight: list[list[Result]]
) -> None:
    """Against control limits from eight checks each change fails the bench, by its figure, and no unit is measured on it.

    Undisturbed the ninth check passes within the same limits. The accuracies that the file states (0.55 dB) hide the smallest of them.
    """
    outcome, _ = _ran(plan_of(connected=50), eight)
    assert outcome.status is ExitStatus.PASSED
    assert "its mean of 8 checks, control limits ±" in _found(outcome).note
    limits = _found(outcome)
    assert limits.upper_limit is not None
    assert limits.lower_limit is not None
    assert limits.upper_limit - limits.lower_limit < 0.11
    for change, worn in CHANGES.items():
        outcome, _ = _ran(plan_of(SHORT, UNIT, connected=51, worn=worn), eight)
        assert _found(outcome).decision is Decision.FAIL, change
        assert outcome.status is ExitStatus.BENCH_FAILED
        assert {one.check for one in outcome.results} == {"bench_check"}
        (problem,) = outcome.problems
        assert problem.startswith(f"bench check: {LEVEL}: ")
        assert "look at cables and contacts, generator, power meter, in that order" in problem
    went_on, _ = _ran(plan_of(SHORT.replace("fewest: 3", "fewest: 3, then: go on"), UNIT, worn=worn), eight)
    assert {one.check for one in went_on.results} == {"bench_check", "carrier_power"}


def test_what_does_not_matter_is_ignored_unless_the_sequence_asks(
    plan_of: Callable[..., Plan], eight: list[list[Result]]
) -> None:
    """A power meter 0.03 dB high lies outside what the bench scatters by, and inside 0.05 dB; with `ignore: 0 dB` it is told."""
    outcome, _ = _ran(plan_of(worn={"power_meter": "0.03 dB"}), eight)
    assert outcome.status is ExitStatus.PASSED
    assert "control limits ± 0.050 dB" in _found(outcome).note
    outcome, _ = _ran(
        plan_of(SHORT.replace("fewest: 3", "fewest: 3, ignore: 0 dB"), worn={"power_meter": "0.03 dB"}), eight
    )
    assert _found(outcome).decision is Decision.FAIL


def test_a_slow_drift_is_told_by_its_run(plan_of: Callable[..., Plan], eight: list[list[Result]]) -> None:
    """Eight in a row above the mean of the first eight are named while each lies within the limits."""
    (last,) = (one for one in eight[-1] if one.quantity == LEVEL)
    mean = sum(_value(one) for one in eight) / len(eight)
    after = [[replace(last, value=mean + 0.004)] for _ in range(8)]
    plan = plan_of(SHORT.replace("fewest: 3", "fewest: 3, baseline: 8"), worn={"power_meter": "-0.006 dB"})
    outcome, _ = _ran(plan, [*eight, *after])
    assert "all lie above that mean: it drifts, or something was changed" in _found(outcome).note
    assert _found(outcome).decision is Decision.PASS


def _value(results: Sequence[Result]) -> float:
    (one,) = (one.value for one in results if one.quantity == LEVEL)
    assert one is not None
    return one


def test_an_exchanged_instrument_begins_a_new_history(
    plan_of: Callable[..., Plan], eight: list[list[Result]]
) -> None:
    """Results with another power meter are left out and counted; so are those before the day of a repair."""
    plan = plan_of()
    rig = Rig(plan, SERIAL)
    was = [
        BenchInstrument(name="power_meter", role="power_meter", maker="H", model="P", serial="1", firmware="")
    ]
    now = [replace(was[0], serial="2")]
    rig.record.earlier = replace(
        _history(eight), now=tuple(now), who={f"r{run}": was for run in range(len(eight))}
    )
    assert "0 earlier checks of 3 that control limits need" in (note := _found(rig.run()).note)
    assert "8 left out, with another power_meter" in note
    repaired = plan_of(bench_check={"since": "2099-01-01"})
    outcome, _ = _ran(repaired, eight)
    assert "8 left out, before 2099-01-01" in _found(outcome).note


def test_a_meter_that_stands_still_is_no_bench_that_is_as_it_was(plan_of: Callable[..., Plan]) -> None:
    """A power meter that gives its last figure for ever would pass every chart: it is found out by a level 3 dB lower."""
    rig = Rig(plan_of(), SERIAL)
    meter = rig.device("power_meter")
    meter._measure = lambda: -0.85
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert "the level was lowered by 3 dB and the power meter's reading by 0 dB" in outcome.results[0].note


def test_an_audio_meter_that_stands_still_is_told(plan_of: Callable[..., Plan]) -> None:
    """Set to half, the source is not followed: the comparison of source and meter would have been a lucky figure."""
    rig = Rig(plan_of(), SERIAL)
    rig.device("audio_analyser")._of_own_source = lambda: 0.1
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert (
        "the audio source was set to half, and the audio meter reads 0.1 V after 0.1 V" in outcome.problems[0]
    )


@pytest.mark.parametrize("stands_still", [False, True])
def test_a_generator_that_reads_off_and_is_on_is_seen_by_the_joined_meter(
    plan_of: Callable[..., Plan], stands_still: bool
) -> None:
    """Nothing was measured, the unit is neither fed nor keyed afterwards, and the last line does not say that the generator is off.

    Also where something else had ended the check before: a level that does not fall as it was set.
    """
    rig = Rig(plan_of(SHORT, UNIT), SERIAL)
    generator = rig.device("signal_generator")
    deliver = generator._apply
    seen: list[Any] = []

    def stays_on(signal: Any) -> None:
        if signal is not None and not (stands_still and seen):
            seen.append(signal)
            deliver(signal)

    generator._apply = stays_on
    outcome = rig.run()
    assert not generator.output_on  # that is its answer
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert {(one.check, one.value, one.decision) for one in outcome.results} == {
        ("bench_check", None, Decision.NOT_MEASURED),
        ("carrier_power", None, Decision.NOT_MEASURED),
    }
    assert not outcome.safe_state.confirmed
    assert "generator off" not in outcome.safe_state.off
    (problem,) = outcome.safe_state.problems
    assert problem.startswith("the generator could not be confirmed off")
    assert "its output reads off, and the power meter joined to it reads" in problem
    assert not rig.device("supply").output_on
    assert rig.simulation.hazards == ()


@pytest.mark.parametrize("kind", [FaultKind.TIMEOUT, FaultKind.DISCONNECT, FaultKind.GARBAGE])
def test_a_fault_at_any_message_leaves_all_off_and_passes_nothing(
    plan_of: Callable[..., Plan], kind: FaultKind
) -> None:
    """From the opening to the way out, every ninth message: the generator and the supply are off, PTT is open, the witness saw nothing.

    A check that was disturbed passes with the values of an undisturbed one, or says what was not measured.
    """
    plan = plan_of()
    sound, rig = _ran(plan)
    count = len(rig.sent())
    wanted = {one.quantity: one.value for one in sound.results}
    for number in range(3, count, 9):
        rig = Rig(plan, SERIAL)
        rig.inject_everywhere(Fault(kind=kind, skip=number))
        outcome = rig.run()
        told = f"message {number} of {count}, {kind.value}"
        assert outcome.safe_state.confirmed, told
        assert not rig.device("signal_generator").output_on, told
        assert not rig.device("supply").output_on, told
        assert not rig.simulation.unit.keyed, told
        assert rig.simulation.hazards == (), told
        for one in outcome.results:
            assert one.value is None or one.value == pytest.approx(wanted[one.quantity], abs=0.05), told
        assert outcome.problems or len(outcome.results) == len(wanted), told


REFUSED = {
    "{check: bench_check, levels: [14 dBm]}": ("14 dBm is outside", "-137.0 to 10.0 dBm"),
    "{check: bench_check, frequencies: [50 MHz]}": ("50 MHz is beyond where", "27 MHz to 28 MHz"),
    "{check: bench_check, supply: 20 V}": ("20 V is above max_voltage of supply", "at most 16 V"),
    "{check: bench_check, fewest: 30}": ("control limits of 20 results at most", "'fewest' at or below"),
}


@pytest.mark.parametrize("check", REFUSED)
def test_what_the_bench_file_does_not_bear_is_refused_before_anything_is_sent(
    plan_of: Callable[..., Plan], check: str
) -> None:
    """Ratings of meter and path (10 mW), the span of the stated losses, the supply's most, and settings that contradict each other."""
    bench = yaml.safe_load(TEXT)
    paths = {**bench["paths"], "check": {**bench["paths"]["check"], "rating": "10 mW"}}
    with pytest.raises(FileProblems) as caught:
        plan_of(check, paths=paths)
    message, allowed = REFUSED[check]
    (one,) = caught.value.complaints
    assert message in one.message
    assert allowed in one.allowed


def test_a_bench_without_a_check_path_is_told_what_to_write(plan_of: Callable[..., Plan]) -> None:
    """Its file lacks the path, or its switch's profile the commands: each is said with what would do."""
    bench = yaml.safe_load(TEXT)
    without = {name: path for name, path in bench["paths"].items() if name != "check"}
    with pytest.raises(FileProblems, match="the bench file describes no check path"):
        plan_of(paths=without)
    switch = {key: value for key, value in bench["instruments"]["switch"].items() if key != "profile"}
    with pytest.raises(FileProblems, match="needs 'connect_check' of switch"):
        plan_of(instruments={**bench["instruments"], "switch": switch})


def test_a_voltmeter_that_stands_still_passes_no_zero(plan_of: Callable[..., Plan]) -> None:
    """One answer for ever, at nought, with the unit fed too: no limit is put to it, and the note says why; a sound one is decided."""
    outcome, _ = _ran(plan_of())
    assert _found(outcome, "voltmeter zero").decision is Decision.PASS
    rig = Rig(plan_of(), SERIAL)
    rig.inject("voltmeter", Fault(kind=FaultKind.WRONG, match="READ?", argument="0.0000", times=None))
    zero = _found(rig.run(), "voltmeter zero")
    assert (zero.value, zero.decision) == (0.0, Decision.NO_LIMIT)
    assert "nothing shows that it moves at all" in zero.note


def test_joined_by_hand_nobody_touches_a_connector_before_the_meter_shows_the_generator_off(
    plan_of: Callable[..., Plan],
) -> None:
    """A generator that reads off and stays on: the person is not asked to put the cables back, and the last line names it."""
    plan = plan_of(SHORT.replace("{check: bench_check", "{check: bench_check, through: hand"))
    rig, asked = Rig(plan, SERIAL), list[str]()

    class Person(Nodding):
        def confirm(self, text: str) -> bool:
            asked.append(text)
            return super().confirm(text)

    disobey(rig.device("signal_generator"), next(iter(STAYS_ON)))
    outcome = rig.run(Person())
    assert len(asked) == 1, asked
    assert "its output reads off, and the power meter joined to it reads" in outcome.safe_state.last_line()
    assert outcome.status is ExitStatus.BENCH_FAILED
