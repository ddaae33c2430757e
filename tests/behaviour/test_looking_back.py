"""compare, history, export and report as commands, on a store that real runs have written."""

from __future__ import annotations

import io
import json
from datetime import datetime
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from junitparser import JUnitXml

from sequencer.cli.looking_back.results import moment
from sequencer.cli.main import main
from sequencer.results.store.store import Store
from tests.support.postgres_server import PostgresServer

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
        assert _call(*words, "--folder", str(folder / "results")).exit_code in (0, 1)
    return folder / "results"


def _call(*words: str):
    return CliRunner().invoke(main, list(words))


def test_compare_says_which_units_differ(results: Path) -> None:
    """The unit that is off frequency differs in frequency and not in power; the JSON says the same."""
    shown = _call("compare", "--folder", str(results)).stdout
    assert "frequency error" in shown
    assert "differs" in shown
    assert "carrier power" not in shown
    every = _call("compare", "--all", "--folder", str(results)).stdout
    assert "carrier power" in every
    assert "no significant" in every  # a narrow terminal breaks the words
    plain = json.loads(_call("compare", "M40-0007", "M40-0012", "--folder", str(results), "--json").stdout)
    words = json.dumps(plain)
    assert "frequency error" in words
    assert "differs" in words


def test_history_of_one_unit(results: Path) -> None:
    """One result is shown, and nothing is said of a drift; a unit without results is a clear error with status 2."""
    shown = _call("history", "--serial", "M40-0007", "--check", "carrier_power", "--folder", str(results))
    assert shown.exit_code == 0
    assert "nothing can be said of a drift" in shown.stdout
    missing = _call("history", "--serial", "M40-9999", "--folder", str(results))
    assert missing.exit_code == 2
    assert "M40-9999" in missing.stderr


def test_export_is_read_by_pandas_and_a_junit_parser(results: Path, tmp_path: Path) -> None:
    """The CSV has a row a result (pandas), and the JUnit file shows the failed unit as failed (junitparser)."""
    assert _call("export", str(tmp_path / "all.csv"), "--folder", str(results)).exit_code == 0
    assert len(pd.read_csv(tmp_path / "all.csv")) == 4
    assert (
        _call("export", str(tmp_path / "all.xml"), "--format", "junit", "--folder", str(results)).exit_code
        == 0
    )
    suites = JUnitXml.fromfile(str(tmp_path / "all.xml"))
    assert suites.failures == 1


def test_report_of_the_last_run(results: Path, tmp_path: Path) -> None:
    """The page names the unit and says that it is simulated; an unknown run is a clear error with status 2."""
    assert _call("report", "last", str(tmp_path / "r.html"), "--folder", str(results)).exit_code == 0
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "M40-0012" in page
    assert "imulated" in page
    unknown = _call("report", "nonsense", str(tmp_path / "x.html"), "--folder", str(results))
    assert unknown.exit_code == 2
    assert not (tmp_path / "x.html").exists()


def test_results_are_listed_over_all_runs_and_filtered(results: Path) -> None:
    """Results of one check, of a decision, of a unit: newest first, as a table, JSON and CSV (read by pandas), all the same."""
    words = ("results", "--folder", str(results), "--check", "frequency_error")
    listed = json.loads(_call(*words, "--json").stdout)
    assert [(row["serial"], row["decision"]) for row in listed] == [
        ("M40-0012", "fail"),
        ("M40-0007", "pass"),
    ]
    table = pd.read_csv(io.StringIO(_call(*words, "--csv").stdout))
    assert table["serial"].tolist() == ["M40-0012", "M40-0007"]
    assert table["value"].tolist() == [row["value"] for row in listed]
    shown = _call(*words).stdout
    assert shown.index("M40-0012") < shown.index("M40-0007")
    only = json.loads(_call(*words, "--decision", "pass", "--json").stdout)
    assert [row["serial"] for row in only] == ["M40-0007"]
    assert json.loads(_call(*words, "--serial", "M40-0007", "--json").stdout) == only
    assert json.loads(_call(*words, "--channel", "1", "--json").stdout) == []


def test_results_of_one_run_are_filtered_too(results: Path) -> None:
    """The results of a named run can be cut down to a check, and written as CSV."""
    words = ("results", "last", "--folder", str(results))
    assert len(json.loads(_call(*words, "--json").stdout)["results"]) == 2
    (row,) = json.loads(_call(*words, "--check", "carrier_power", "--json").stdout)["results"]
    assert row["check"] == "carrier_power"
    assert len(pd.read_csv(io.StringIO(_call(*words, "--csv").stdout))) == 2


def test_runs_are_listed_by_date_sequence_and_number(results: Path) -> None:
    """Runs of today are there and those of other days are not; --until takes in its whole day; what is cut off is said."""
    words = ("results", "--folder", str(results), "--json")
    today = f"{datetime.now():%Y-%m-%d}"  # noqa: DTZ005 - the command too takes a date in this machine's zone
    for asked, count in (
        (("--since", "2020-01-01", "--until", "2099-12-31"), 2),
        (("--until", "2020-01-01"), 0),
        (("--since", "2099-01-01T00:00+14:00"), 0),
        (("--sequence", "quick"), 2),
        (("--sequence", "slow"), 0),
        (("--serial", "M40-0007"), 1),
        (("--serial", "M40-0007", "--serial", "M40-0012"), 2),
    ):
        assert len(json.loads(_call(*words, *asked).stdout)) == count, asked
    assert _call(*words, "--until", today).exit_code == 0
    cut = _call(*words, "--limit", "1")
    assert len(json.loads(cut.stdout)) == 1
    assert "there are more" in cut.stderr


@pytest.mark.parametrize("text", ["yesterday", "2027-13-01", "", "0001-01-01T00:00+14:00"])
def test_a_date_that_is_none_is_refused(results: Path, text: str) -> None:
    """What is no date is refused with status 2, the option's name and what would do."""
    refused = _call("results", "--folder", str(results), "--since", text)
    assert refused.exit_code == 2
    assert "--since" in refused.stderr
    assert "2027-01-31" in refused.stderr


def test_a_day_ends_when_the_next_begins() -> None:
    """The end of a day in this machine's zone is the beginning of the next, whatever the clock does that night."""
    end = moment("--until", "2027-10-31", whole_day=True)
    assert end is not None
    assert end == datetime.fromisoformat("2027-11-01").astimezone()
    assert moment("--until", "2027-10-31T12:00+02:00", whole_day=True) == datetime.fromisoformat(
        "2027-10-31T12:00+02:00"
    )
    assert moment("--since", None) is None


def test_every_command_takes_a_store_by_its_address(postgres: PostgresServer, tmp_path: Path) -> None:
    """A run and all that looks back, on one store in PostgreSQL; the results table stands in its folder, and no SQLite file."""
    address = postgres.address()
    sequence = tmp_path / "quick.yaml"
    sequence.write_text(QUICK, encoding="utf-8")
    folder = tmp_path / "results"
    with_store = ("--folder", str(folder), "--store", address)
    for serial in ("M40-0007", "M40-0012"):
        words = ("run", str(sequence), "--bench", "sim/bench.yaml", "--serial", serial)
        assert _call(*words, *with_store).exit_code in (0, 1)
    assert {one.suffix for one in folder.iterdir()} == {".csv", ".journal"}
    assert len(json.loads(_call("results", *with_store, "--json").stdout)) == 2
    assert len(_call("trace", "last", *with_store).stdout.splitlines()) > 50
    assert "differs" in _call("compare", *with_store).stdout
    assert "nothing can be said" in _call("history", "--serial", "M40-0007", *with_store).stdout
    assert "4 results" in _call("export", str(tmp_path / "all.csv"), *with_store).stdout
    assert _call("report", "last", str(tmp_path / "r.html"), *with_store).exit_code == 0
    assert "certificate" in (tmp_path / "r.html").read_text(encoding="utf-8").lower()
    asked = CliRunner().invoke(main, ["results", "--json"], env={"SEQUENCER_STORE": address})
    assert len(json.loads(asked.stdout)) == 2


@pytest.mark.parametrize(
    "words",
    [
        ("results",),
        ("trace", "last"),
        ("compare",),
        ("history", "--serial", "x"),
        ("export", "x.csv"),
        ("report", "last", "x.html"),
    ],
)
def test_an_empty_database_is_no_store_to_look_back_in(
    postgres: PostgresServer, words: tuple[str, ...]
) -> None:
    """Looking back makes no store: an empty database is a clear error with status 2, and stays empty."""
    address = postgres.address()
    refused = _call(*words, "--store", address)
    assert refused.exit_code == 2
    assert "the store is empty" in refused.stderr
    schema = address.rsplit("%3D", 1)[1]
    with postgres.connect() as connection:
        counted = connection.execute(
            "SELECT count(*) FROM information_schema.tables WHERE table_schema = %s", [schema]
        )
        assert counted.fetchone() == (0,)


@pytest.mark.parametrize("command", [["results", "last"], ["trace", "last"], ["report", "last", "r.html"]])
def test_the_last_run_of_a_store_without_runs_is_a_clear_error(tmp_path: Path, command: list[str]) -> None:
    """A store that nothing was written to yet says so, with status 2, instead of missing a run called 'last'."""
    Store.open(tmp_path / "results.sqlite").close()
    done = _call(*command, "--folder", str(tmp_path))
    assert done.exit_code == 2
    assert "this store holds no run yet" in done.stderr
