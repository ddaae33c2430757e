"""What a check states itself beside a row of a document: which of it counts, and in which words it is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.doubts.own_method import departures, own_limits, own_methods
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan

DOCUMENT = "EN 300 433, V2.1.1 (2016)"
ACP = "check: adjacent_channel_power, channel: {}, drive: 10 mV, limits_from: {{file: en-300-433, row: adjacent channel power}}"
POWER = "check: carrier_power, channel: {}, limits_from: {{file: en-300-433, row: carrier power}}"


def _plan(folder: Path, *checks: str) -> Plan:
    lines = "\n".join(f"  - {{{check}}}" for check in checks)
    file = folder / "sequence.yaml"
    file.write_text(
        "sequence: Own\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\n"
        f"prepare: [{{confirm: knobs right}}]\nchecks:\n{lines}\n",
        encoding="utf-8",
    )
    return make_plan(load_sequence(str(file)), load_bench("spectrum-bench"), serial="M40-0041")


def _told(folder: Path, **instead: tuple[Any, Any]) -> tuple[str, ...]:
    """Return what is told of a check beside a row that has other settings; each as the check has it, and the row."""
    plan = _plan(folder, ACP.format(20))
    step = plan.steps[-1]
    row = plan.sequence.rows.at(step.at)
    assert row is not None
    return departures(step, replace(row, instead=instead))


def test_what_several_checks_state_is_told_once_with_their_names(tmp_path: Path) -> None:
    """Limits before methods, in the plan's order; a check of two channels stands once; one that names no row says nothing."""
    plan = _plan(
        tmp_path,
        "check: frequency_error, channel: 20, limit: {within: 600 Hz}",
        POWER.format("[1, 20]").replace("limits_from", "limit: {max: 3 W}, limits_from"),
        ACP.format(20).replace(
            "limits_from", "bandwidth: 7 kHz, ratio: {min: 50 dB}, limit: {max: 1 uW}, limits_from"
        ),
        ACP.format(1).replace("limits_from", "bandwidth: 7 kHz, limits_from"),
    )
    limit = f"a limit of its own, not that of {DOCUMENT}"
    assert list(own_methods(plan).items()) == [
        (limit, ("carrier_power", "adjacent_channel_power")),
        (f"bandwidth 7 kHz, not 8.5 kHz as in {DOCUMENT}", ("adjacent_channel_power",)),
    ]
    rows = plan.sequence.rows
    said = [(step.check.name, own_limits(step, row)) for step in plan.steps if (row := rows.at(step.at))]
    assert said == [
        *[("carrier_power", {"limit"})] * 2,
        ("adjacent_channel_power", {"limit"}),
        ("adjacent_channel_power", set()),
    ]


@pytest.mark.parametrize(
    ("key", "own", "theirs", "said"),
    [
        ("resolution_bandwidth", "1 kHz", "100 Hz", "resolution bandwidth 1 kHz, not 100 Hz"),
        ("tone", ["400 Hz", "2.5 kHz"], ["1250 Hz"], "tone 400 Hz, 2.5 kHz, not 1250 Hz"),
        ("nobody_knows", True, False, "nobody knows on, not off"),
        ("nobody_knows", 3, 2.5, "nobody knows 3, not 2.5"),
        ("nobody_knows", [{"from": "1 MHz"}], {"from": "2 MHz"}, "nobody knows another, not another"),
        ("drive", "nonsense", "10 mV", "drive nonsense, not 10 mV"),
    ],
)
def test_a_setting_is_told_as_the_check_and_the_row_have_it(
    tmp_path: Path, key: str, own: Any, theirs: Any, said: str
) -> None:
    """On and off, lists with commas, a mask without its rows; also what nobody can read is another."""
    assert _told(tmp_path, **{key: (own, theirs)}) == (f"{said} as in {DOCUMENT}",)


@pytest.mark.parametrize(
    ("key", "own", "theirs"),
    [
        ("resolution_bandwidth", "1 kHz", "1000 Hz"),
        ("drive", "10 mV", "0.01 V"),
        ("drive", "nonsense", "nonsense"),
        ("nobody_knows", 3, 3.0),
        ("limit", {"max": "1 uW"}, {"max": "2 uW"}),
        ("ratio", {"min": "50 dB"}, {"min": "60 dB"}),
        ("channel", 20, 1),
        ("mode", "FM", "AM"),
        ("at", {"supply": ["10 V"]}, {}),
    ],
)
def test_what_is_the_same_or_no_method_is_no_departure(
    tmp_path: Path, key: str, own: Any, theirs: Any
) -> None:
    """The same in other words, a limit, and where or under which conditions it is measured."""
    assert _told(tmp_path, **{key: (own, theirs)}) == ()
