"""The wheel: built, installed into an empty folder, and run from another, it finds everything that is shipped."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
pytestmark = pytest.mark.slow


def _do(*arguments: str, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=cwd,
        env={**os.environ, **environment},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The project's wheel, built from a copy of its tree."""
    folder = tmp_path_factory.mktemp("wheel")
    done = _do("-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(TOP), cwd=folder)
    assert done.returncode == 0, done.stdout + done.stderr
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def site(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel installed in it, and nothing else of the project."""
    site = tmp_path_factory.mktemp("site")
    done = _do(
        "-m",
        "pip",
        "install",
        "--quiet",
        "--no-deps",
        "--no-index",
        "--target",
        str(site),
        str(wheel),
        cwd=site,
    )
    assert done.returncode == 0, done.stderr
    return site


def _sequencer(site: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    # -P keeps the folder it is started in off the path: only what was installed is found
    return _do("-P", "-m", "sequencer", *arguments, cwd=folder, PYTHONPATH=str(site))


def test_everything_shipped_is_in_the_wheel(wheel: Path) -> None:
    """Every YAML file, page and picture of the rooms, and no test, is in the wheel."""
    names = set(zipfile.ZipFile(wheel).namelist())
    rooms = [TOP / room for room in ("sequencer", "drivers", "sim", "sequences")]
    files = [
        one
        for room in rooms
        for kind in ("*.yaml", "*.py", "*.mako", "*.md", "*.svg", "*.png")
        for one in room.rglob(kind)
    ]
    assert {str(one.relative_to(TOP)) for one in files} <= names
    assert not any(name.startswith("tests") for name in names)


def test_the_wheel_says_that_its_packages_have_types(wheel: Path) -> None:
    """PEP 561: each package has its py.typed, so that a checker believes its annotations."""
    names = set(zipfile.ZipFile(wheel).namelist())
    assert {f"{room}/py.typed" for room in ("sequencer", "drivers", "sim")} <= names


def test_the_version_stands_in_one_place(site: Path, tmp_path: Path) -> None:
    """What the wheel's metadata tell to --version is what the package says of itself."""
    said = _do(
        "-P", "-c", "import sequencer; print(sequencer.__version__)", cwd=tmp_path, PYTHONPATH=str(site)
    )
    asked = _sequencer(site, tmp_path, "--version")
    assert said.returncode == 0, said.stderr
    assert said.stdout.strip()
    assert asked.stdout.split()[-1] == said.stdout.strip()


def test_the_installed_sequencer_runs_by_name_from_an_empty_folder(site: Path, tmp_path: Path) -> None:
    """The acceptance sequence and the demonstration bench are found by name, and the run passes."""
    words = (
        "run",
        "fm-mobile-acceptance",
        "--bench",
        "sim/bench.yaml",
        "--serial",
        "M40-0007",
        "--confirmed",
        "--json",
    )
    done = _sequencer(site, tmp_path, *words)
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["simulated"] is True
    assert (tmp_path / said["table"]).is_file()
    assert sorted(one.name for one in tmp_path.iterdir()) == ["results"]


def test_it_is_the_installed_one_that_ran(site: Path, tmp_path: Path) -> None:
    """The package is imported from where it was installed, not from the source tree."""
    done = _do(
        "-P",
        "-c",
        "import sequencer, sim, drivers; print(sequencer.__file__)",
        cwd=tmp_path,
        PYTHONPATH=str(site),
    )
    assert done.stdout.startswith(str(site))


@pytest.mark.parametrize(
    "arguments",
    [
        ("schema",),
        ("identify", "--bench", "bench"),
        ("validate", "fm-mobile-acceptance", "--bench", "sim/bench"),
        ("--version",),
    ],
)
def test_the_other_commands_work_installed(site: Path, tmp_path: Path, arguments: tuple[str, ...]) -> None:
    """Schema, identify, validate and the version need nothing of the source tree."""
    done = _sequencer(site, tmp_path, *arguments)
    assert done.returncode == 0, done.stderr
    assert done.stdout
    assert list(tmp_path.iterdir()) == []


def test_the_installed_sequencer_upgrades_an_old_store(site: Path, tmp_path: Path) -> None:
    """The migrations are in the wheel: a store of schema 1 is upgraded where it lies, and its runs are listed."""
    shutil.copy(TOP / "tests" / "data" / "store-schema-1.sqlite", tmp_path / "results.sqlite")
    done = _sequencer(site, tmp_path, "results", "--folder", str(tmp_path), "--json")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert len(json.loads(done.stdout)) == 3


def test_the_command_is_installed(site: Path) -> None:
    """The wheel brings a command called `sequencer`."""
    assert (site / "bin" / "sequencer").is_file() or (site / "Scripts" / "sequencer.exe").is_file()
