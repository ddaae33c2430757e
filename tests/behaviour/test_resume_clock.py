"""A run that is carried on after somebody has set the clock back, and in another time zone: whole, in order, and honest about when."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from tests.support.crashed import RUN, SEQUENCE, Left, call, killed, left_in

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="killed processes are forked")

CUT_AT = 16  # the line of the journal at which the third of four checks has begun
A_DAY_BACK = """
import datetime, sys, time
class Back(datetime.datetime):
    @classmethod
    def now(cls, tz=None):
        return super().now(tz) - datetime.timedelta(days=1)
datetime.datetime = Back
told = time.time
time.time = lambda: told() - 86400.0
from sequencer.cli.main import main
main(sys.argv[1:])
"""
"""The command line in a process whose time of day is a day behind; what it waits by goes on as ever."""
SET_BACK_MIDWAY = """
import datetime, os, pathlib, signal, sys, time
folder, ends_at = pathlib.Path(sys.argv[-1]), int(sys.argv.pop(1))
def shift_s():
    ended = sum(one.read_bytes().count(b'"check ended"') for one in folder.glob("*.journal"))
    if ended == ends_at:
        os.kill(os.getpid(), signal.SIGKILL)
    return 7200.0 if ended else 0.0
class Back(datetime.datetime):
    @classmethod
    def now(cls, tz=None):
        return super().now(tz) - datetime.timedelta(seconds=shift_s())
datetime.datetime = Back
told = time.time
time.time = lambda: told() - shift_s()
from sequencer.cli.main import main
main(sys.argv[1:])
"""
"""One whose time of day is set back by two hours once its first check has ended; it is killed after as many as its first word says."""


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with an undisturbed run in `whole`, and one in `cut` that was killed in its third check."""
    folder = tmp_path_factory.mktemp("clock")
    (folder / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    words = ("run", str(folder / "short.yaml"), *RUN, "--folder")
    assert call(*words, str(folder / "whole")).exit_code == 0
    assert os.WIFSIGNALED(killed((*words, str(folder / "cut")), lambda number: number == CUT_AT))
    return folder


@pytest.fixture
def cut(here: Path, tmp_path: Path) -> Path:
    """A copy of the run that was killed."""
    return Path(shutil.copytree(here / "cut", tmp_path / "cut"))


def _is_whole(folder: Path, whole: Left) -> None:
    left = left_in(folder)
    assert left.measured == whole.measured
    assert left.outcome == "done"
    assert left.whole


def test_a_clock_that_was_set_back_loses_and_doubles_nothing(here: Path, cut: Path) -> None:
    """Carried on a day before it began, by its own words: all results once, and the times are those that the clock showed."""
    done = subprocess.run(
        [sys.executable, "-c", A_DAY_BACK, "resume", "--confirmed", "--folder", str(cut)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    _is_whole(cut, left_in(here / "whole"))
    with Store.open_to_read(find_place(cut, "")) as store:
        (run,) = store.read_runs()
        results = store.read_results(run.run)
    (again,) = run.resumed
    assert again < run.time
    before = {one.check for one in results if one.time >= run.time}
    after = {one.check for one in results if one.time < run.time}
    assert {"carrier_power", "frequency_error"} <= before
    assert {"sinad", "enter_reading"} <= after
    assert "The bench is safe" in done.stderr
    nothing_left = call("resume", "--folder", str(cut))
    assert (nothing_left.exit_code, "nothing left to measure" in nothing_left.output) == (0, True)
    replayed = call("replay", "last", "--folder", str(cut))
    assert replayed.exit_code == 0, replayed.output
    assert "8 of 8 results the same" in replayed.output


def _set_back(here: Path, folder: Path, ends_at: int = 99) -> subprocess.CompletedProcess[str]:
    run = ("run", str(here / "short.yaml"), *RUN, "--folder", str(folder))
    return subprocess.run(
        [sys.executable, "-c", SET_BACK_MIDWAY, str(ends_at), *run],
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("ends_at", [2, 3, 4])
def test_a_run_that_had_said_so_is_carried_on(here: Path, tmp_path: Path, ends_at: int) -> None:
    """Killed after the clock was set: what was found of the bench while it was measured is read back with the rest, and stands."""
    folder = tmp_path / "back"
    assert _set_back(here, folder, ends_at).returncode == -9
    done = call("resume", "--folder", str(folder), "--confirmed", *RUN[-2:])
    assert done.exit_code == 0, done.output
    left = left_in(folder)
    assert [one for one in left.measured if "time of day" not in str(one)] == list(
        left_in(here / "whole").measured
    )
    with Store.open_to_read(find_place(folder)) as store:
        rows = store.read_results(store.read_runs()[0].run)
    assert [one.counts for one in rows if one.check == "bench_health"].count(True) >= 1


def test_a_clock_that_is_set_back_in_mid_run_is_told_beside_the_results(here: Path, tmp_path: Path) -> None:
    """The run goes on and finds what it always finds; its rows carry the time that was shown, and one says that it was set."""
    folder = tmp_path / "back"
    done = _set_back(here, folder)
    assert done.returncode == 0, done.stderr
    assert done.stderr.count("warning: the computer's clock was set back by 2.0 h") == 1
    with Store.open_to_read(find_place(folder)) as store:
        run = store.read_runs()[0].run
        rows = store.read_results(run)
    (said,) = [one for one in rows if one.check == "bench_health"]
    assert "do not go on from each other" in said.note
    left = left_in(folder)
    assert [one for one in left.measured if "time of day" not in str(one)] == list(
        left_in(here / "whole").measured
    )
    assert call("replay", "last", "--folder", str(folder)).exit_code == 0
    (journal,) = folder.glob("*.journal")
    assert call("import-kept", str(journal), "--folder", str(tmp_path / "other")).exit_code == 0


def test_another_time_zone_moves_no_moment(here: Path, cut: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Carried on ten hours east: results are in order of the moments, each with the offset that held then, and none is lost or doubled."""
    monkeypatch.setenv("TZ", "XYZ-10")
    import time

    time.tzset()
    try:
        done = call("resume", "--confirmed", "--folder", str(cut))
    finally:
        monkeypatch.undo()
        time.tzset()
    assert done.exit_code == 0, done.output
    _is_whole(cut, left_in(here / "whole"))
    with Store.open_to_read(find_place(cut, "")) as store:
        (run,) = store.read_runs()
        results = store.read_results(run.run)
    (again,) = run.resumed
    assert run.time < again < datetime.now(UTC)
    assert all(run.time <= one.time < datetime.now(UTC) for one in results)
    (late,) = {one.time.utcoffset() for one in results if one.check == "sinad"}
    (early,) = {one.time.utcoffset() for one in results if one.check == "carrier_power"}
    assert late != early
    assert late == timedelta(hours=10)
