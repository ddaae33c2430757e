"""A few jobs while workers are killed and their server is restarted: the short form of tests/benchmarks/bench_queue.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.bench_queue import go, options
from tests.support.postgres_server import PostgresServer


@pytest.mark.timeout(300)
def test_no_job_is_lost_or_doubled_by_killed_workers_and_a_restarted_server(tmp_path: Path) -> None:
    """The whole, 2,000 jobs: `python -m tests.benchmarks.bench_queue --jobs 2000 --workers 3`."""
    server = PostgresServer()  # its own: it is stopped twice
    try:
        counted = go(
            options(["--jobs", "15", "--workers", "2", "--kill-every", "2", "--seed", "5"]), tmp_path, server
        )
    finally:
        server.close()
    assert counted.kills > 0
    assert counted.restarts >= 1  # jobs may be over before the second
    assert (counted.not_done, counted.lost, counted.doubled, counted.ended_twice) == (0, 0, 0, 0)
    assert counted.without_a_job == 0
    assert counted.hazards == 0
