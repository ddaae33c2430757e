"""The heading of a check with its place, and what came of it, as lines."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.cli.screens.check_lines import CheckLines
from sequencer.run.events import Event
from tests.support.desk import ROOT, by_hand, run_by_hand

CHECKS = """
sequence: lines
channels: plans/cept-40.yaml
mode: FM
share_key: no
supply: 13.2 V
prepare: [{confirm: knobs right}]
checks:
  - {check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}
  - {check: peak_deviation, channel: 20, drive: 100 mV, limit: {max: 1 kHz}}
  - {check: channel_sweep, sweep: [1, 20, 40], power: {min: 3 W, max: 4 W}}
"""


@pytest.fixture(scope="module")
def events(tmp_path_factory: pytest.TempPathFactory) -> list[Event]:
    """What a run on the simulated bench tells its listeners."""
    folder: Path = tmp_path_factory.mktemp("lines")
    (folder / "lines.yaml").write_text(CHECKS, encoding="utf-8")
    told: list[Event] = []
    bench = by_hand((ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8"), ())
    run_by_hand(folder, str(folder / "lines.yaml"), bench, listeners=[told.append])
    return told


def lines(events: list[Event], *, headed: bool) -> list[str]:
    """Return all lines of a run."""
    shown = CheckLines(headed=headed)
    return [line for event in events for line in shown.of(event)]


def test_a_line_says_place_label_value_and_decision(events: list[Event]) -> None:
    """One line a result; the second of a check stands below the first; many results are counted by decision."""
    said = lines(events, headed=False)
    power, positive, negative, sweep = said[-4:]
    assert power.startswith("2 of 4  carrier power, ch 20   ")
    assert " W" in power
    assert power.endswith("  pass")
    assert positive.startswith("3 of 4  peak deviation, ch 20")
    assert positive.endswith("  fail")
    assert negative.startswith("        peak deviation, negative")
    assert negative.endswith("  fail")
    assert sweep.startswith("4 of 4  channel sweep")
    assert "7 results: 4 pass, 3 no limit" in sweep


def test_a_heading_stands_before_a_check_where_a_person_is_asked(events: list[Event]) -> None:
    """Who is asked in the middle of a check knows which it is."""
    said = lines(events, headed=True)
    at = said.index("2 of 4  carrier power, ch 20")
    assert said[at + 1].startswith("2 of 4  carrier power, ch 20   ")
    assert len([line for line in said if line.startswith("4 of 4")]) == 2
