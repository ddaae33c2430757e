"""A dial that a person reads on the transmit side is read once more with PTT released: one that stands still decides nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
import yaml

from sequencer.checks.people import ANSWER_S
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.person_at_terminal import ROOT, attentive
from tests.support.rig import Rig

BENCH = (ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8")
HEAD = "sequence: By dial\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
POWER = "  - {check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}\n"
OFF_FREQUENCY = "  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}\n"
DEVIATION = "  - {check: peak_deviation, channel: 20, drive: 10 mV, limit: {max: 2 kHz}}\n"
S9 = "  - {check: s9_point, channel: 20, target: 2.25 V, limit: {nominal: -73 dBm, within: 6 dB}}\n"
RELEASED = "PTT stays RELEASED"


@dataclass
class Person:
    """Reads the simulated dials, unless ``instead`` has another answer to the question; keeps what was asked."""

    instead: Callable[[str], str | None] = lambda question: None
    asked: list[str] = field(default_factory=list)

    def ask(self, text: str, *, within_s: float | None = None) -> str:
        """Answer one question."""
        self.asked.append(text)
        assert len(self.asked) < 60, self.asked[-3:]
        return self.instead(text) or attentive(text)

    def stop(self, why: str) -> None:
        """Never stopped."""
        raise AssertionError(why)

    @property
    def released(self) -> list[str]:
        """The questions with PTT released."""
        return [one for one in self.asked if RELEASED in one]


def _plan(folder: Path, checks: str, *, by_hand: str = "power_meter", hand_key: bool = False) -> Plan:
    bench = yaml.safe_load(BENCH)
    bench["unit"] = f"{ROOT}/sim/units"
    for role in [*by_hand.split(), *(["radio"] if hand_key else [])]:
        entry = bench["instruments"][role]
        bench["instruments"][role] = {"driver": "operator"} | {
            key: entry[key] for key in ("accuracy", "max_power", "vswr") if key in entry
        }
    (folder / "dial-bench.yaml").write_text(yaml.safe_dump(bench), encoding="utf-8")
    (folder / "one.yaml").write_text(HEAD + checks, encoding="utf-8")
    return make_plan(load_sequence(str(folder / "one.yaml")), load_bench(str(folder / "dial-bench.yaml")))


def _rig(plan: Plan, person: Person) -> Rig:
    rig = Rig(plan, "M40-0007")
    rig.parts = replace(rig.parts, person=person)
    return rig


def _stuck_at(answer: str, what: str) -> Callable[[str], str | None]:
    return lambda question: answer if what in question else None


def test_a_power_meter_that_stands_still_is_found_out_by_one_question(tmp_path: Path) -> None:
    """A dial stuck where 3.7 W puts it gives no pass: with PTT released it shows the same, and the row says so."""
    person = Person(instead=_stuck_at("3.7 mW", "the power on"))  # behind a pad of 30 dB
    outcome = _rig(_plan(tmp_path, POWER), person).run()
    (row,) = outcome.results
    assert (row.value, row.decision) == (None, Decision.NOT_MEASURED)
    assert "PTT was released" in row.note, row.note
    assert "the same with the unit's supply cut, so that the instrument may stand still" in row.note, row.note
    assert (
        len(person.released) == 2
    )  # once more with the supply cut, which tells the dial from the transmitter
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert outcome.safe_state.confirmed


def test_where_something_else_sees_the_carrier_go_the_dial_alone_is_named(tmp_path: Path) -> None:
    """The analyser, which the bench reads, has no carrier any more: one question is enough, and the run goes on."""
    person = Person(instead=_stuck_at("3.7 mW", "the power on"))
    checks = (
        "  - {check: channel_sweep, sweep: [20], power: {min: 3 W, max: 4 W}, frequency: {within: 600 Hz}}\n"
    )
    outcome = _rig(_plan(tmp_path, checks + OFF_FREQUENCY), person).run()
    *swept, counted = outcome.results
    assert all(one.value is None for one in swept), swept
    assert "power: it shows the same with PTT released" in swept[0].note, swept[0].note
    assert counted.decision is Decision.PASS
    assert len(person.released) == 1


@pytest.mark.parametrize(
    ("check", "what", "stuck"),
    [(OFF_FREQUENCY, "carrier frequency", "27.2051 MHz"), (DEVIATION, "peak deviation", "1.6 kHz")],
)
def test_an_analyser_that_stands_still_decides_nothing(
    tmp_path: Path, check: str, what: str, stuck: str
) -> None:
    """What was read last is asked for once more, whatever it is: a deviation meter counts no carrier."""
    person = Person(instead=_stuck_at(stuck, what))
    outcome = _rig(_plan(tmp_path, check, by_hand="modulation_analyser"), person).run()
    assert {one.decision for one in outcome.results} == {Decision.NOT_MEASURED}
    assert "it shows the same with PTT released" in outcome.results[0].note, outcome.results[0].note
    assert len(person.released) == 1
    assert what in person.released[0]


@pytest.mark.parametrize("hand_key", [False, True])
def test_a_sound_dial_is_asked_for_once_until_the_switch_moves(tmp_path: Path, hand_key: bool) -> None:
    """Checks of one channel or several have one question while the dial moves, and whatever comes after the receive side has its own."""
    other = POWER.replace("20", "1")
    plan = _plan(tmp_path, POWER + POWER + other + S9 + POWER, hand_key=hand_key)
    person = Person()
    outcome = _rig(plan, person).run()
    assert [one.decision for one in outcome.results] == [Decision.PASS] * 5, outcome.problems
    assert len(person.released) == 2
    power = [step for step in plan.steps if step.side == "transmit"]
    by_step = [step.person_s - power[1].person_s for step in power]
    assert by_step == [ANSWER_S, 0.0, 0.0, ANSWER_S]


def test_nothing_on_the_dial_is_what_a_released_unit_shows(tmp_path: Path) -> None:
    """ "none" and 0 W are silence; nobody has to read noise."""
    for typed in ("none", "0 W", "no reading", "under range"):
        person = Person(instead=_stuck_at(typed, RELEASED))
        (row,) = _rig(_plan(tmp_path, POWER), person).run().results
        assert row.decision is Decision.PASS, row.note


def test_a_dial_that_shows_the_same_on_another_channel_is_asked_for_again(tmp_path: Path) -> None:
    """It fell once, on the first channel; the very same figure on the next may be a needle that has stuck since."""
    person = Person(
        instead=lambda question: "3.6 mW" if "the power on" in question and RELEASED not in question else None
    )
    outcome = _rig(_plan(tmp_path, POWER + POWER.replace("20", "1")), person).run()
    assert [one.decision for one in outcome.results] == [Decision.PASS] * 2, outcome.problems
    assert len(person.released) == 2
