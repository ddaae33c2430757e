"""What the files say twice: the plan refuses two answers, and names both places."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sequencer.files.shipped import find_file
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import FileProblems

HEAD = "sequence: S\nchannels: plans/cept-40.yaml\nsupply: 13.2 V\nchecks:\n"


def _plan(folder: Path, checks: str, dial: str = "") -> Plan:
    """Plan ``checks`` on the bench where a person reads the voltmeter, with that dial."""
    (folder / "s.yaml").write_text(HEAD + checks, encoding="utf-8")
    text = find_file("manual-bench", "bench").read_text(encoding="utf-8")
    text, count = re.subn(r"(?m)^(  voltmeter:).*(\n    .*)*", rf"\1\n    driver: operator\n{dial}", text)
    assert count == 1
    text = text.replace("unit: units", f"unit: {find_file('m40-0007', 'unit').parent}")
    (folder / "b.yaml").write_text(text, encoding="utf-8")
    return make_plan(
        load_sequence(str(folder / "s.yaml")), load_bench(str(folder / "b.yaml")), serial="M40-0007"
    )


S9 = "  - {check: s9_point, channel: 20, target: 2.25 V}\n"
CURVE = "  - {check: s_meter_curve, channel: 20, marks: {S3: 0.75 V, S9: 2.25 V}}\n"


def test_a_dial_and_a_target_that_differ_are_refused_with_both_places(tmp_path: Path) -> None:
    """A dial whose S9 stands for 3 V would let 2.25 V be found at S6.75, and pass that off as S9."""
    with pytest.raises(FileProblems) as caught:
        _plan(tmp_path, S9, "    dial: S units\n    s9: 3 V\n")
    (complaint,) = caught.value.complaints
    assert complaint.place == f"{tmp_path / 's.yaml'}:5:44"
    bench_lines = (tmp_path / "b.yaml").read_text(encoding="utf-8").splitlines()
    line = next(number for number, one in enumerate(bench_lines, start=1) if one == "    s9: 3 V")
    assert f"{tmp_path / 'b.yaml'}:{line}:9" in complaint.message
    assert "2.25 V for S9" in complaint.message
    assert "3 V there" in complaint.message
    assert "2.25 V" in complaint.allowed


@pytest.mark.parametrize(
    "dial",
    [
        "",
        "    dial: V\n",
        "    dial: S units\n    s9: 2.25 V\n",
        "    dial: S units\n    s9: 2250 mV\n    s_unit: 250 mV\n",
    ],
)
def test_what_agrees_is_planned(tmp_path: Path, dial: str) -> None:
    """A dial in volts says nothing of S9; one in S units with the same voltage agrees, in whatever unit it is written."""
    assert len(_plan(tmp_path, S9 + CURVE, dial).steps) == 2


def test_every_mark_is_held_against_the_dial(tmp_path: Path) -> None:
    """S3 on a dial of 0.3 V a unit stands for 2.25 V − 6 · 0.3 V, not for 0.75 V."""
    with pytest.raises(FileProblems) as caught:
        _plan(tmp_path, CURVE, "    dial: S units\n    s9: 2.25 V\n    s_unit: 0.3 V\n")
    (complaint,) = caught.value.complaints
    assert "0.75 V for S3" in complaint.message
    assert "0.45 V there" in complaint.message


def test_two_checks_that_differ_over_a_mark_are_refused(tmp_path: Path) -> None:
    """S9 is one voltage on one channel in one mode; on another channel, or for a bar of segments, it may be another."""
    with pytest.raises(FileProblems) as caught:
        _plan(tmp_path, S9 + CURVE.replace("S9: 2.25 V", "S9: 2.4 V"))
    (complaint,) = caught.value.complaints
    assert "S9 is 2.4 V here and 2.25 V at" in complaint.message
    assert f"{tmp_path / 's.yaml'}:5:44" in complaint.message
    other = CURVE.replace("S9: 2.25 V", "S9: 2.4 V")
    assert _plan(tmp_path, S9 + other.replace("channel: 20", "channel: 1"))
    assert _plan(tmp_path, S9 + other.replace("channel: 20", "channel: 20, meter: segments"))
