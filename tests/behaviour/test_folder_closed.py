"""A results folder that is closed to writing in the middle of a run: what stands somewhere stands there, and the rest says why."""

from __future__ import annotations

import csv
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sequencer.bench.open_bench import BenchParts
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import Plan, make_plan
from sequencer.run.events import CheckEnded, Event
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.another_user import as_nobody, two_users
from tests.support.running import run_plan

SEQUENCE = """\
sequence: Closed
channels: cept-40
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
  - {check: record_audio, channel: 20, of: receive, level: -73 dBm, duration: 0.2 s}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
"""


@pytest.fixture
def open_to_all() -> Iterator[Path]:
    """A folder that every user may reach and write to."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o777)
        yield folder


def _planned(folder: Path) -> Callable[[bool], None]:
    """Plan a run in ``folder``, with all that is read for it read now; return what makes it, and looks at it."""
    file = folder / "closed.yaml"
    file.write_text(SEQUENCE, encoding="utf-8")
    loaded = load_bench("sim/bench.yaml")
    plan = make_plan(load_sequence(str(file)), loaded, serial="M40-0007")
    parts = bench_parts(loaded, serial="M40-0007", dry_run=False)
    return lambda closes: _run_and_look(folder, plan, parts, closes=closes)


def _run_and_look(folder: Path, plan: Plan, parts: BenchParts, *, closes: bool) -> None:
    """Run in ``folder``, which is closed once the first check has ended, and hold what is said against what stands there."""
    results = folder / "results"

    def close(event: Event) -> None:
        if isinstance(event, CheckEnded) and event.index == 0 and closes:
            for one in results.iterdir():
                one.chmod(0o444)
            results.chmod(0o555)

    ran = run_plan(folder, "M40-0007", plan, parts, [close])
    assert ran.number("carrier power") > 3.0
    assert ran.number("frequency error") is not None
    recorded = ran.found("receive audio, recorded")
    if not closes:
        assert ran.outcome.status is ExitStatus.PASSED
        return
    assert recorded.decision is Decision.NOT_MEASURED
    assert "not kept: Permission denied" in recorded.note
    assert ran.outcome.status is ExitStatus.BENCH_FAILED
    (problem,) = ran.outcome.problems
    assert "Permission denied. Check who may write to that folder." in problem
    (table,) = results.glob("*.csv")
    with table.open(encoding="utf-8", newline="") as rows:
        assert len(list(csv.DictReader(rows))) == len(ran.outcome.results)
    with sqlite3.connect(f"file:{results / 'results.sqlite'}?mode=ro", uri=True) as store:
        assert store.execute("SELECT count(*) FROM result").fetchone() == (len(ran.outcome.results),)


@two_users
def test_a_folder_that_is_closed_in_mid_run_costs_only_what_needs_a_new_file(open_to_all: Path) -> None:
    """Table and store are open already and get every row; the recording is not kept, says why and where to look, and the status is 3."""
    # whoever may read the program's files is first; what a run loads is loaded then
    (open_to_all / "before").mkdir(mode=0o777)
    _planned(open_to_all / "before")(False)
    closed = open_to_all / "closed"
    closed.mkdir()
    closed.chmod(0o777)
    run = _planned(closed)
    assert as_nobody(lambda: run(True)) == ""
