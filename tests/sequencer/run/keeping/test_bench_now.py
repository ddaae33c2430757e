"""What a bench says of itself while it is worked: a run loses nothing by it, whatever becomes of the store."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.cli.unattended.watched import WatchedSeries
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import make_plan
from sequencer.results.bench_now import BenchNow, Doing, Worked
from sequencer.results.store.bench_now import BenchNowWriter
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store
from sequencer.run.events import CheckStarted, Event, RunEnded
from sequencer.run.interrupt import stoppable
from sequencer.run.keeping.bench_now import BenchTeller
from sequencer.run.people.confirm import GivenBeforehand
from sequencer.run.record import Record, RunFacts
from sequencer.run.runner import Runner
from sequencer.run.series.events import Waits
from sequencer.run.series.turn import SeriesUnit, Turn
from sequencer.run.status import ExitStatus

QUICK = ("run", "quick-check", "--bench", "sim/bench.yaml", "--confirmed")


def _benches(folder: Path) -> list[BenchNow]:
    with Store.open_to_read(folder / "results.sqlite") as store:
        return store.read_benches()


def test_a_run_says_what_it_did_and_how_the_bench_was_left(tmp_path: Path) -> None:
    """After a run its bench has ended, safe as read back, with what failed and when calibrations run out; the next takes its place."""
    for serial, status in (("M40-0007", 0), ("M40-0011", 1)):
        given = (*QUICK, "--serial", serial, "--station", "Line 1", "--folder", str(tmp_path))
        assert CliRunner().invoke(main, given).exit_code == status
    (found,) = _benches(tmp_path)
    assert found.ended
    assert found.worked.simulated
    assert (found.worked.bench, found.worked.station) == ("Demonstration bench (simulated)", "Line 1")
    doing = found.doing
    assert (doing.serial, doing.phase, doing.number, doing.checks) == ("M40-0011", "ended", 5, 5)
    assert doing.safe is True
    assert "read back" in doing.safe_why
    assert doing.wrong == ("sensitivity, 12 dB SINAD, channel 20: fail",)
    assert ("signal_generator", "2027-06-30") in [(one.name, one.due) for one in doing.calibrated]


def test_a_station_says_its_verdict_and_what_its_session_came_to(tmp_path: Path) -> None:
    """The last word of a session at a station holds the verdict of its last unit and how the bench was left."""
    given = ("line", "quick-check", "--bench", "sim/bench.yaml", "--confirmed", "--folder", str(tmp_path))
    done = CliRunner().invoke(main, given, input="M40-0011\n")
    assert done.exit_code == 1
    (found,) = _benches(tmp_path)
    doing = found.doing
    assert (found.ended, doing.program, doing.serial, doing.verdict) == (True, "line", "M40-0011", "FAIL")
    assert doing.counts.startswith("passed 0, failed 1")
    assert doing.wrong
    assert (doing.safe, "read back" in doing.safe_why) == (True, True)


def test_a_series_says_when_its_next_run_begins(tmp_path: Path) -> None:
    """Between two runs the bench waits, and says until when; at the end it has ended, by the one row of its session."""
    place = StorePlace(path=tmp_path / "results.sqlite")
    teller = BenchTeller(place, bench="Bench 2", simulated=True, program="series")
    watched = WatchedSeries(teller)
    now = datetime(2027, 1, 2, 3, 0, tzinfo=UTC)
    turn = Turn(
        number=2,
        of=3,
        attempt=1,
        unit=SeriesUnit(serial="M40-0007", model="M40", comment="", forecast_s=60.0),
    )
    watched(Waits(time=now, turn=turn, begins=now + timedelta(hours=1)))
    assert (teller.doing.phase, teller.doing.notes) == (
        "waiting",
        ("run 2 of 3 begins at 2027-01-02 04:00+00:00",),
    )
    given = (
        *QUICK,
        "--serial",
        "M40-0007",
        "--only",
        "carrier_power",
        "--repeat",
        "2",
        "--folder",
        str(tmp_path),
    )
    assert CliRunner().invoke(main, given).exit_code == 0
    (found,) = _benches(tmp_path)
    assert (found.ended, found.doing.program, found.doing.safe) == (True, "series", True)


def test_a_run_that_was_killed_is_not_told_as_ended(tmp_path: Path) -> None:
    """SIGKILL leaves the check under way and no end; only its silence tells, which is what `is_gone` goes by."""
    script = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from sequencer.results.store.place import StorePlace\n"
        "from sequencer.results.store.store import Store\n"
        "from sequencer.run.events import CheckStarted\n"
        "from sequencer.run.keeping.bench_now import BenchTeller\n"
        "place = StorePlace(path=Path(sys.argv[1]))\n"
        "store = Store.open(place)\n"
        "with BenchTeller(place, bench='Bench 2', simulated=False, program='run') as teller:\n"
        "    teller.listen(CheckStarted(index=0, label='carrier power, channel 1', remaining_s=9.0))\n"
        "    while not any(one.doing.check for one in store.read_benches()):\n"
        "        pass\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    path = tmp_path / "results.sqlite"
    died = subprocess.run([sys.executable, "-c", script, str(path)], check=False, timeout=60)
    assert died.returncode == -signal.SIGKILL
    (found,) = _benches(tmp_path)
    assert (found.ended, found.doing.check, found.doing.safe) == (False, "carrier power, channel 1", None)


class _Broken(BenchNowWriter):
    """A store that takes nothing."""

    def begin(self, worked: Worked, doing: Doing, *, ended: bool = False) -> None:
        raise sqlite3.OperationalError("disk I/O error")


def test_a_word_that_cannot_be_written_is_noted_and_costs_nothing(tmp_path: Path) -> None:
    """Nothing is raised into a run, whatever the store says; why is kept for whoever asks."""
    place = StorePlace(path=tmp_path / "results.sqlite")
    with BenchTeller(place, bench="B", simulated=True, program="run", make_writer=_Broken) as teller:
        teller.listen(CheckStarted(index=0, label="x", remaining_s=1.0))
    assert teller.problem == "disk I/O error"
    assert teller.doing.check == ""
    assert teller.doing.phase == "ended"


def test_who_says_it_does_not_wait_for_a_store_that_others_hold(tmp_path: Path) -> None:
    """Another program holds the store: words come and go meanwhile, nothing is raised, and no row is left."""
    Store.open(tmp_path / "results.sqlite").close()
    with closing(sqlite3.connect(tmp_path / "results.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        place = StorePlace(path=tmp_path / "results.sqlite")
        with BenchTeller(place, bench="Other", simulated=False, program="run") as teller:
            teller.listen(CheckStarted(index=0, label="x", remaining_s=1.0))
            assert teller.doing.check == "x"
        while (
            teller._thread.is_alive()
        ):  # its last word may still be waiting, and would get through once the store is let go
            time.sleep(0.01)
        assert "locked" in teller.problem
        other.execute("ROLLBACK")
    with Store.open(tmp_path / "results.sqlite") as store:
        assert store.read_benches() == []


def _ended_after_nothing(folder: Path) -> RunEnded:
    """Return the last event of a run that was stopped before it began."""
    place = folder / "results"
    heard: list[Event] = []
    loaded = load_bench("sim/bench.yaml")
    proved = make_plan(load_sequence("quick-check"), loaded, serial="M40-0007")
    parts = bench_parts(loaded, serial="M40-0007", dry_run=False)
    facts = RunFacts(
        run="stopped", time=datetime.now().astimezone(), serial="M40-0007", model="", simulated=True,
        bench_name="bench (simulated)", plan=proved,
    )  # fmt: skip
    with stoppable() as stopper, Record(place, facts) as record:
        stopper.ask("SIGTERM")
        outcome = Runner(proved, parts, record, GivenBeforehand(), [heard.append]).run()
    assert outcome.status is ExitStatus.INTERRUPTED
    (ended,) = (one for one in heard if isinstance(one, RunEnded))
    return ended


def test_a_run_that_sent_nothing_leaves_its_bench_as_it_stood(tmp_path: Path) -> None:
    """It is not called unsafe on any list, nor safe; a bench that was left on before it stays so."""
    ended = _ended_after_nothing(tmp_path)
    assert ended.outcome == "interrupted (SIGTERM), before anything was sent to the bench"
    with Store.open_to_read(tmp_path / "results" / "results.sqlite") as store:
        run = store.read_run("stopped")
    assert run is not None
    assert (run.status, run.bench_safe, run.was_left_unsafe, run.was_left_as_it_stood) == (
        4,
        False,
        False,
        True,
    )
    assert replace(run, outcome="interrupted (SIGTERM)").was_left_unsafe
    said = CliRunner().invoke(main, ("results", "--folder", str(tmp_path / "results")))
    assert said.exit_code == 0, said.output
    assert "before anything was sent to the bench" in said.output
    assert "not confirmed safe" not in said.output
    teller = BenchTeller(StorePlace(path=tmp_path / "no.sqlite"), bench="b", simulated=False, program="run")
    teller.listen(ended)
    assert (teller.doing.safe, "nothing was sent" in teller.doing.safe_why) == (None, True)
    for event in (replace(ended, outcome="bench failed", last_line="PTT stays on."), ended):
        teller.listen(event)
    assert (teller.doing.safe, teller.doing.safe_why) == (False, "PTT stays on.")
