"""What wears with each unit, as bench and batch state it."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.inputs.bench_parts.connections import Connections
from sequencer.inputs.load_bench import load_bench
from sequencer.problems import FileProblems
from tests.support.desk import ROOT


@pytest.mark.parametrize(
    ("bench", "batch", "holds"),
    [
        ((500, None), (None, 100), (500, 100)),
        ((500, 900), (400, 1000), (400, 900)),
        ((None, None), (None, None), (None, None)),
    ],
)
def test_of_what_both_state_the_smaller_number_holds(
    bench: tuple[int | None, int | None],
    batch: tuple[int | None, int | None],
    holds: tuple[int | None, int | None],
) -> None:
    """Each part by itself; what one leaves out the other says."""
    first, second = (Connections(cable=cable, fixture=fixture) for cable, fixture in (bench, batch))
    for found in (first.and_of(second), second.and_of(first)):
        assert (found.cable, found.fixture) == holds


def test_a_bench_file_states_what_its_cable_is_good_for(tmp_path: Path) -> None:
    """Read with its place: a rating of nought is refused where it stands."""
    text = (ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8")
    file = tmp_path / "bench.yaml"
    file.write_text(f"{text}\nconnections: {{cable: 500}}\n", encoding="utf-8")
    assert load_bench(str(file)).bench.connections == Connections(cable=500)
    file.write_text(f"{text}\nconnections: {{cable: 0}}\n", encoding="utf-8")
    with pytest.raises(FileProblems, match=r"connections\.cable|cable") as refused:
        load_bench(str(file))
    (complaint,) = refused.value.complaints
    assert complaint.line == text.count("\n") + 2
