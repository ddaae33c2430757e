"""The exit status of several benches at once."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

import pytest

from sequencer.cli.benches.lane import Lane, worst


def _lane(*runs: Mapping[str, Any]) -> Lane:
    statuses = [one["status"] for one in runs]
    return Lane(
        name="Bench",
        line=2,
        words=(),
        units=deque(),
        manual=False,
        runs=[dict(one) for one in runs],
        statuses=statuses,
    )


@pytest.mark.parametrize(
    ("first", "second", "status"),
    [
        ((0, True), (1, True), 1),
        ((4, True), (3, True), 4),
        ((4, True), (3, False), 3),
        ((4, False), (0, True), 4),
    ],
    ids=["failed", "interrupted", "may be on", "nothing was sent"],
)
def test_the_status_of_all_is_the_highest_but_a_bench_that_may_be_on_comes_first(
    first: tuple[int, bool], second: tuple[int, bool], status: int
) -> None:
    """A run that was interrupted before it sent anything knows of no safe bench, and left none on."""
    lanes = [_lane({"status": ended, "bench_safe": safe}) for ended, safe in (first, second)]
    assert worst(lanes) == status


def test_of_no_run_it_was_interrupted() -> None:
    """Where nothing ran nothing passed."""
    assert worst([_lane()]) == 4
