"""What a run says is kept where stands there, whichever check was under way when store, table or folder went.

What stands is read past the product, by csv, sqlite3 and json of the standard library. Disks that are full: test_full_disk.py.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.run.events import CheckStarted, Event
from sequencer.run.people.confirm import GivenBeforehand
from sequencer.run.record import Record
from sequencer.run.runner import Runner
from sequencer.run.status import ExitStatus
from tests.support.every_check import EVERY_CHECK, rig_of
from tests.support.rig import Nodding, Rig


def _store_taken_away(folder: Path) -> None:
    for one in folder.glob("results.sqlite*"):
        one.unlink()


def _store_moved(folder: Path) -> None:
    for one in folder.glob("results.sqlite*"):
        one.rename(one.with_name("away-" + one.name))


def _store_made_anew(folder: Path) -> None:
    _store_taken_away(folder)
    (folder / "results.sqlite").write_bytes(b"")


def _table_taken_away(folder: Path) -> None:
    for one in folder.glob("*.csv"):
        one.unlink()


def _folder_taken_away(folder: Path) -> None:
    shutil.rmtree(folder)


NAMES = list(EVERY_CHECK)
STORE_GOES = (_store_taken_away, _store_moved, _store_made_anew)


def _troubles(name: str) -> tuple[Callable[[Path], None], ...]:
    """Return what befalls a check's folder: table and folder go in each, the store in one of three ways, which take turns."""
    return STORE_GOES[NAMES.index(name) % len(STORE_GOES)], _table_taken_away, _folder_taken_away


def _in_table(folder: Path) -> int:
    rows = 0
    for one in folder.glob("*.csv"):
        with one.open(encoding="utf-8", newline="") as file:
            rows += len(list(csv.DictReader(file)))
    return rows


def _in_store(folder: Path) -> int:
    store = folder / "results.sqlite"
    if not store.exists() or store.stat().st_size == 0:
        return 0
    with closing(sqlite3.connect(f"{store.as_uri()}?mode=ro", uri=True)) as opened:
        return int(opened.execute("select count(*) from result").fetchone()[0])


def _beside(folder: Path) -> int:
    return max(
        (
            sum(len(json.loads(line).get("results", ())) for line in one.read_text("utf-8").splitlines())
            for one in folder.glob("*.journal")
        ),
        default=0,
    )


@pytest.mark.parametrize("name", NAMES, ids=lambda name: name.replace(" ", "_"))
def test_each_count_that_is_said_is_what_stands_there(tmp_path: Path, name: str) -> None:
    """Store, table or folder gone during a check: the counts said are the files' own, and what the store lacks stands beside."""
    first = rig_of(tmp_path, name)
    last = first.plan.steps[-1].index
    for trouble in _troubles(name):
        rig: Rig = first.again()
        folder = tmp_path / trouble.__name__
        facts = replace(rig.record.facts, run=trouble.__name__)

        def begin(event: Event, folder: Path = folder, trouble: Callable[[Path], None] = trouble) -> None:
            if isinstance(event, CheckStarted) and event.index == last:
                trouble(folder)

        with Record(folder, facts) as record:
            outcome = Runner(rig.plan, rig.parts, record, GivenBeforehand(), [begin], cables=Nodding()).run()
            kept = record.kept
        told = f"{trouble.__name__}: {outcome.problems}"
        assert kept is not None, told
        total = len(outcome.results)
        assert (kept.in_table, kept.in_store) == (_in_table(folder), _in_store(folder)), told
        assert outcome.status is ExitStatus.BENCH_FAILED, told
        said = re.search(
            r"of (\d+) results the table \S+ holds (\d+), the store \S+ (\d+)\.", " ".join(outcome.problems)
        )
        assert said is not None, told
        assert tuple(map(int, said.groups())) == (total, kept.in_table, kept.in_store), told
        assert (kept.beside is not None) == (_beside(folder) == total and kept.in_store < total), told
        if trouble is not _folder_taken_away and kept.in_store < total:
            assert kept.beside is not None, told
        best = max(kept.in_table, kept.in_store, total if kept.beside is not None else 0)
        assert len(kept.nowhere) == total - best, told
