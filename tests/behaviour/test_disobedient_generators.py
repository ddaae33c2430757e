"""Each receive check with a generator that reads back what it was told and gives something else: told by what the unit hears."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.checks import all_checks
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.run.runner import RunOutcome
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.radio.simulated_unit import SimulatedUnit
from tests.support.after_faults import serial_of
from tests.support.disobedient import (
    DEAF_TO_FREQUENCY,
    DEAF_TO_LEVEL,
    ELSEWHERE,
    ELSEWHERE_BEYOND,
    FAINTER,
    LEAKS_OFF,
    LOUDER,
    OFF_BY,
    STAYS_OFF,
    STAYS_ON,
    disobey,
    disobey_from,
)
from tests.support.every_check import EVERY_CHECK, plan_of
from tests.support.rig import Rig

FIRST, SECOND = "signal_generator", "interferer"
RECEIVING = sorted(
    name
    for name in EVERY_CHECK
    if all_checks()[name.split(" ", maxsplit=1)[0]].side == "receive" and not name.endswith("of transmit")
)
CASES = [(name, FIRST) for name in RECEIVING] + [("selectivity", SECOND), ("blocking", SECOND)]
CASES += [("co_channel_rejection", SECOND), ("spurious_response", SECOND), ("intermodulation", SECOND)]
Run = Callable[[str, str, str], tuple[RunOutcome, Rig]]


@pytest.fixture(scope="module")
def rig_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Rig]:
    """Return a new rig of a check; its files are read once."""
    folder: Path = tmp_path_factory.mktemp("disobedient")

    @cache
    def first(name: str) -> Rig:
        return Rig(plan_of(folder, name), serial_of(name))

    return lambda name: first(name).again()


@pytest.fixture(scope="module")
def sound(rig_of: Callable[[str], Rig]) -> Callable[[str], RunOutcome]:
    """Return how a check ends with generators that do what they say: run once, one seed gives the same each time."""
    return cache(lambda name: rig_of(name).run())


@pytest.fixture(scope="module")
def run(rig_of: Callable[[str], Rig]) -> Run:
    """Run a check with one of the generators disobeying in some way."""

    def run(name: str, which: str, kind: str) -> tuple[RunOutcome, Rig]:
        rig = rig_of(name)
        address = rig.plan.bench.bench.instruments[which].address
        disobey(rig.simulation.devices[address], kind)
        return rig.run(), rig

    return run


def measured(outcome: RunOutcome) -> list[Any]:
    """Return what the check itself stated."""
    return [one for one in outcome.results if not one.quantity.startswith("confirmed")]


def each(kinds: dict[str, Any]) -> Any:
    """Return a mark that tries each check with each generator in each of the ways."""
    tried = [(*case, kind) for case in CASES for kind in kinds]
    return pytest.mark.parametrize(
        ("name", "which", "kind"), tried, ids=lambda one: str(one).replace(" ", "_")
    )


@each(STAYS_ON)
def test_a_generator_that_reads_off_and_is_on_is_told(run: Run, name: str, which: str, kind: str) -> None:
    """Nothing is stated, the bench is not called safe, and the last line names the generator."""
    outcome, rig = run(name, which, kind)
    assert [one.decision for one in measured(outcome)] == [Decision.NOT_MEASURED] * len(measured(outcome))
    assert all("its output reads off, and the unit" in one.note for one in measured(outcome)), measured(
        outcome
    )
    assert not outcome.safe_state.confirmed
    assert which in outcome.safe_state.last_line()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert not [one for one in rig.sent("radio") if "KEY:STATe 1" in one]


@each(STAYS_OFF)
def test_a_generator_that_gives_nothing_decides_nothing(run: Run, name: str, which: str, kind: str) -> None:
    """No figure is made of hiss, none counts against the unit, and the reason says that nothing shows the signal at the unit."""
    outcome, _ = run(name, which, kind)
    for one in measured(outcome):
        assert one.decision is Decision.NOT_MEASURED, one
        shown = (
            "nothing shows that its signal reaches the unit",
            "the same with no signal and with a strong",
            "no response",
        )
        assert any(words in one.note for words in shown), one.note
    assert outcome.status is ExitStatus.BENCH_FAILED


@each(DEAF_TO_LEVEL)
def test_a_generator_that_does_not_follow_its_level_decides_nothing(
    run: Run, name: str, which: str, kind: str
) -> None:
    """A level that is read back as it was set and stands still is told as such, whatever it stands at."""
    outcome, _ = run(name, which, kind)
    for one in measured(outcome):
        assert one.decision is Decision.NOT_MEASURED, one
        assert "does not follow the level" in one.note, one.note
    assert outcome.status is ExitStatus.BENCH_FAILED


SECONDS = [name for name, which in CASES if which == SECOND]


@pytest.mark.parametrize("kind", [*LOUDER, *FAINTER])
@pytest.mark.parametrize("name", SECONDS)
def test_a_second_generator_whose_level_is_not_what_it_says_decides_nothing(
    run: Run, name: str, kind: str
) -> None:
    """Louder, it would fail a sound unit, and fainter pass a bad one: the receiver hears it beside the first before it decides."""
    outcome, _ = run(name, SECOND, kind)
    told = f"the second generator is {'louder' if kind in LOUDER else 'fainter'} than it says"
    for one in measured(outcome):
        assert one.decision is Decision.NOT_MEASURED, one
        assert told in one.note or "does not follow the level" in one.note, one.note
        assert one.fault is not None
        assert one.fault.instrument == SECOND
    assert outcome.status is ExitStatus.BENCH_FAILED


@pytest.mark.parametrize("which", [FIRST, SECOND])
def test_what_is_heard_with_both_generators_off_is_of_either(run: Run, which: str) -> None:
    """Either leaks the tone that both gave on the channel: the last line names both."""
    outcome, _ = run("selectivity", which, next(iter(LEAKS_OFF)))
    last = outcome.safe_state.last_line()
    assert not outcome.safe_state.confirmed
    assert f"({FIRST} " in last, last
    assert f"it may be that of {SECOND}, which reads off too" in last, last


@pytest.mark.parametrize("name", ["selectivity", "blocking", "spurious_response"])
def test_a_second_generator_that_stays_on_the_channel_decides_nothing(run: Run, name: str) -> None:
    """It spoils as one on the channel does, some 80 dB too early, and would fail a sound unit."""
    outcome, _ = run(name, SECOND, next(iter(DEAF_TO_FREQUENCY)))
    for one in measured(outcome):
        assert one.decision is Decision.NOT_MEASURED, one
        assert "the second generator is heard on the channel although it was set" in one.note, one.note
        assert one.fault is not None
        assert one.fault.instrument == SECOND
    assert outcome.status is ExitStatus.BENCH_FAILED


def test_a_second_generator_that_belongs_on_the_channel_may_stay_there(
    run: Run, sound: Callable[[str], RunOutcome]
) -> None:
    """Co-channel rejection asks for nothing else."""
    (kind,) = DEAF_TO_FREQUENCY
    assert [one.value for one in run("co_channel_rejection", SECOND, kind)[0].results] == [
        one.value for one in sound("co_channel_rejection").results
    ]


WIDE = """\
sequence: Wide
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: selectivity, channel: 20, offsets: [10 kHz, -10 kHz], limit: {min: 60 dB}}
"""


def test_a_unit_that_hardly_rejects_the_next_channel_is_measured_and_fails(tmp_path: Path) -> None:
    """A filter of 15 kHz where one of 8 kHz belongs: some 20 dB less than on the channel are enough to hear the generator leave it."""
    file = tmp_path / "wide.yaml"
    file.write_text(WIDE, encoding="utf-8")
    plan = make_plan(load_sequence(str(file)), load_bench("two-signal-bench"), serial="M40-0020")
    found = measured(Rig(plan, "M40-0020").run())
    assert [one.decision for one in found] == [Decision.FAIL] * 2, found
    assert all(0.0 < one.value < 20.0 for one in found), found


@pytest.mark.parametrize("kind", [*ELSEWHERE, *ELSEWHERE_BEYOND])
@pytest.mark.parametrize("name", ["selectivity", "blocking", "spurious_response", "intermodulation"])
def test_a_second_generator_that_goes_elsewhere_decides_nothing(run: Run, name: str, kind: str) -> None:
    """It would spoil nothing, and pass a bad unit: where the unit listens on the channel where it is said to be, it is not heard."""
    outcome, rig = run(name, SECOND, kind)
    for one in measured(outcome):
        assert one.decision is Decision.NOT_MEASURED, one
        assert "the second generator is not heard where it was set" in one.note, one.note
        assert one.fault is not None
        assert one.fault.instrument == SECOND
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert [one for one in rig.sent("radio") if ":CHANnel " in one][-1].startswith(":CONTrol:CHANnel 20")


BAD = """\
sequence: Beside others
channels: {plan}
mode: {mode}
supply: 13.2 V
checks:
  - {{check: {check}, channel: 20, limit: {{min: 60 dB}}}}
"""
ALONE = """\
plan: One channel
source: invented for a test
band: {min: 26 MHz, max: 28 MHz}
channels: {20: 27.205 MHz}
"""
BESIDE = {
    "selectivity": "selectivity, offsets: [10 kHz, -10 kHz]",
    "blocking": "blocking, offsets: [1 MHz]",
}


def beside(folder: Path, name: str, serial: str, *, alone: bool, seed: int = 1, mode: str = "FM") -> Rig:
    """Return a rig that measures a unit beside a second generator, with a plan of many channels or of one."""
    (folder / "alone.yaml").write_text(ALONE, encoding="utf-8")
    file = folder / "beside.yaml"
    plan = folder / "alone.yaml" if alone else "plans/cept-40.yaml"
    file.write_text(BAD.format(plan=plan, mode=mode, check=BESIDE[name]), encoding="utf-8")
    shipped = Path("sim/two-signal-bench.yaml").resolve()
    text = shipped.read_text(encoding="utf-8").replace("unit: units ", f"unit: {shipped.parent / 'units'} ")
    (folder / "bench.yaml").write_text(text.replace("seed: 1", f"seed: {seed}"), encoding="utf-8")
    return Rig(
        make_plan(load_sequence(str(file)), load_bench(str(folder / "bench.yaml")), serial=serial), serial
    )


@pytest.mark.parametrize("alone", [False, True])
@pytest.mark.parametrize("kind", [*ELSEWHERE])
@pytest.mark.parametrize("name", [*BESIDE])
def test_a_bad_unit_is_not_passed_by_a_generator_that_goes_elsewhere(
    tmp_path: Path, name: str, kind: str, alone: bool
) -> None:
    """M40-0020 rejects the next channel by less than 20 dB; with the plan's only channel the generator is drawn in until it is heard."""
    rig = beside(tmp_path, name, "M40-0020", alone=alone)
    disobey(rig.simulation.devices[rig.plan.bench.bench.instruments[SECOND].address], kind)
    outcome = rig.run()
    assert {one.decision for one in measured(outcome)} == {Decision.NOT_MEASURED}
    assert all("the second generator is not heard where it was set" in one.note for one in measured(outcome))
    assert outcome.status is ExitStatus.BENCH_FAILED


RESTS = "from the channel rests on what it reads back"


@pytest.mark.parametrize(
    ("name", "alone", "said"),
    [
        ("selectivity", False, ["", f"-10 kHz {RESTS}; at -20 kHz it was heard"]),
        ("selectivity", True, [f"+10 kHz {RESTS}; at +6.25 kHz it was heard", f"-10 kHz {RESTS}"]),
        ("blocking", False, [f"+1 MHz {RESTS}; at +200 kHz it was heard"]),
        ("blocking", True, [f"+1 MHz {RESTS}; at +6.25 kHz it was heard"]),
    ],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_result_says_where_the_second_generator_was_heard(
    tmp_path: Path, name: str, alone: bool, said: list[str], seed: int
) -> None:
    """A sound unit passes; there is no channel 10 kHz below channel 20, nor 1 MHz above it, and the result says what that rests on."""
    found = measured(beside(tmp_path, name, "M40-0061", alone=alone, seed=seed).run())
    assert [one.decision for one in found] == [Decision.PASS] * len(said), found
    for one, words in zip(found, said, strict=True):
        assert (words in one.note) if words else (RESTS not in one.note), one.note


@pytest.mark.parametrize("mode", ["USB", "LSB", "AM"])
def test_in_other_modes_it_is_heard_near_the_channel_too(tmp_path: Path, mode: str) -> None:
    """The plan's only channel: in SSB the tone that the carrier makes moves as far as that; one that goes elsewhere makes none."""
    rig = beside(tmp_path, "blocking", "MX40-0101", alone=True, mode=mode)
    (found,) = measured(rig.run())
    assert found.decision is Decision.PASS, found
    assert re.search(rf"\+1 MHz {RESTS}; at \+(150 Hz|[36][.\d]* kHz) it was heard", found.note), found.note
    assert ("at +150 Hz" in found.note) == (mode in ("USB", "LSB"))
    rig = beside(tmp_path, "blocking", "MX40-0101", alone=True, mode=mode)
    disobey(rig.simulation.devices[rig.plan.bench.bench.instruments[SECOND].address], next(iter(ELSEWHERE)))
    (found,) = measured(rig.run())
    assert found.decision is Decision.NOT_MEASURED, found
    assert "the second generator is not heard where it was set" in found.note


@pytest.mark.parametrize("how", ["refuses", "stands elsewhere"])
def test_a_unit_without_the_other_channel_is_measured(
    tmp_path: Path, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the unit has no channel 21, or has it elsewhere, the first generator is not heard there either, and no one is blamed."""
    own = SimulatedUnit.set_channel

    def set_channel(unit: SimulatedUnit, channel: int) -> None:
        if channel == 21 and how == "refuses":
            raise ValueError("no channel 21")
        own(unit, 25 if channel == 21 else channel)

    monkeypatch.setattr(SimulatedUnit, "set_channel", set_channel)
    rig = beside(tmp_path, "selectivity", "M40-0061", alone=False)
    found = measured(rig.run())
    assert [one.decision for one in found] == [Decision.PASS] * 2, found
    assert f"+10 kHz {RESTS}; at +5 kHz it was heard" in found[0].note, found[0].note


@pytest.mark.parametrize(
    ("name", "which", "by_db"),
    [("sensitivity", FIRST, -3.0), ("blocking", SECOND, -3.0)],
)
def test_a_constant_error_of_level_is_believed(
    run: Run, sound: Callable[[str], RunOutcome], name: str, which: str, by_db: float
) -> None:
    """What nothing on a receive bench can tell: a generator 3 dB high makes a unit 3 dB better. Its stated accuracy is all there is."""
    (kind,) = OFF_BY
    (true,), (off,) = measured(sound(name)), measured(run(name, which, kind)[0])
    assert off.value - true.value == pytest.approx(by_db, abs=2.0 * true.uncertainty)
    assert off.value < true.value


def _counts_hiss(rig: Rig, about_hz: float) -> None:
    """Let the audio analyser count the zero crossings of hiss, as a counter does, where the simulated one says that there is no tone."""
    unit, rng = rig.simulation.wiring.unit, np.random.default_rng(1)
    counted = unit.audio_tone_hz

    def count() -> float:
        tone_hz = counted()
        return float(rng.normal(about_hz, 0.05 * about_hz)) if tone_hz is None else tone_hz

    unit.audio_tone_hz = count  # type: ignore[method-assign]


@pytest.mark.parametrize("about_hz", [1000.0, 1700.0])
@pytest.mark.parametrize("name", [*RECEIVING])
def test_a_counter_that_counts_hiss_is_no_false_alarm(
    rig_of: Callable[[str], Rig], sound: Callable[[str], RunOutcome], name: str, about_hz: float
) -> None:
    """Hiss that counts now and then like the tone, where it has the tone's own frequency too, leaves every sound check as it is."""
    hissing, undisturbed = rig_of(name), sound(name)
    _counts_hiss(hissing, about_hz)
    outcome = hissing.run()
    assert [one.decision for one in outcome.results] == [one.decision for one in undisturbed.results], (
        outcome.results
    )
    assert outcome.status is undisturbed.status
    assert outcome.safe_state.confirmed


@pytest.mark.parametrize("kind", [*STAYS_OFF, *DEAF_TO_LEVEL, *STAYS_ON])
@pytest.mark.parametrize("name", ["sinad", "receive_distortion", "blocking"])
def test_hiss_that_is_counted_is_no_signal(rig_of: Callable[[str], Rig], name: str, kind: str) -> None:
    """What is counted of hiss elsewhere than at the tone makes no silent generator heard, and hides none that stays on or stands still."""
    rig = rig_of(name)
    _counts_hiss(rig, 1700.0)
    disobey(rig.device(FIRST), kind)
    outcome = rig.run()
    assert [one.decision for one in measured(outcome)] == [Decision.NOT_MEASURED] * len(measured(outcome))


@pytest.mark.parametrize("at", [3, 4])
def test_a_generator_that_nothing_follows_any_more_is_named_in_the_last_line(
    rig_of: Callable[[str], Rig], at: int
) -> None:
    """One that the unit followed, and that goes on as before by its own word "off": nobody calls it off, whatever it reads."""
    rig = rig_of("sensitivity")
    disobey_from(rig.device(FIRST), b"LEVel", at, stays=True)
    outcome = rig.run()
    assert [one.decision for one in measured(outcome)] == [Decision.NOT_MEASURED] * len(measured(outcome))
    delivers = rig.device(FIRST).delivered is not None
    assert delivers
    assert "the generator could not be confirmed off" in outcome.safe_state.last_line(), outcome.safe_state
    assert "generator off" not in outcome.safe_state.off


TWO_CHECKS = """\
sequence: Two
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: blocking, channel: 20, offsets: [1 MHz], limit: {min: 60 dB}}
  - {check: spurious_response, channel: 20, intermediate_frequencies: [455 kHz], oscillators: [high], limit: {min: 50 dB}}
"""


@pytest.fixture(scope="module")
def two_checks(tmp_path_factory: pytest.TempPathFactory) -> Rig:
    """Return a rig of two checks with the second generator, to be taken again."""
    file = tmp_path_factory.mktemp("two") / "two.yaml"
    file.write_text(TWO_CHECKS, encoding="utf-8")
    plan = make_plan(load_sequence(str(file)), load_bench("two-signal-bench"), serial="M40-0061")
    return Rig(plan, "M40-0061")


def second_of(rig: Rig) -> Any:
    """Return the second generator."""
    return rig.simulation.devices[rig.plan.bench.bench.instruments[SECOND].address]


def test_a_second_generator_that_goes_on_off_the_channel_is_named_in_the_last_line(two_checks: Rig) -> None:
    """Beside the channel nobody hears it: heard after the first check and no more after the second, its own word "off" is not taken."""
    sound, levels = two_checks.again(), list[bytes]()
    device = second_of(sound)
    hear = device.submit

    def note(message: bytes) -> Any:
        if b"LEVel" in message:
            levels.append(message)
        return hear(message)

    device.submit = note
    assert sound.run().safe_state.confirmed
    delivering = 0
    for at in range(len(levels) // 2, len(levels), len(levels) // 12):
        rig = two_checks.again()
        disobey_from(second_of(rig), b"LEVel", at, stays=True)
        outcome = rig.run()
        gives = second_of(rig).delivered
        if gives is not None and gives.level_dbm < -130.0:
            continue  # the lowest level, at which it was proved to count: nobody hears it, on or off
        delivering += gives is not None
        assert gives is None or f"{SECOND} " in outcome.safe_state.last_line(), (
            at,
            gives,
            outcome.safe_state,
        )
        assert gives is None or outcome.status is ExitStatus.BENCH_FAILED
    assert delivering


def test_a_second_generator_that_was_never_heard_is_no_alarm(two_checks: Rig) -> None:
    """A cable that is not there: it is off by its own word, as ever."""
    rig = two_checks.again()
    disobey(second_of(rig), next(iter(STAYS_OFF)))
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert outcome.safe_state.confirmed


def test_a_receiver_that_hears_nothing_at_all_is_no_alarm(rig_of: Callable[[str], Rig]) -> None:
    """A unit that is deaf from the start never followed a generator: that one is off by its own word, as ever."""
    rig = rig_of("sinad")
    disobey(rig.device(FIRST), next(iter(STAYS_OFF)))
    assert rig.run().safe_state.confirmed


def test_a_generator_that_was_shown_not_to_follow_decides_no_later_check(make_rig: Any) -> None:
    """Steps half as large as asked for: the sensitivity shows it, and the S9 point after it, 16 dB off, was given as the unit's fault."""
    text = "sequence: Two\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
    text += "  - {check: sensitivity, channel: 20, limit: {max: -113 dBm}}\n"
    text += "  - {check: s9_point, channel: 20, target: 2.25 V, limit: {within: 6 dB}}\n"
    rig = make_rig(serial="M40-0007", sequence=text)
    disobey(rig.device("signal_generator"), "stuck at -87 dBm")
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    sensitivity, s9 = outcome.results
    assert {sensitivity.decision, s9.decision} == {Decision.NOT_MEASURED}
    assert "an earlier check of this run showed" in s9.note


@pytest.mark.parametrize("name", ["receive_distortion", "sensitivity in AM", "s9_point"])
def test_a_generator_that_obeys_no_order_to_switch_off_from_any_on_is_told(
    rig_of: Callable[[str], Rig], name: str
) -> None:
    """Whichever order is the first that it disobeys: at the end nothing leaves it, or the last line names it. The last order is heard."""
    words = b"OUTPut:STATe 0"
    sound, told = rig_of(name), [0]
    device = sound.device(FIRST)
    hear = device.submit

    def count(message: bytes) -> Any:
        told[0] += words in message
        return hear(message)

    device.submit = count
    sound.run()
    assert told[0] > 4
    for at in range(told[0] - 3, told[0] + 1):  # the campaign of faults tries all
        rig = rig_of(name)
        disobey_from(rig.device(FIRST), words, at, stays=True)
        outcome = rig.run()
        gives = rig.device(FIRST).delivered
        last = outcome.safe_state.last_line()
        assert gives is None or FIRST in last, (
            f"order {at} of {told[0]}: it gives {gives}, and it is said: {last}"
        )


@pytest.mark.parametrize("number", [1, 2, 3])
@pytest.mark.parametrize("name", [one for one in RECEIVING if " of " not in one])
def test_an_output_that_came_on_late_fails_nobody(
    rig_of: Callable[[str], Rig], sound: Any, name: str, number: int
) -> None:
    """Told on once without obeying, it was on at the louder look that was to prove it: the noise read before it failed a sound unit."""
    rig = rig_of(name)
    address = rig.plan.bench.bench.instruments[FIRST].address
    disobey_from(rig.simulation.devices[address], b"OUTPut:STATe 1", number, stays=False)
    found, should = measured(rig.run()), measured(sound(name))
    assert len(found) == len(should)
    for one, other in zip(found, should, strict=True):
        assert one.value is None or abs(one.value - other.value) <= other.uncertainty, one
