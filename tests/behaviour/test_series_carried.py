"""A series that was killed: the same command says what is done, and makes the rest of it, nothing twice and nothing lost."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from sequencer.results.store.store import Store
from tests.support.crashed import call, killed

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="killed processes are forked")

SEQUENCE = """\
sequence: Short
channels: cept-40
supply: 13.2 V
share_key: no
checks:
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
"""
UNITS = ("M40-0012", "M40-0007", "M40-0019")  # the first is off frequency
CUT_AT = 9  # the line of a journal that says that PTT is to be pressed in the second of two checks


class Here:
    """A folder with the sequence and the list, and what a command left in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.results = folder / "results"

    def words(self, *more: str) -> list[str]:
        """Return the command line."""
        unit = [] if "--units" in more else ["--serial", "M40-0007"]
        where = ["--folder", str(self.results)]
        return ["run", str(self.folder / "short.yaml"), "--bench", "bench", *unit, *where, *more]

    def again(self, *more: str) -> Any:
        """Give the command once more."""
        return call(*self.words(*more))

    def runs(self) -> list[Any]:
        """Return the runs in the store, the first first."""
        with Store.open_to_read(self.results / "results.sqlite") as store:
            return list(reversed(store.read_runs()))

    def checks(self, run: str) -> list[str]:
        """Return the checks that a run has results of that count."""
        with Store.open_to_read(self.results / "results.sqlite") as store:
            return [one.check for one in store.read_results(run) if one.counts]

    def book(self) -> list[Path]:
        """Return what tells of series that were cut short."""
        return list(self.results.glob("*.series"))


def _left_by(folder: Path, *more: str) -> Here:
    """Return what a series left that was killed in its second run."""
    (folder / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    (folder / "units.csv").write_text("serial\n" + "\n".join(UNITS) + "\n", encoding="utf-8")
    here, seen = Here(folder), list[int]()

    def in_the_second(number: int) -> bool:
        seen.extend([number] if number == CUT_AT else [])
        return len(seen) == 2

    assert os.WIFSIGNALED(killed(here.words(*more), in_the_second))
    return here


@pytest.fixture(scope="module")
def listed(tmp_path_factory: pytest.TempPathFactory) -> Here:
    """A list of three units, killed in the second; copied by whoever carries it on."""
    folder = tmp_path_factory.mktemp("listed")
    return _left_by(folder, "--units", str(folder / "units.csv"))


@pytest.fixture
def cut(listed: Here, tmp_path: Path) -> Here:
    """A copy of what it left."""
    here = Here(listed.folder)
    here.results = Path(shutil.copytree(listed.results, tmp_path / "results"))
    return here


def _rest(here: Here, *more: str) -> Any:
    """Give the command of the list again."""
    return here.again("--units", str(here.folder / "units.csv"), *more)


def test_a_list_goes_on_with_what_is_left(cut: Here) -> None:
    """The first unit stands, the second is carried on, the third is measured; the status is that of all, and nothing is left to tell."""
    done = _rest(cut)
    assert done.exit_code == 1, done.output  # the first unit's, which was found before
    assert "1 of 3 units is done and not made again: M40-0012 (limits not met)" in done.stderr
    assert "M40-0007 was cut short in carrier power, channel 20 and is carried on" in done.stderr
    assert "1 of 2 checks were finished and stand; 1 are measured now." in done.stderr
    assert "3 runs: 2 passed, 1 with limits not met; 1 of them before it was cut short" in done.stderr
    assert [(run.serial, run.outcome, len(run.resumed)) for run in cut.runs()] == [
        ("M40-0012", "done", 0),
        ("M40-0007", "done", 1),
        ("M40-0019", "done", 0),
    ]
    assert all(cut.checks(run.run) == ["frequency_error", "carrier_power"] for run in cut.runs())
    assert "carries on the series" in (cut.results / "bench.log").read_text(encoding="utf-8")
    assert cut.book() == []


def test_anew_begins_all_of_it_anew(cut: Here) -> None:
    """Said so, each unit has a run more; what was cut short stays as it is."""
    done = _rest(cut, "--anew")
    assert done.exit_code == 1, done.output
    assert "carries on" not in done.stderr
    assert [run.serial for run in cut.runs()] == [*UNITS[:2], *UNITS]
    assert cut.book() == []


def test_another_list_is_another_series(cut: Here, tmp_path: Path) -> None:
    """What is done of one list says nothing of another; the first is carried on afterwards."""
    (tmp_path / "other.csv").write_text(f"serial\n{UNITS[2]}\n{UNITS[0]}\n", encoding="utf-8")
    other = cut.again("--units", str(tmp_path / "other.csv"))
    assert (other.exit_code, "2 runs: 1 passed, 1 with limits not met." in other.stderr) == (1, True)
    assert len(cut.book()) == 1
    assert "1 of 3 units is done" in _rest(cut).stderr


def test_an_end_that_was_not_written_down_is_found_in_the_journal(cut: Here) -> None:
    """Killed between the end of a run and its line in the book, in the midst of that line: the run stands, and is not made again."""
    (book,) = cut.book()
    first, came, *_ = book.read_bytes().splitlines(keepends=True)
    book.write_bytes(first + came[:-20])
    done = _rest(cut)
    assert done.exit_code == 1, done.output
    assert "1 of 3 units is done and not made again: M40-0012 (limits not met)" in done.stderr
    # of the second run nothing is known then: it is made anew, and what was found of it stands as it was cut short
    assert [run.outcome for run in cut.runs()] == ["done", "not ended", "done", "done"]


def test_what_was_done_and_is_gone_is_made_again(cut: Here) -> None:
    """Neither the store nor a journal knows the first run any more: said, and measured."""
    for one in (*cut.results.glob("*M40-0012*"), *cut.results.glob("results.sqlite*")):
        one.unlink()
    done = _rest(cut)
    assert done.exit_code == 1, done.output
    assert "no run is done" in done.stderr
    assert "is in neither store nor folder any more; it is made again" in done.stderr
    assert sorted(run.serial for run in cut.runs()) == sorted(UNITS)


def test_a_series_that_goes_on_is_made_by_nobody_else(cut: Here) -> None:
    """Another process holds the book: refused with what to do, and nothing is measured."""
    fcntl = pytest.importorskip("fcntl")
    (book,) = cut.book()
    with book.open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        refused = _rest(cut)
    assert (refused.exit_code, "this series goes on: another process makes its runs" in refused.stderr) == (
        2,
        True,
    )
    assert len(cut.runs()) == 2


def test_a_book_on_a_full_disk_costs_nothing(cut: Here, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is left is measured all the same, and it is said what is not whole. /dev/full: full(4) of the Linux manual pages."""
    from sequencer.run.series.book import SeriesBook

    take = SeriesBook.take.__func__  # type: ignore[attr-defined]

    def full(kind: type[SeriesBook], path: Path, **options: Any) -> SeriesBook:
        book: SeriesBook = take(kind, path, **options)
        book.close()
        book._handle = os.open("/dev/full", os.O_RDWR)
        return book

    monkeypatch.setattr(SeriesBook, "take", classmethod(full))
    done = _rest(cut)
    assert done.exit_code == 1, done.output
    assert "by which a series is carried on, is not whole: No space left on device" in " ".join(
        done.stderr.split()
    )
    assert [run.outcome for run in cut.runs()] == ["done"] * 3


def test_repeats_go_on_after_resume_too(tmp_path: Path) -> None:
    """`resume` makes the rest of the run and says that it is of a series; the same command then makes the third alone."""
    here = _left_by(tmp_path, "--repeat", "3", "--every", "30 min")
    resumed = call("resume", "--folder", str(here.results))
    assert resumed.exit_code == 0, resumed.output
    assert (
        "It was run 2 of a series: the command that began it, given again, makes what is left"
        in resumed.stderr
    )
    done = here.again("--repeat", "3", "--every", "30 min")
    assert done.exit_code == 0, done.output
    assert (
        "2 of 3 runs are done and not made again: run 1 (all limits met), run 2 (all limits met)"
        in done.stderr
    )
    assert [run.outcome for run in here.runs()] == ["done"] * 3
    assert here.book() == []
