"""A bench file with a mistake of its own hides no mistake of the profiles and loss tables that it names."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.inputs.load_bench import load_bench
from sequencer.problems import FileProblems

BENCH = """
name: Low shelf
settle: 1e9 s
instruments:
  power_meter: {address: "TCPIP0::192.0.2.1::5025::SOCKET", profile: mine.yaml}
  switch: {address: "TCPIP0::192.0.2.2::5025::SOCKET", profile: nowhere.yaml}
paths:
  transmit: {loss: pad.yaml, rating: 10 W}
  receive: {loss: [1, 2]}
"""


def _complaints(folder: Path, bench: str) -> str:
    (folder / "b.yaml").write_text(bench, encoding="utf-8")
    (folder / "mine.yaml").write_text("power: {quary: 'READ?'}\n", encoding="utf-8")
    (folder / "pad.yaml").write_text("losses: nought\n", encoding="utf-8")
    with pytest.raises(FileProblems) as raised:
        load_bench(str(folder / "b.yaml"))
    return str(raised.value)


def test_one_look_tells_all(tmp_path: Path) -> None:
    """The bench file's own, the broken profile's, the missing profile's place and the loss table's, in one answer."""
    said = _complaints(tmp_path, BENCH)
    for place in ("b.yaml:3:", "mine.yaml:1:", "b.yaml:6:", "pad.yaml:1:"):
        assert place in said, said
    assert "nowhere.yaml" in said


def test_what_cannot_be_read_at_all_is_told_alone(tmp_path: Path) -> None:
    """Text that is no YAML names no file."""
    said = _complaints(tmp_path, "name: [")
    assert "b.yaml" in said
    assert "mine.yaml" not in said
