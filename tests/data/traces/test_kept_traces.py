"""Every run kept beside this file is replayed: its results and decisions are the same, and nothing else is asked."""

from pathlib import Path

import pytest

from sequencer.run.replay.replay import replay
from sequencer.run.replay.trace_file import read_trace

TRACES = sorted(
    one for one in Path(__file__).parent.glob("*.json*") if one.name.endswith((".json", ".json.gz"))
)


@pytest.mark.parametrize("trace", TRACES, ids=lambda trace: trace.name)
def test_a_kept_run_replays_the_same(trace: Path) -> None:
    """Today's code asks what was asked then, and comes to the same results."""
    replayed = replay(read_trace(trace))
    assert replayed.is_same, replayed.described()
