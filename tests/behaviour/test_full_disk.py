"""Disks that are really full: what is said to stand somewhere stands there, and what stands nowhere is printed."""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
from collections.abc import Callable, Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.csv_table import ResultsTable
from sequencer.results.journal import read_journal
from sequencer.results.store.store import Store
from tests.support.stored_results import a_result

PAGE = 4096
RUN = ["run", "fm-mobile-acceptance", "--bench", "bench", "--serial", "M40-0007", "--confirmed"]


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """Mounts a disk of 2 MB of its own under a name: a real file system that can be filled."""
    mounted: list[Path] = []

    def mount(name: str) -> Path:
        folder = tmp_path / name
        folder.mkdir()
        words = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)]
        made = subprocess.run(words, capture_output=True, text=True, timeout=20, check=False)
        if made.returncode:
            reason = f"no disk of 2 MB can be mounted here, which takes root: {made.stderr.strip()}"
            if os.environ.get("SEQUENCER_TEST_ALL"):
                pytest.fail(reason)
            pytest.skip(reason)
        mounted.append(folder)
        return folder

    yield mount
    for folder in mounted:
        subprocess.run(["umount", "-l", str(folder)], check=True, timeout=20)


def _fill(folder: Path, pages_left: int | None) -> None:
    """Fill the disk but for so many pages; None leaves it as it is."""
    if pages_left is None:
        return
    system = os.statvfs(folder)
    (folder / "filler").write_bytes(b"x" * (system.f_bavail * system.f_bsize - pages_left * PAGE))


def _values(text: str) -> list[str]:
    return [row["value"] for row in csv.DictReader(StringIO(text))]


@pytest.mark.parametrize("as_json", [False, True])
@pytest.mark.parametrize(
    ("folder_pages", "store_pages"),
    [(None, None), (2, None), (None, 30), (2, 30), (2, 40), (3, 40), (5, 60)],
)
def test_every_result_stands_where_it_is_said_to(
    disk: Callable[[str], Path], folder_pages: int | None, store_pages: int | None, as_json: bool
) -> None:
    """Table full, store full, no room beside, all of it: each count that is said is the file's own, and nothing is unaccounted for."""
    folder, of_store = disk("folder"), disk("store")
    store = of_store / "s.sqlite"
    Store.open(store).close()
    _fill(folder, folder_pages)
    _fill(of_store, store_pages)
    words = [*RUN, "--folder", str(folder), "--store", str(store), *(["--json"] if as_json else [])]
    done = CliRunner().invoke(main, words)
    (table,) = folder.glob("*.csv")
    in_table = _values(table.read_text(encoding="utf-8"))
    with Store.open_to_read(store) as opened:
        (run,) = opened.read_runs()
        rows = opened.read_results(run.run)
    in_store = [str(row.value) if row.value is not None else "" for row in rows]
    (journal,) = folder.glob("*.journal")
    beside = sum(len(check.results) for check in read_journal(journal).kept.checks)
    said = re.search(r"of (\d+) results the table \S+ holds (\d+), the store \S+ (\d+)\.", done.stderr)
    if folder_pages is store_pages is None:
        assert (done.exit_code, said, len(in_table), len(in_store)) == (0, None, 13, 13)
        return
    assert done.exit_code == 3
    assert said is not None
    total, table_said, store_said = map(int, said.groups())
    assert (total, table_said, store_said) == (13, len(in_table), len(in_store))
    assert ("stand in" in done.stderr) == (beside == 13 and len(in_store) < 13)
    printed = done.stderr if as_json else done.stdout
    header = printed.find("time,run,serial")
    shown = _values(printed[header:]) if header >= 0 else []
    most = max(len(in_table), len(in_store), beside)
    assert ("are stored nowhere" in done.stderr) == (most < 13)
    assert len(shown) >= 13 - most
    if as_json:
        told = json.loads(done.stdout)["results"]
        every = [str(one["value"]) if one["value"] is not None else "" for one in told]
        assert in_table == every[: len(in_table)]
        assert in_store == every[: len(in_store)]
        assert shown[: 13 - most] == every[most:]


def test_a_table_whose_disk_has_room_again_gets_what_it_missed(
    disk: Callable[[str], Path], tmp_path: Path
) -> None:
    """A full disk leaves whole rows; what did not fit is written with the next that does."""
    folder = disk("folder")
    table = ResultsTable(folder / "t.csv")
    _fill(folder, 0)
    given: list[Any] = [a_result(value=float(at), note="n" * 300) for at in range(40)]
    refused = 0
    for one in given[:30]:
        try:
            table.write([one])
        except OSError:
            refused += 1
    stand = _values((folder / "t.csv").read_text(encoding="utf-8"))
    assert refused > 0
    assert len(stand) == table.count_kept() == 30 - refused
    (folder / "filler").unlink()
    table.write(given[30:])
    assert _values((folder / "t.csv").read_text(encoding="utf-8")) == [str(float(at)) for at in range(40)]
    assert table.count_kept() == 40
    table.close()


def test_the_read_back_is_of_the_file_and_not_of_what_was_meant(tmp_path: Path) -> None:
    """A table that somebody else changed or took away is not said to hold what it does not."""
    with ResultsTable(tmp_path / "t.csv") as table:
        table.write([a_result(), a_result(value=-119.0)])
        assert table.count_kept() == 2
        file = tmp_path / "t.csv"
        file.write_bytes(file.read_bytes().replace(b"-119.0", b"-129.0"))
        assert table.count_kept() == 1
        (tmp_path / "t.csv").unlink()
        assert table.count_kept() == 0
