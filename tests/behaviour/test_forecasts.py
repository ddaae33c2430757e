"""Forecasts hold: what is said before a run, and what is said to be left during it, against the bench's own clock.

On the simulated bench, whose instruments answer at once: on sockets each exchange costs some milliseconds more, which nobody
knows beforehand and the time left learns.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from statistics import fmean

import pytest

from sequencer.checks.people import ANSWER_S
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import Plan, make_plan
from sequencer.run.events import CheckEnded, CheckStarted, Event, StepTaken
from sequencer.run.runner import RunOutcome
from tests.behaviour.test_shipped_sequences import BENCHES, RUNS
from tests.support.desk import ROOT, by_hand, run_by_hand
from tests.support.running import run_plan

WITHIN = 0.2
SOUND = [(sequence, serial) for sequence, serial, failing in RUNS if not failing] + [
    ("quick-check", "M40-0018")
]


def _plan(sequence: str, serial: str, bench: str = "") -> Plan:
    loaded = load_bench(bench or BENCHES.get(sequence, "sim/bench.yaml"))
    return make_plan(load_sequence(sequence), loaded, serial=serial)


def _run(folder: Path, plan: Plan, serial: str) -> tuple[RunOutcome, list[tuple[float, Event]]]:
    """Run a plan; returns how it went, and every event with the bench's time at which it was told."""
    parts = bench_parts(plan.bench, serial=serial, dry_run=True)
    assert parts.simulation is not None
    clock, told = parts.simulation.clock, list[tuple[float, Event]]()
    ran = run_plan(folder, serial, plan, parts, [lambda event: told.append((clock.now_s(), event))])
    return ran.outcome, told


@pytest.mark.parametrize(("sequence", "serial"), SOUND)
def test_the_forecast_of_a_shipped_sequence_holds(tmp_path: Path, sequence: str, serial: str) -> None:
    """The bench time of a sound unit is within 20 % of what `validate` says, for every shipped sequence."""
    plan = _plan(sequence, serial)
    outcome, _ = _run(tmp_path, plan, serial)
    assert outcome.bench_s == pytest.approx(plan.forecast_s, rel=WITHIN)


@pytest.mark.parametrize("sequence", ["quick-check", "fm-mobile-acceptance"])
def test_a_deaf_unit_takes_as_long_as_is_said_of_one_that_fails(tmp_path: Path, sequence: str) -> None:
    """Before a receiver is called deaf it is shown that it heard the generator's signal: the plan says how long that takes."""
    plan = _plan(sequence, "M40-0011")
    outcome, _ = _run(tmp_path, plan, "M40-0011")
    assert outcome.bench_s == pytest.approx(plan.forecast_s + plan.failing_s, rel=WITHIN)
    assert plan.failing_s > 1.0


SETTLES = {
    "power_meter": 0.4,
    "modulation_analyser": 0.3,
    "audio_analyser": 0.5,
    "signal_generator": 0.2,
    "voltmeter": 0.5,
    "switch": 0.5,
}


@pytest.mark.parametrize("role", [*SETTLES, "all of them"])
def test_a_stated_settling_time_is_forecast(tmp_path: Path, role: str) -> None:
    """An instrument that averages, or a slow relay, makes a run longer by what the forecast says: within 20 % as ever."""
    loaded = load_bench("sim/bench.yaml")
    instruments = {
        name: entry.model_copy(update={"settle_s": SETTLES[entry.role]})
        if entry.role in SETTLES and role in (entry.role, "all of them")
        else entry
        for name, entry in loaded.bench.instruments.items()
    }
    slow = replace(loaded, bench=loaded.bench.model_copy(update={"instruments": instruments}))
    plan = make_plan(load_sequence("quick-check"), slow, serial="M40-0007")
    outcome, _ = _run(tmp_path, plan, "M40-0007")
    assert outcome.bench_s == pytest.approx(plan.forecast_s, rel=WITHIN)


@pytest.mark.parametrize(
    ("sequence", "serial"), [("fm-mobile-acceptance", "M40-0007"), ("vhf-fm-handheld", "V5-0301")]
)
def test_the_time_left_is_what_is_left(tmp_path: Path, sequence: str, serial: str) -> None:
    """At every event the time told is within 20 % of the whole of what the rest really took, and it shrinks inside a check."""
    outcome, told = _run(tmp_path, _plan(sequence, serial), serial)
    end_s = max(at_s for at_s, _ in told)
    steps: dict[int, list[float]] = {}
    for at_s, event in told:
        if isinstance(event, CheckStarted | StepTaken | CheckEnded):
            assert event.remaining_s == pytest.approx(end_s - at_s, abs=WITHIN * outcome.bench_s), event
        if isinstance(event, StepTaken):
            steps.setdefault(event.index, []).append(event.remaining_s)
    assert all(one[0] >= one[-1] for one in steps.values())
    assert max(one[0] - one[-1] for one in steps.values()) > 4.0


GENERATOR, ANALYSER, VOLTMETER = "signal_generator", "audio_analyser", "voltmeter"
SINAD = "sensitivity, target: 12 dB SINAD, deviation: 1.2 kHz, accuracy: 1 dB"
QUIETING = "sensitivity, target: 20 dB quieting, accuracy: 1 dB"
IN_AM = "sensitivity, mode: AM, target: 10 dB (S+N)/N, depth: 30 %, accuracy: 1 dB"
NEEDLE = "s9_point, target: 2.25 V, accuracy: 1 dB"
MARKS = "s_meter_curve, marks: {S7: 1.75 V, S8: 2 V, S9: 2.25 V}, accuracy: 1 dB"
BY_HAND = [
    (SINAD, (GENERATOR, ANALYSER)),
    (SINAD, (GENERATOR,)),
    (QUIETING, (GENERATOR, ANALYSER)),
    (IN_AM, (GENERATOR, ANALYSER)),
    (IN_AM, (GENERATOR,)),
    (NEEDLE, (GENERATOR, VOLTMETER)),
    (NEEDLE, (GENERATOR,)),
    (NEEDLE, (VOLTMETER,)),
    (MARKS, (GENERATOR, VOLTMETER)),
    ("squelch", (GENERATOR, ANALYSER)),
    ("agc_span, mode: AM, strong: -33 dBm, fall: 6 dB", (GENERATOR,)),
    ("selectivity, wanted: -110 dBm, offsets: [10 kHz], accuracy: 1 dB", (ANALYSER,)),
    ("selectivity, offsets: [10 kHz, -10 kHz], accuracy: 1 dB", (GENERATOR, ANALYSER)),
    ("blocking, wanted: -110 dBm, offsets: [1 MHz], accuracy: 1 dB", (ANALYSER,)),
    ("hum_and_noise", (ANALYSER,)),
    ("receive_audio_response, tones: [500 Hz, 2 kHz]", (ANALYSER,)),
    ("co_channel_rejection, wanted: -107 dBm, accuracy: 1 dB", (ANALYSER,)),
]
TWO_SIGNALS = ("intermodulation", "spurious_response", "selectivity", "blocking", "co_channel_rejection")
TO_SEED = {"squelch": 1, "s_meter_curve": 2}
"""Up to which; 3 unless said: a squelch takes 45 to 52 answers on each of five benches."""


@pytest.mark.parametrize(("check", "manual"), BY_HAND)
def test_people_are_asked_about_as_often_as_is_forecast(
    tmp_path: Path, check: str, manual: tuple[str, ...]
) -> None:
    """In the mean of several benches a person is asked as often as is forecast, within 20 %: one search alone is one draw."""
    name, *how = check.split(", ", 1)
    squelch = "  - confirm: squelch just closed\n" if name == "squelch" else ""
    file = tmp_path / "by-hand.yaml"
    file.write_text(
        "sequence: By hand\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nprepare:\n"
        f"  - confirm: knobs right\n{squelch}checks:\n  - {{check: {', '.join((name, 'channel: 20', *how))}}}\n",
        encoding="utf-8",
    )
    shipped = "two-signal-bench.yaml" if name in TWO_SIGNALS else "bench.yaml"
    text = by_hand((ROOT / "sim" / shipped).read_text(encoding="utf-8"), manual)
    asked, forecast = list[int](), 0.0
    for seed in range(1, 1 + TO_SEED.get(name, 3)):
        seeded, found = re.subn(r"^seed: \d+$", f"seed: {seed}", text, flags=re.MULTILINE)
        assert found == 1
        ran, person = run_by_hand(tmp_path, str(file), seeded, serial="MX40-0101")
        assert all(one.value is not None for one in ran.outcome.results)
        asked.append(len(person.asked))
        forecast = sum(step.person_s for step in ran.plan.steps) / ANSWER_S
    assert fmean(asked) == pytest.approx(forecast, rel=WITHIN), asked


def test_people_are_forecast_from_their_readings() -> None:
    """The same sequence takes minutes where a person turns the generator and reads the meter, and says so beforehand."""
    by_itself = _plan("manual-bench", "M40-0007", "sim/bench.yaml")
    by_hand = _plan("manual-bench", "M40-0007", "manual-bench")
    assert by_itself.forecast_s < 30.0
    assert all(step.person_s == 0.0 for step in by_itself.steps)
    sensitivity, s9 = (step for step in by_hand.steps if step.side == "receive")
    # a level and what it reads are one answer; a needle is approached from both sides
    assert s9.person_s > sensitivity.person_s >= 30.0
    assert by_hand.forecast_s > 75.0
