"""Every command whose output goes to a device that is full: a plain line and a status, and no traceback. full(4), Linux manual pages."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from sequencer.cli.main import main

FULL = Path("/dev/full")
SEQUENCER = (sys.executable, "-m", "sequencer")
pytestmark = pytest.mark.skipif(not FULL.exists(), reason="a device that is always full is needed")
NO_ROOM = [
    ["--help"],
    ["--version"],
    *([name, "--help"] for name in main.list_commands(click.Context(main))),
    ["reference", "checks"],
    ["schema", "sequence"],
    ["validate", "fm-mobile-acceptance", "--bench", "bench"],
    ["identify", "--bench", "bench"],
    ["results", "--folder", "FOLDER"],
    ["results", "--folder", "FOLDER", "--json"],
    ["history", "--folder", "FOLDER", "--serial", "M40-0007", "--check", "carrier_power"],
    ["compare", "--folder", "FOLDER"],
    ["batch", "--folder", "FOLDER", "trial", "--json"],
    ["simulate", "--bench", "bench"],
]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with two runs in it."""
    folder = tmp_path_factory.mktemp("kept")
    for serial in ("M40-0007", "M40-0018"):
        words = [
            "run",
            "quick-check",
            "--bench",
            "bench",
            "--serial",
            serial,
            "--confirmed",
            "--batch",
            "trial",
        ]
        assert CliRunner().invoke(main, [*words, "--folder", str(folder)]).exit_code == 0
    return folder


@pytest.mark.parametrize("words", NO_ROOM, ids=" ".join)
def test_no_command_ends_with_a_traceback_where_its_output_finds_no_room(
    kept: Path, tmp_path: Path, words: list[str]
) -> None:
    """Status 2 and one line on standard error, for help and version too; and the same status in silence where that is full as well."""
    command = [*SEQUENCER, *(str(kept) if word == "FOLDER" else word for word in words)]
    with FULL.open("w", encoding="utf-8") as full:
        done = subprocess.run(
            command, cwd=tmp_path, text=True, check=False, stdout=full, stderr=subprocess.PIPE, timeout=60
        )
        silent = subprocess.run(command, cwd=tmp_path, check=False, stdout=full, stderr=full, timeout=60)
    assert done.returncode == 2, done.stderr
    assert done.stderr.startswith("cannot be written: No space left on device"), done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert silent.returncode == 2


def test_a_wrong_command_keeps_its_status_where_nothing_can_be_said() -> None:
    """A complaint that finds no room is status 2 all the same."""
    with FULL.open("w", encoding="utf-8") as full:
        done = subprocess.run([*SEQUENCER, "rnu"], check=False, stdout=full, stderr=full, timeout=60)
    assert done.returncode == 2


READ_BY_NOBODY = [
    (["results", "--folder", "FOLDER"], 0),
    (["reference", "checks"], 0),
    (["--help"], 0),
    (["validate", "quick-check", "--bench", "bench", "--serial", "M40-0007"], 0),
    (["validate", "quick-check", "--bench", "no-such-bench"], 2),
    (["rnu"], 2),
]


@pytest.mark.parametrize(
    ("words", "status"), READ_BY_NOBODY, ids=lambda case: " ".join(case) if isinstance(case, list) else ""
)
def test_a_reader_that_has_gone_leaves_the_status_of_every_command(
    kept: Path, tmp_path: Path, words: list[str], status: int
) -> None:
    """`sequencer results | head -0` ends as it does with a reader: its status is not that of a limit that failed. pipe(7), EPIPE."""
    command = [*SEQUENCER, *(str(kept) if word == "FOLDER" else word for word in words)]
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(command, cwd=tmp_path, check=False, stdout=writing, stderr=writing, timeout=60)
    os.close(writing)
    assert done.returncode == status


def test_a_history_of_answers_is_refused_in_words(kept: Path) -> None:
    """It printed nothing and ended with status 0."""
    done = CliRunner().invoke(
        main, ["history", "--folder", str(kept), "--serial", "M40-0007", "--check", "confirm"]
    )
    assert done.exit_code == 2
    assert "have no history" in done.output
    assert "sequencer results --serial M40-0007 --check confirm" in done.output
