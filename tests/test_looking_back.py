"""compare, history, export and report as commands, on a store that real runs have written."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from junitparser import JUnitXml

from sequencer.cli import main

QUICK = """\
sequence: quick
channels: cept-40
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, limit: {max: 4 W}}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
"""


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A results folder with a run each of a sound unit and of one that is off frequency."""
    folder = tmp_path_factory.mktemp("looking")
    (folder / "quick.yaml").write_text(QUICK, encoding="utf-8")
    for serial in ("M40-0007", "M40-0012"):
        words = ["run", str(folder / "quick.yaml"), "--bench", "sim/bench.yaml", "--serial", serial]
        assert _call(*words, "--results", str(folder / "results")).exit_code in (0, 1)
    return folder / "results"


def _call(*words: str):
    return CliRunner().invoke(main, list(words))


def test_compare_says_which_units_differ(results: Path) -> None:
    """The unit that is off frequency differs in frequency and not in power; the JSON says the same."""
    shown = _call("compare", "--results", str(results)).stdout
    assert "differs" in shown
    assert "no significant" in shown  # a narrow terminal breaks the words
    plain = json.loads(_call("compare", "M40-0007", "M40-0012", "--results", str(results), "--json").stdout)
    words = json.dumps(plain)
    assert "frequency error" in words
    assert "differs" in words


def test_history_of_one_unit(results: Path) -> None:
    """One result is shown, and nothing is said of a drift; a unit without results is a clear error with status 2."""
    shown = _call("history", "--serial", "M40-0007", "--check", "carrier_power", "--results", str(results))
    assert shown.exit_code == 0
    assert "nothing can be said of a drift" in shown.stdout
    missing = _call("history", "--serial", "M40-9999", "--results", str(results))
    assert missing.exit_code == 2
    assert "M40-9999" in missing.stderr


def test_export_is_read_by_pandas_and_a_junit_parser(results: Path, tmp_path: Path) -> None:
    """The CSV has a row a result (pandas), and the JUnit file shows the failed unit as failed (junitparser)."""
    assert _call("export", str(tmp_path / "all.csv"), "--results", str(results)).exit_code == 0
    assert len(pd.read_csv(tmp_path / "all.csv")) == 4
    assert (
        _call("export", str(tmp_path / "all.xml"), "--format", "junit", "--results", str(results)).exit_code
        == 0
    )
    suites = JUnitXml.fromfile(str(tmp_path / "all.xml"))
    assert suites.failures == 1


def test_report_of_the_last_run(results: Path, tmp_path: Path) -> None:
    """The page names the unit and says that it is simulated; an unknown run is a clear error with status 2."""
    assert _call("report", "last", str(tmp_path / "r.html"), "--results", str(results)).exit_code == 0
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "M40-0012" in page
    assert "imulated" in page
    unknown = _call("report", "nonsense", str(tmp_path / "x.html"), "--results", str(results))
    assert unknown.exit_code == 2
    assert not (tmp_path / "x.html").exists()
