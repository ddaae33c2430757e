"""Checks that are repeated, through the command line: which run is meant, what counts, and that nothing is lost or forgotten."""

from __future__ import annotations

import csv
import getpass
import io
import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from junitparser import JUnitXml

from sequencer.cli.main import main
from sequencer.results.store.store import Store
from tests.support.postgres_server import PostgresServer

SEQUENCE = """\
sequence: quick
channels: cept-40
mode: FM
supply: 13.2 V
prepare:
  - confirm: RF gain fully up
checks:
  - {check: carrier_power, channel: [1, 20], readings: 2, limit: {max: 4 W}}
  - {confirm_here}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
""".replace("{confirm_here}", "{check: confirm, text: squelch open}")
OFF_FREQUENCY, SOUND = "M40-0012", "M40-0007"


class Bench:
    """A folder with a sequence and results, and the commands of one unit."""

    def __init__(self, folder: Path, *, store: str = "", serial: str = OFF_FREQUENCY) -> None:
        self.folder = folder
        self.serial = serial
        self.sequence = folder / "quick.yaml"
        self.sequence.write_text(SEQUENCE, encoding="utf-8")
        self._where = ["--folder", str(folder / "results"), *(["--store", store] if store else [])]

    def call(self, *words: str) -> Result:
        """Call a command on the folder's store."""
        result = CliRunner().invoke(main, [*words, *self._where])
        assert "Traceback" not in result.output
        assert result.exception is None or isinstance(result.exception, SystemExit), result.output
        return result

    def run(self, *words: str, bench: str = "sim/bench.yaml") -> Result:
        """Run the sequence."""
        return self.call(
            "run", str(self.sequence), "--bench", bench, "--serial", self.serial, "--confirmed", *words
        )

    def again(
        self, check: str = "frequency_error", *words: str, reason: str | None = "plug was loose", **how: str
    ) -> Result:
        """Repeat a check."""
        told = [] if reason is None else ["--reason", reason]
        return self.run("--only", check, "--again", *told, *words, **how)

    def runs(self) -> list[dict[str, Any]]:
        """Return all runs as `results --json` lists them, oldest first."""
        return json.loads(self.call("results", "--json").stdout)[::-1]

    def shown(self, run: str = "last") -> dict[str, Any]:
        """Return a run and its repeats as `results RUN --json` shows them."""
        return json.loads(self.call("results", run, "--json").stdout)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """A bench on which the sequence was run once, on a unit that is off frequency."""
    made = Bench(tmp_path)
    assert made.run().exit_code == 1
    return made


def test_the_repeat_counts_and_both_results_stay(bench: Bench) -> None:
    """After a repeat the store holds both results with the reason, and table, listing and JSON say which counts."""
    done = bench.again()
    assert done.exit_code == 1
    first, second = bench.runs()
    assert f"repeats     {first['run']}, because: plug was loose" in done.stdout
    assert (second["again"], second["part"], second["reason"]) == (
        first["run"],
        "frequency_error",
        "plug was loose",
    )
    assert (first["replaced"], first["decisions"].get("fail"), second["decisions"]["fail"]) == (1, None, 1)
    whole = bench.shown(first["run"])
    (old,) = (row for row in whole["results"] if row["check"] == "frequency_error")
    (repeat,) = whole["repeats"]
    (new,) = (row for row in repeat["results"] if row["check"] == "frequency_error")
    assert (old["counts"], old["replaced_by"], new["counts"], new["replaced_by"]) == (
        False,
        second["run"],
        True,
        "",
    )
    assert (old["check_index"], old["channel"]) == (new["check_index"], new["channel"]) == (4, 20)
    assert f"repeats run {first['run']}: plug was loose" in new["note"]
    assert all(row["counts"] for row in whole["results"] if row["check"] == "carrier_power")
    shown = " ".join(bench.call("results", first["run"]).stdout.split())
    assert "(fail)" in shown
    assert f"does not count: repeated in run {second['run']}" in shown
    assert (
        f"repeated: frequency_error in run {second['run']}, because: plug was loose (outcome: done)" in shown
    )
    assert bench.shown("last") == whole
    listed = bench.call("results").stdout
    assert "1 repeated since" in listed
    assert f"repeats {first['run']}, because: plug was loose" in listed
    shown = bench.call("results", "--check", "frequency_error").stdout
    assert "(fail)" in shown
    assert "in brackets: repeated since" in shown


def test_the_repeat_carries_its_own_confirmations_and_settings(bench: Bench) -> None:
    """A repeat asks for the preparation and every confirmation before its check; each result carries what it was taken under."""
    bench.again()
    bench.again("carrier_power", reason="meter was cold")
    whole = bench.shown()
    rows = [row for run in (whole, *whole["repeats"]) for row in run["results"]]
    told = f"stated beforehand with --confirmed, {getpass.getuser()}"
    wanted = {
        "frequency_error": f"supply 13.2 V; RF gain fully up ({told}); squelch open ({told})",
        "carrier_power": f"supply 13.2 V; RF gain fully up ({told})",
    }
    assert {(row["check"], row["conditions"]) for row in rows if row["check"] in wanted} == set(
        wanted.items()
    )
    assert all(row["settings"] for row in rows)
    shown = bench.call("results", "last", "--conditions", "--check", "frequency_error").stdout
    assert shown.count(f"    squelch open ({told})") == 2
    assert '    read: "analyser"' in shown


def test_the_last_of_several_repeats_counts(bench: Bench) -> None:
    """A repeat of a repeat belongs to the first run, also where the repeat is named; of three results the third counts."""
    bench.again(reason="first")
    bench.again("frequency_error", "--of", bench.runs()[-1]["run"], reason="second")
    first, *repeats = bench.runs()
    assert [run["again"] for run in repeats] == [first["run"]] * 2
    whole = bench.shown(repeats[0]["run"])
    counting = [
        (run["run"], row["counts"])
        for run in (whole, *whole["repeats"])
        for row in run["results"]
        if row["check"] == "frequency_error"
    ]
    assert counting == [(first["run"], False), (repeats[0]["run"], False), (repeats[1]["run"], True)]


def test_one_check_is_repeated_on_all_its_channels(bench: Bench) -> None:
    """Both channels of carrier_power are measured anew, under the numbers they had; `trace` finds each run's own bytes there."""
    bench.again("carrier_power")
    whole = bench.shown()
    assert [
        (row["check_index"], row["channel"])
        for row in whole["repeats"][0]["results"]
        if row["check"] != "confirm"
    ] == [(1, 1), (2, 20)]
    assert [row["counts"] for row in whole["results"]] == [True, False, False, True, True]
    traced = bench.call("trace", whole["repeats"][0]["run"], "--step", "2")
    assert traced.exit_code == 0
    assert "power_meter" in traced.stdout


def test_looking_back_uses_what_counts_and_says_that_there_were_others(bench: Bench, tmp_path: Path) -> None:
    """compare, history, export, JUnit and report take the last result of a repeated check and name the ones before."""
    bench.again()
    bench.serial = SOUND
    assert bench.run().exit_code == 0
    first, second, sound = bench.runs()
    plain = json.loads(bench.call("compare", first["run"], sound["run"], "--json").stdout)
    (line,) = (one for one in plain["lines"] if one["check"] == "frequency_error")
    assert [(cell["count"], cell["replaced"]) for cell in line["cells"]] == [(1, 1), (1, 0)]
    assert any("repeated since and do" in note for note in plain["notes"])
    _refused(
        bench.call("compare", first["run"], second["run"]), "are one run and its repeat", "shows both results"
    )
    by_run = json.loads(bench.call("compare", "--by", "run", "--json").stdout)
    assert by_run["groups"] == [first["run"], sound["run"]]

    (history,) = json.loads(
        bench.call("history", "--serial", OFF_FREQUENCY, "--check", "frequency_error", "--json").stdout
    )
    assert [point["left_out"] for point in history["points"]] == [
        f"repeated in run {second['run']}, which counts",
        "",
    ]
    assert history["drift"]["count"] == 1

    bench.call("export", str(tmp_path / "all.csv"), "--serial", OFF_FREQUENCY)
    with (tmp_path / "all.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["check"] == "frequency_error"]
    assert [(row["counts"], row["replaced_by"]) for row in rows] == [("False", second["run"]), ("True", "")]
    bench.call("export", str(tmp_path / "all.xml"), "--format", "junit", "--serial", OFF_FREQUENCY)
    suites = JUnitXml.fromfile(str(tmp_path / "all.xml"))
    assert (suites.failures, suites.errors) == (1, 0)

    for name in (first["run"], second["run"]):
        bench.call("report", name, str(tmp_path / "page.html"), "--force")
        page = (tmp_path / "page.html").read_text(encoding="utf-8")
        assert f"in run {first['run']}" in page
        assert "found before: " in page
        assert "because: plug was loose" in page
        assert page.count("<article") == 1
        assert len(re.findall(r">frequency error<small>", page)) == 1
    bench.call("report", first["run"], second["run"], str(tmp_path / "page.html"), "--force")
    assert (tmp_path / "page.html").read_text(encoding="utf-8").count("<article") == 1


def test_the_csv_of_a_repeat_stands_by_itself(bench: Bench) -> None:
    """The results table of a repeat says in each result which run it repeats and why."""
    table = json.loads(bench.again("frequency_error", "--json").stdout)["table"]
    with Path(table).open(encoding="utf-8", newline="") as file:
        notes = [row["note"] for row in csv.DictReader(file) if row["check"] == "frequency_error"]
    assert len(notes) == 1
    assert re.search(r"repeats run \S+: plug was loose", notes[0])


def test_a_part_of_a_sequence_by_itself(tmp_path: Path) -> None:
    """--only without --again is a run of its own; it says which part it is, and may itself be repeated."""
    bench = Bench(tmp_path, serial=SOUND)
    done = bench.run("--only", "frequency_error")
    assert done.exit_code == 0
    assert "part        frequency_error" in done.stdout
    whole = bench.shown()
    assert (whole["part"], whole["again"]) == ("frequency_error", "")
    assert [row["check"] for row in whole["results"]] == ["confirm", "confirm", "frequency_error"]
    assert bench.again().exit_code == 0


def _refused(result: Result, *texts: str) -> None:
    assert result.exit_code == 2, result.output
    said = " ".join(result.stderr.split())
    for text in texts:
        assert text in said, said


def test_a_repeat_without_an_earlier_run_is_refused(tmp_path: Path) -> None:
    """No store, a store without a run of the unit, one without the check: said, with the way out; no row and no table is left."""
    bench = Bench(tmp_path)
    _refused(bench.again(), "--again", "no earlier run", "--folder")
    assert not (tmp_path / "results").exists()
    bench.run("--only", "carrier_power")
    _refused(bench.again(), "holds no result of frequency_error", "without --again")
    bench.serial = SOUND
    _refused(bench.again(), "no run of unit 'M40-0007' with the sequence 'quick' on a simulated bench")
    _refused(bench.again("frequency_error", "--of", "nonsense"), "--of", "no run 'nonsense' in this store")
    assert len(list((tmp_path / "results").glob("*.csv"))) == 1


def test_a_repeat_of_another_unit_s_run_is_refused(bench: Bench) -> None:
    """A run that is named must be of this unit."""
    name = bench.runs()[0]["run"]
    bench.serial = SOUND
    _refused(bench.again("frequency_error", "--of", name), "is of unit 'M40-0012', not of 'M40-0007'")


def test_a_sequence_that_was_changed_is_no_repeat(bench: Bench) -> None:
    """Under another limit it would not be the same check: refused, with both hashes; put back as it was, it is one."""
    bench.sequence.write_text(SEQUENCE.replace("600 Hz", "2 kHz"), encoding="utf-8")
    _refused(bench.again(), "is not the one of run", "the sequence file as it was")
    assert len(bench.runs()) == 1
    bench.sequence.write_text(SEQUENCE, encoding="utf-8")
    assert bench.again().exit_code == 1


def test_a_bench_that_was_changed_is_told_of(bench: Bench, tmp_path: Path) -> None:
    """A cable that was changed is a reason to repeat: it goes on, says so, and the result carries the new bench's hash."""
    content = (
        Path("sim/bench.yaml")
        .read_text(encoding="utf-8")
        .replace("unit: units ", f"unit: {Path('sim/units').resolve()} ")
    )
    (tmp_path / "other.yaml").write_text(content + "\n# another cable\n", encoding="utf-8")
    done = bench.again(bench=str(tmp_path / "other.yaml"))
    assert done.exit_code == 1
    assert "The bench is not as it was in run" in done.stderr
    whole = bench.shown()
    assert whole["repeats"][0]["bench_hash"] != whole["bench_hash"]


@pytest.mark.parametrize(
    ("words", "texts"),
    [
        (["--again", "--reason", "x"], ["--again", "--only CHECK"]),
        (["--reason", "x"], ["--reason", "nothing is repeated"]),
        (["--of", "x"], ["--of", "nothing is repeated"]),
        (["--only", "frequency_error", "--again"], ["needs its reason", "--reason TEXT"]),
        (["--only", "frequency_error", "--again", "--reason", "  "], ["--reason", "is empty"]),
        (["--only", "frequency_error", "--again", "--reason", "x" * 300], ["--reason", "300 characters"]),
        (["--only", "frequency_error", "--again", "--reason", "a\x1bb"], ["--reason", "control character"]),
        (
            ["--only", "frequency_eror"],
            ["--only", "no check 'frequency_eror'", "did you mean 'frequency_error'?"],
        ),
        (["--only", ""], ["--only", "no check ''"]),
        (["--only", "sensitivity", "--again", "--reason", "x"], ["--only", "carrier_power"]),
        (["--entered", "idle current=5 mA"], ["--entered", "this sequence asks for no reading"]),
    ],
)
def test_words_that_say_nothing_together_are_refused(
    bench: Bench, words: list[str], texts: list[str]
) -> None:
    """Each is refused before anything is opened, with what would do; the store stays as it is."""
    _refused(bench.run(*words), *texts)
    assert len(bench.runs()) == 1


def test_a_simulated_run_is_not_repeated_on_a_real_bench(bench: Bench, tmp_path: Path) -> None:
    """Neither by itself nor by name; and nothing is sent, for the bench of this test is nowhere."""
    content = Path("sim/bench.yaml").read_text(encoding="utf-8")
    real = re.sub(r"^(visa|unit|clock|seed): .*$", "", content, flags=re.MULTILINE) + "\nvisa: py\n"
    (tmp_path / "real.yaml").write_text(real, encoding="utf-8")
    where = {"bench": str(tmp_path / "real.yaml")}
    _refused(bench.again(**where), "no run of unit", "on a real bench")
    named = bench.again("frequency_error", "--of", bench.runs()[0]["run"], **where)
    _refused(named, "was on a simulated bench, and this is the other kind")
    assert bench.runs()[0]["replaced"] == 0
    # a dry run on that bench is simulated, and so may repeat a simulated one
    done = bench.again("frequency_error", "--dry-run", **where)
    assert done.exit_code in (0, 1), done.output
    assert bench.runs()[0]["replaced"] == 1


def test_a_store_on_a_server_keeps_repeats_too(tmp_path: Path, postgres: PostgresServer) -> None:
    """The same on PostgreSQL: both results, the reason, and which counts."""
    bench = Bench(tmp_path, store=postgres.address())
    assert bench.run().exit_code == 1
    assert bench.again().exit_code == 1
    whole = bench.shown()
    assert [row["counts"] for row in whole["results"]] == [True, True, True, True, False]
    assert whole["repeats"][0]["reason"] == "plug was loose"


def test_a_repeat_while_the_store_is_out_of_reach_replaces_when_it_is_back(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store that cannot take the first try takes the repeat with the next, and then the old result counts no more."""
    from sequencer.results.store import problems as store_problems

    write, tries = Store.write_check, []

    def sometimes(self: Store, *arguments: Any, **named: Any) -> None:
        tries.append(arguments)
        if len(tries) in (2, 3):
            raise store_problems.StoreProblem("here", "the store is held by another process", "Wait.")
        write(self, *arguments, **named)

    monkeypatch.setattr(Store, "write_check", sometimes)
    assert bench.again().exit_code == 1
    whole = bench.shown()
    assert [row["counts"] for row in whole["results"]] == [True, True, True, True, False]
    assert len([row for row in whole["repeats"][0]["results"] if row["check"] == "frequency_error"]) == 1


def test_csv_of_a_run_holds_all_and_says_which_counts(bench: Bench) -> None:
    """`results RUN --csv` carries the columns of the export for the run and its repeats."""
    bench.again()
    rows = list(csv.DictReader(io.StringIO(bench.call("results", "last", "--csv").stdout)))
    assert [row["counts"] for row in rows if row["check"] == "frequency_error"] == ["False", "True"]


def test_every_command_takes_a_run_by_its_beginning(bench: Bench, tmp_path: Path) -> None:
    """`results`, `trace`, `compare`, `report` and `run --of` find it; what several begin with is refused with their names, status 2."""
    (first,) = bench.runs()
    short = first["run"][:22]
    assert bench.shown(short)["run"] == first["run"]
    assert bench.call("trace", short).exit_code == 0
    assert bench.call("report", short, str(tmp_path / "page.html")).exit_code == 0
    assert bench.again("frequency_error", "--of", short).exit_code == 1
    second = bench.runs()[-1]
    assert second["again"] == first["run"]
    for words in (
        ("results", "2"),
        ("trace", "2"),
        ("compare", "2"),
        ("report", "2", str(tmp_path / "b.html")),
    ):
        refused = bench.call(*words)
        assert refused.exit_code == 2
        assert "several runs begin with '2'" in refused.stderr
        assert first["run"] in refused.stderr
        assert second["run"] in refused.stderr
    refused = bench.again("frequency_error", "--of", "2")
    assert refused.exit_code == 2
    assert "--of: several runs begin with '2'" in refused.stderr
