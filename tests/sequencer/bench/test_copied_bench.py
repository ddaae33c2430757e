"""A copy of a shipped bench, anywhere, is the shipped bench: what it names is found by its name."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.bench.simulation import shelf_serials
from sequencer.files.shipped import find_file, shipped_names
from sequencer.inputs.load_bench import load_bench

_SIMULATED = [name for name in shipped_names("bench") if load_bench(name).bench.visa == "sim"]


@pytest.mark.parametrize("name", _SIMULATED)
def test_a_copy_has_the_same_specimens(tmp_path: Path, name: str) -> None:
    """The shelf is the shipped one, until a folder of that name stands beside the copy."""
    copy = tmp_path / "copy.yaml"
    copy.write_bytes(find_file(name, "bench").read_bytes())
    loaded = load_bench(str(copy))
    assert shelf_serials(loaded) == shelf_serials(load_bench(name)) != []
    (tmp_path / "units").mkdir()
    (tmp_path / "units" / "mine.yaml").write_bytes(find_file("m40-0011", "unit").read_bytes())
    if loaded.bench.unit == "units":
        assert shelf_serials(loaded) == ["M40-0011"]
