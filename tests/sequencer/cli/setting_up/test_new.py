"""`new`: what it writes validates, runs dry and passes its own test; wrong answers are refused, and nothing is written over."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from sequencer.cli.main import main

TOP = Path(__file__).parents[4]


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder of the test's own."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def sequencer(*words: str) -> Result:
    """Return what a command of ours came to."""
    return CliRunner().invoke(main, list(words))


def written(*words: str) -> list[str]:
    """Return the files that `new` wrote."""
    done = sequencer("new", *words)
    assert done.exit_code == 0, done.output
    return done.stdout.splitlines()


def test_a_new_model_sequence_and_bench_run_dry_together(here: Path) -> None:
    """Written without an answer each validates; the serial chooses the model, whose limits the results are held to."""
    assert written("model", "T77", "--power", "5 W", "--s9", "2.25 V") == ["models/t77.yaml"]
    assert written("sequence", "look", "--model", "t77") == ["look.yaml"]
    assert written("bench", "shop", "--network", "198.51.100") == ["shop.yaml"]
    assert sequencer("validate", "look.yaml", "--bench", "shop.yaml", "--serial", "T77-0001").exit_code == 0
    words = ("run", "look.yaml", "--bench", "shop.yaml", "--serial", "T77-0001", "--dry-run", "--confirmed")
    done = sequencer(*words)
    assert done.exit_code == 0, done.output
    assert "t77.yaml, lines" in done.stdout
    assert "shipped t77.yaml" not in done.stdout
    shipped = sequencer("validate", "look.yaml", "--bench", "shop.yaml", "--serial", "M40-0007")
    assert "model: M40 (shipped m40.yaml)" in shipped.stdout
    for name in ("models/t77.yaml", "look.yaml", "shop.yaml"):
        assert sum("#" in line for line in (here / name).read_text(encoding="utf-8").splitlines()) >= 5


def test_a_new_sequence_finds_the_models_beside_it(here: Path) -> None:
    """By the name in the file or the file's, in the folder it is written into; without a word one's own goes before a shipped one."""
    written("model", "T26", "--into", "mine")
    for name, words in (("a", ("--model", "T26")), ("b", ("--model", "t26")), ("c", ())):
        done = sequencer("new", "sequence", name, "--into", "mine", *words)
        assert done.exit_code == 0, done.output
        assert "--serial T26-0001 " in done.stderr
        assert "model_by_default: 't26'" in (here / "mine" / f"{name}.yaml").read_text("utf-8").lower()
        line = next(one for one in done.stderr.splitlines() if one.startswith("Next: sequencer "))
        ran = sequencer(*line.removeprefix("Next: sequencer ").split())
        assert ran.exit_code == 0, ran.output
        assert "t26.yaml, lines" in ran.stdout
    assert "--serial M40-0007 " in sequencer("new", "sequence", "d").stderr


@pytest.mark.parametrize("name", ["12", "true", "null", "0x10", "no"])
def test_a_name_that_yaml_would_take_for_something_else_stays_a_name(name: str) -> None:
    """A model may be called by a number."""
    written("model", name)
    written("sequence", f"{name}-look", "--model", name)
    serial = f"{name}-0001"
    assert sequencer("validate", f"{name}-look.yaml", "--bench", "bench", "--serial", serial).exit_code == 0


def _install(folder: Path, kind: str, name: str) -> None:
    """Make the package known beside itself as pip would, from the entry point that stands in its own pyproject."""
    project = (folder / "pyproject.toml").read_text(encoding="utf-8")
    (entry,) = (line for line in project.splitlines() if line.startswith(f"{name} = "))
    info = folder / f"workshop_{name}-0.1.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: workshop-{name}\nVersion: 0.1\n", encoding="utf-8"
    )
    (info / "entry_points.txt").write_text(
        f"[sequencer.{kind}s]\n{entry.replace(chr(34), '')}\n", encoding="utf-8"
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "name", "options"),
    [("check", "meter_zero", ()), ("driver", "late_meter", ("--role", "voltmeter"))],
)
def test_a_new_package_s_own_test_passes(here: Path, kind: str, name: str, options: tuple[str, ...]) -> None:
    """The test that is written with it runs it on the simulated bench: one process, which the entry points ask for."""
    assert len(written(kind, name, *options)) == 3
    folder = here / name
    _install(folder, kind, name)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), str(TOP)])}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", "tests"],
        cwd=folder, env=environment, capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 passed" in done.stdout


def test_nothing_is_written_over(here: Path) -> None:
    """A file of that name stays as it is, and of a package not a single file is written."""
    (here / "shop.yaml").write_text("mine\n", encoding="utf-8")
    (here / "zero" / "tests").mkdir(parents=True)
    (here / "zero" / "tests" / "test_zero.py").write_text("mine\n", encoding="utf-8")
    for words in (("bench", "shop"), ("check", "zero")):
        done = sequencer("new", *words)
        assert done.exit_code == 2
        assert "nothing was written" in done.stderr
    assert (here / "shop.yaml").read_text(encoding="utf-8") == "mine\n"
    assert not (here / "zero" / "pyproject.toml").exists()


BAD = {
    "a bare number": (("model", "A", "--supply", "13"), "--supply: '13' has no unit", "13 V"),
    "another unit": (("model", "A", "--power", "4 dB"), "--power:", "a power in"),
    "out of range": (("model", "A", "--supply", "90 V"), "--supply: '90 V' is out of range", "0.5 to 60"),
    "a pattern for any serial": (
        ("model", "A", "--serials", ".+"),
        "--serials: '.+' fits any serial",
        "M40-",
    ),
    "no such plan": (("model", "A", "--channels", "cept-41"), "no such plan file", "cept-40"),
    "no such model": (("sequence", "a", "--model", "zz"), "no such model file", "m40"),
    "no such role": (
        ("driver", "a", "--role", "volt_meter"),
        "no role 'volt_meter'",
        "did you mean 'voltmeter'?",
    ),
    "no network": (("bench", "a", "--network", "192.0"), "--network:", "such as 192.168.1"),
    "an option of another kind": (
        ("bench", "a", "--role", "radio"),
        "--role: a bench has no such question",
        "--rating",
    ),
    "a name with a slash": (("model", "../a"), "NAME: '../a' is no name of a model", "1 to 40"),
    "a check's name": (("check", "Zero-Point"), "is no name of a check", "small letters"),
    "a shipped check": (("check", "sinad"), "there is a check 'sinad' already", "another name"),
}


@pytest.mark.parametrize("case", BAD)
def test_a_wrong_answer_is_refused_and_leaves_nothing(here: Path, case: str) -> None:
    """Which option, what was found, what is allowed; status 2; no file."""
    words, wrong, allowed = BAD[case]
    done = sequencer("new", *words)
    assert isinstance(done.exception, SystemExit)
    assert done.exit_code == 2
    assert wrong in done.stderr
    assert allowed in done.stderr
    assert list(here.iterdir()) == []
