"""A run and its repeats, put together: in order, and as one run for a report."""

from __future__ import annotations

from typing import Any

from sequencer.analysis.repeats import as_one, in_order
from sequencer.results.stored import StoredResult, StoredRun
from tests.support.stored_rows import instrument, level_row, run_of


def _row(value: float, index: int, run: str, replaced_by: str = "", **other: Any) -> StoredResult:
    return level_row(value, check_index=index, run=run, replaced_by=replaced_by, **other)


def _member(run: str, *rows: StoredResult, **other: Any) -> StoredRun:
    return run_of(list(rows), run=run, **other)


FIRST = _member("run-1", _row(-110.0, 1, "run-1", "run-3"), _row(-118.0, 2, "run-1", quantity="S9 point"))
SECOND = _member("run-2", _row(-119.0, 1, "run-2", "run-3"), again="run-1", reason="plug", part="sensitivity")
THIRD = _member(
    "run-3", _row(-120.0, 1, "run-3"), again="run-1", reason="pad", part="sensitivity",
    instruments=(instrument(serial="2202"),), bench_safe=False,
)  # fmt: skip


def test_a_repeat_stands_below_what_it_replaces() -> None:
    """All results in the order of the sequence; what does not count says so and where it was repeated."""
    rows = in_order([FIRST, SECOND, THIRD])
    assert [(row.run, row.value) for row in rows] == [
        ("run-1", -110.0),
        ("run-2", -119.0),
        ("run-3", -120.0),
        ("run-1", -118.0),
    ]
    assert [bool("does not count: repeated in run run-3" in row.note) for row in rows] == [
        True,
        True,
        False,
        False,
    ]


def test_as_one_run_only_what_counts_is_left() -> None:
    """The last repeat stands in the first one's place and names what was found before; instruments and safety are those of all."""
    whole = as_one([FIRST, SECOND, THIRD])
    assert [(row.run, row.value) for row in whole.results] == [("run-3", -120.0), ("run-1", -118.0)]
    note = whole.results[0].note
    assert "found before: " in note
    assert "in run run-1" in note
    assert "in run run-2" in note
    assert whole.results[1].note == ""
    assert whole.run == "run-1"
    assert {one.name for one in whole.instruments} == {"signal_generator", "signal_generator, in run run-3"}
    assert whole.bench_safe is False
    assert [one.reason for one in whole.repeats] == ["plug", "pad"]


def test_a_run_without_repeats_is_itself() -> None:
    """Nothing is added to a run that nobody repeated."""
    alone = _member("run-9", _row(-118.0, 0, "run-9"))
    assert as_one([alone]) == alone
