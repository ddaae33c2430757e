"""What is stated is used and what is not stated is not nought, over every shipped check and every accuracy that it needs.

Each check is run on the two-generator bench, or that with a spectrum analyser, three times with the same seed: as the file stands, with
every accuracy, match and path uncertainty taken out, and with all of them ten times as large.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

from sequencer.checks import all_checks
from sequencer.files.shipped import find_file
from sequencer.inputs.load_bench import load_bench
from sequencer.inputs.stated import find_connections, find_needed
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from tests.support.rig import Rig

FM = """
{check: carrier_power, channel: 20, limit: {max: 4 W}}
{check: adjust, of: frequency_error, channel: 20, turn: C3, to: 0 Hz, within: 5 kHz}
{check: frequency_error, channel: 20}
{check: peak_deviation, channel: 20, drive: 10 mV}
{check: microphone_sensitivity, channel: 20, maximum: 1.8 kHz}
{check: power_against_supply, channel: 20, supplies: [11 V, 13.2 V]}
{check: supply_current, channel: 20}
{check: transmit_distortion, channel: 20, drive: 10 mV}
{check: residual_modulation, channel: 20}
{check: audio_response, channel: 20, drive: 3 mV, tones: [500 Hz, 2 kHz]}
{check: channel_sweep, sweep: [20]}
{check: sensitivity, channel: 20}
{check: sinad, channel: 20, level: -116 dBm}
{check: signal_to_noise, channel: 20, ratio: quieting, level: -116 dBm}
{check: s9_point, channel: 20, target: 2.25 V}
{check: s_meter_curve, channel: 20, marks: {S7: 1.75 V, S8: 2 V, S9: 2.25 V}}
{check: receive_distortion, channel: 20}
{check: audio_output, channel: 20}
{check: selectivity, channel: 20, offsets: [10 kHz], wanted: -115 dBm}
{check: blocking, channel: 20, offsets: [1 MHz]}
{check: signal_to_noise, channel: 20, ratio: quieting, level: -116 dBm}
{check: hum_and_noise, channel: 20}
{check: spurious_response, channel: 20, wanted: -107 dBm, orders: 1, intermediate_frequencies: [10.695 MHz], oscillators: [high]}
{check: receive_audio_response, channel: 20, tones: [500 Hz, 2 kHz]}
{check: co_channel_rejection, channel: 20, wanted: -107 dBm}
{check: path_loss, frequencies: [27 MHz]}
{check: bench_check, through: hand, frequencies: [27 MHz], levels: [0 dBm], then: go on}
"""
MULTIMODE = """
{check: modulation_depth, channel: 20, mode: AM, drive: 10 mV}
{check: microphone_sensitivity, channel: 20, mode: AM}
{check: residual_modulation, channel: 20, mode: AM}
{check: sensitivity, channel: 20, mode: AM, target: 10 dB (S+N)/N}
{check: agc_span, channel: 20, mode: AM, strong: -33 dBm}
{check: audio_output, channel: 20, mode: AM}
{check: carrier_power, channel: 20, mode: USB, drive: 5 mV}
{check: ssb_suppression, channel: 20, mode: USB, drive: 5 mV}
{check: sensitivity, channel: 20, mode: USB, target: 10 dB (S+N)/N}
"""
SQUELCH = """
{check: confirm, text: just closed, knob: squelch, position: just closed}
{check: squelch, channel: 20}
"""
SPECTRUM = """
{check: adjacent_channel_power, channel: 20, drive: 10 mV, resolution_bandwidth: 1 kHz}
{check: occupied_bandwidth, channel: 20, drive: 10 mV, resolution_bandwidth: 1 kHz}
{check: harmonics, channel: 20, up_to: 3}
{check: time_to_power, channel: 20}
{check: transient, channel: 20}
{check: power_over_time, channel: 20, over: 2 s}
{check: spurious_emissions, channel: 20, mask: [{from: 16 MHz, to: 17 MHz, resolution_bandwidth: 10 kHz, max: 250 nW}]}
"""
SPECTRUM += (
    "{check: receiver_emissions, channel: 20, intermediate_frequencies: [10.695 MHz], oscillators: [high], "
    "mask: [{from: 16 MHz, to: 17 MHz, resolution_bandwidth: 10 kHz, max: 2 nW}]}"
)
FRONT_END = """
{check: intermodulation, channel: 20, spacings: [50 kHz]}
"""
CASES = {
    "front end": ("M40-0061", FRONT_END),
    "spectrum": ("M40-0042", SPECTRUM),
    "FM": ("M40-0007", FM),
    "multimode": ("MX40-0101", MULTIMODE),
    "squelch": ("MX40-0101", SQUELCH),
}
SIGNALLING = """
{check: signalling_sent, channel: 20, tone: 88.5 Hz}
"""
CASES["signalling"] = ("M40-0071", SIGNALLING)
OPENED = """
{check: signalling_received, channel: 20, tone: 88.5 Hz, signalling_deviation: 300 Hz, accuracy: 2 dB, shut_for: 1 s}
"""
CASES["opened"] = ("M40-0091", OPENED)
BENCHES = {"spectrum": "spectrum-bench", "opened": "signalling-bench"}
POWER = {"power": ("M40-0007", FM.strip().splitlines()[0])}
CONNECTION = "connection_repeatability"
NO_BENCH_FIGURE = {
    *(
        "channel_memory",
        "confirm",
        "connection_repeatability",
        "enter_reading",
        "record_audio",
        "golden_unit",
    ),
}
"""Checks of which no result has a budget from the bench file: a person's reading has its own accuracy, a recording states none,
what each of several connections has alike is not in their scatter, and a golden unit is held against itself."""
FIGURES = {"accuracy", "uncertainty", "connection_repeatability", "key_response"}
_FIGURE = re.compile(r"^([\d.]+)( .*)?$")


@dataclass(frozen=True, kw_only=True)
class Done:
    """A run: its plan and what each step left."""

    plan: Plan
    results: Mapping[int, list[Result]]


def _changed(found: Any, factor: float | None) -> Any:
    """Return a bench file's content with every accuracy, match and path uncertainty scaled, or left out."""
    if not isinstance(found, dict):
        return found
    changed = {}
    for key, content in found.items():
        is_figure = key in FIGURES or key.endswith("vswr")
        if key == "leads" and factor is None:
            continue
        if not is_figure:
            changed[key] = _changed(content, factor)
        elif factor is not None:
            scaled = (
                {one: _scaled(str(text), factor) for one, text in content.items()}
                if key == "accuracy"
                else None
            )
            changed[key] = scaled or _scaled(
                str(content), factor, offset=1.0 if key.endswith("vswr") else 0.0
            )
    return changed


def _scaled(text: str, factor: float, offset: float = 0.0) -> Any:
    match = _FIGURE.match(text)
    assert match is not None
    figure = offset + factor * (float(match[1]) - offset)
    return f"{figure:g}{match[2]}" if match[2] else figure


@pytest.fixture(scope="module")
def run_on(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Run the checks of a case on the bench with its accuracies scaled by a factor; None leaves them out."""
    folder = tmp_path_factory.mktemp("stated")

    @cache
    def run(case: str, factor: float | None, rule: str = "simple") -> Done:
        serial, checks = (CASES | POWER)[case]
        shipped = find_file(BENCHES.get(case, "two-signal-bench"), "bench")
        content = yaml.safe_load(shipped.read_text(encoding="utf-8")) | {
            "unit": str(shipped.parent / "units")
        }
        changed = _changed(content, factor)
        bench = folder / f"{case}-{factor}.yaml"
        bench.write_text(yaml.safe_dump(changed), encoding="utf-8")
        sequence = folder / f"{case}-{rule}.yaml"
        items = "".join(f"  - {line}\n" for line in checks.strip().splitlines())
        sequence.write_text(
            f"sequence: S\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\n"
            f"rated_supply: {{min: 8 V, max: 16 V}}\nrated_power: 13 W\n"
            f"decision_rule: {rule}\nchecks:\n{items}",
            encoding="utf-8",
        )
        plan = make_plan(load_sequence(str(sequence)), load_bench(str(bench)), serial=serial)
        rig = Rig(plan, serial)
        rig.run()
        return Done(plan=plan, results=rig.record.kept)

    return run


def _steps(done: Done) -> Iterator[tuple[Any, list[str], list[Result]]]:
    """Give each step, the keys it needs, those of connections among them, and its results."""
    for step in done.plan.steps:
        needs = step.check.needs(step.settings, step.conditions)
        found = find_needed(done.plan.bench.bench, needs, step.conditions.frequency_hz)
        if step.check.name not in NO_BENCH_FIGURE:
            found += find_connections(done.plan.bench.bench, needs)
            yield step, [one.key for one in found], done.results[step.index]


def _rows(results: list[Result]) -> Iterator[tuple[Result, Mapping[str, Any]]]:
    for result in results:
        if result.budget is not None:
            yield from ((result, row) for row in result.budget.contributions)


def test_every_shipped_check_is_among_the_cases() -> None:
    """No shipped check is left out: it is run here, or has no budget from the bench file."""
    run = {name for _, text in CASES.values() for name in re.findall(r"check: (\w+)", text)}
    assert run | NO_BENCH_FIGURE == set(all_checks())


@pytest.mark.parametrize("case", CASES)
def test_each_key_that_a_check_needs_stands_in_a_budget_of_it(run_on: Any, case: str) -> None:
    """On a bench that states all, every result has an uncertainty, and the keys in a check's budgets are just those it says it needs."""
    for step, keys, results in _steps(run_on(case, 1.0)):
        measured = [one for one in results if one.value is not None]
        assert len(measured) == len(results), [(one.quantity, one.note) for one in results]
        assert all(one.uncertainty is not None for one in measured), step.label
        used = {key for _, row in _rows(results) if row.contribution > 0 for key in row.keys}
        assert used == set(keys), step.label


@pytest.mark.parametrize("case", CASES)
def test_a_key_ten_times_as_large_moves_the_uncertainty(run_on: Any, case: str) -> None:
    """Each key that a check needs, made ten times as large, makes a contribution of it grow, and with it the result's own U."""
    before, after = run_on(case, 1.0), run_on(case, 10.0)
    for (step, keys, results), (_, _, larger) in zip(_steps(before), _steps(after), strict=True):
        own = {(one.quantity, one.channel): one for one in larger}
        grown = set()
        for result, row in _rows(results):
            twin = own[result.quantity, result.channel]
            if twin.budget is None:
                continue
            same = [one for one in twin.budget.contributions if one.source == row.source]
            if same and same[0].contribution > 1.5 * row.contribution:
                grown |= set(row.keys)
        assert grown >= set(keys), (step.label, set(keys) - grown)
        for result in results:
            twin = own[result.quantity, result.channel]
            keyed = any(row.keys and row.contribution > 0 for _, row in _rows([result]))
            nearly_open = (
                result.unit == "dB" and result.uncertainty > 10.0
            )  # its power's interval nearly reaches nothing: any figure will do
            if keyed and twin.uncertainty is not None and not nearly_open:
                assert twin.uncertainty > result.uncertainty, result.quantity


@pytest.mark.parametrize("case", CASES)
def test_what_is_not_stated_is_named_and_not_nought(run_on: Any, case: str) -> None:
    """On a bench that states no accuracy no result that needs one has an uncertainty; result and budget name the keys, as the plan did."""
    for step, keys, results in _steps(run_on(case, None)):
        named: set[str] = set()
        for result in results:
            if result.budget is None or not result.budget.unstated:
                continue
            assert result.uncertainty is None, result.quantity
            assert result.budget.expanded is None
            assert "The uncertainty is not stated (the bench file lacks " in result.note
            assert all(key in result.note for key in result.budget.unstated)
            named |= set(result.budget.unstated)
        assert named == {key for key in keys if not key.endswith(CONNECTION)}, step.label


@pytest.mark.parametrize("case", CASES)
def test_a_connection_that_is_not_stated_is_remembered(run_on: Any, case: str) -> None:
    """The budgets of a check name the connections that its results went over and nobody stated; none where the file states all."""
    for step, keys, results in _steps(run_on(case, None)):
        named = {key for one in results if one.budget is not None for key in one.budget.unstated_connections}
        assert named == {key for key in keys if key.endswith(CONNECTION)}, step.label
    for _, _, results in _steps(run_on(case, 1.0)):
        assert not [one for one in results if one.budget is not None and one.budget.unstated_connections]


def test_a_guarded_rule_passes_nothing_whose_uncertainty_is_not_stated(run_on: Any) -> None:
    """A carrier of 3.7 W under 4 W passes simply, with a word on the risk; guarded it is a conditional pass: its band is not known."""
    simple, guarded = (run_on("power", None, rule).results[0][0] for rule in ("simple", "guarded"))
    assert simple.quantity == guarded.quantity == "carrier power"
    assert simple.value == pytest.approx(3.7, abs=0.2)
    assert simple.decision is Decision.PASS
    assert "the risk of this decision is unknown" in simple.note
    assert guarded.decision is Decision.CONDITIONAL_PASS
    assert "says neither pass nor fail" in guarded.note
    assert math.isfinite(guarded.value or math.nan)


def test_no_accuracy_is_typed_into_a_check() -> None:
    """No check makes a contribution of an accuracy by itself but of its own settings: all others come through the bench file's keys."""
    folder = Path(__file__).parents[3] / "sequencer" / "checks"
    own = {
        file.name
        for file in folder.rglob("*.py")
        if re.search(r"\b(instrument_accuracy|mismatch|path_loss)\(", file.read_text(encoding="utf-8"))
    }
    # what a person states beside a reading; connectors that the sequence states; what the generators' stated noise may hide; the one place
    # that asks the bench file
    assert own == {"enter_reading.py", "path_loss.py", "intermodulation.py", "budgets.py", "parts.py"}
