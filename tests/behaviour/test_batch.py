"""Runs in a batch, through the command line: what they carry, as which attempt, and what a batch does not take."""

from __future__ import annotations

import csv
import io
import json
import multiprocessing
import shutil
import sqlite3
from contextlib import closing
from dataclasses import fields
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import yaml
from click.testing import CliRunner, Result

from sequencer.cli.main import main
from sequencer.planning.plan import Plan
from sequencer.results.line import LineFacts
from sequencer.results.model import NOT_ENDED, RunInput, RunRecord
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store, Wanted
from sequencer.run import record
from sequencer.run.keeping.inputs import inputs_of
from tests.support.forked import Children
from tests.support.postgres_server import PostgresServer

SEQUENCE = """\
sequence: power only
channels: cept-40
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
"""
BATCH = """\
batch: Week 48
sequence: power.yaml
target: 20
serials: 'M40-\\d{4}'
retest: {attempts: 2, reason: required}
"""
TOO_STRONG, SOUND = "M40-0014", "M40-0007"
SAID = {"station": "3", "operator": "Ines Rabold", "lot": "L-7", "fixture": "F2"}


class Line:
    """A folder with a sequence, a batch file and results."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "power.yaml").write_text(SEQUENCE, encoding="utf-8")
        (folder / "batch.yaml").write_text(BATCH, encoding="utf-8")

    def call(self, *words: str) -> Result:
        """Call a command on the folder's store."""
        result = CliRunner().invoke(main, [*words, "--folder", str(self.folder / "results")])
        assert "Traceback" not in result.output
        assert result.exception is None or isinstance(result.exception, SystemExit), result.output
        return result

    def run(self, *words: str, serial: str = SOUND, sequence: str = "power.yaml") -> Result:
        """Run the sequence on the simulated bench."""
        named = str(self.folder / sequence) if sequence.endswith(".yaml") else sequence
        return self.call("run", named, "--bench", "sim/bench.yaml", "--serial", serial, *words)

    @property
    def file(self) -> str:
        """The batch file."""
        return str(self.folder / "batch.yaml")

    def json(self, *words: str) -> Any:
        """Return what a command says as JSON."""
        said = self.call(*words, "--json")
        assert said.exit_code == 0, said.output
        return json.loads(said.stdout)


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Line:
    """A unit that was tested twice in a batch, the second time with a reason."""
    made = Line(tmp_path_factory.mktemp("line"))
    told = [word for name, text in SAID.items() for word in (f"--{name}", text)]
    first = made.run("--batch", made.file, *told)
    assert first.exit_code == 0, first.output
    assert (
        "Batch 'Week 48' is new: it is opened with this run, for the sequence 'power only', 20 units"
        in first.stderr
    )
    again = made.run("--batch", "Week 48", *told, "--reason", "plug was loose")
    assert again.exit_code == 0, again.output
    assert "is new" not in again.stderr
    assert "batch Week 48, attempt 2 because: plug was loose; station 3" in again.stdout.replace("\n", " ")
    return made


def test_runs_and_results_carry_what_was_said_and_the_attempt(line: Line) -> None:
    """Run, result, JSON, list and table say batch, station, operator, lot, fixture and attempt."""
    second, first = line.json("results")
    assert {name: first[name] for name in SAID} == SAID
    assert [(one["batch"], one["attempt"], one["retest_reason"]) for one in (first, second)] == [
        ("Week 48", 1, ""),
        ("Week 48", 2, "plug was loose"),
    ]
    assert [one["status"] for one in (first, second)] == [0, 0]
    row = line.json("results", "last")["results"][0]
    assert {name: row[name] for name in SAID} == SAID
    tables = sorted((line.folder / "results").glob("*.csv"))
    header, power = (one.split(",") for one in tables[-1].read_text(encoding="utf-8").splitlines()[:2])
    table = dict(zip(header, power, strict=False))
    assert (table["batch"], table["attempt"], table["operator"]) == ("Week 48", "2", "Ines Rabold")
    listed = line.call("results")
    assert listed.exit_code == 0
    assert "batch Week 48; station 3; operator Ines Rabold; lot L-7; fixture F2" in listed.stdout


def test_the_journal_brings_the_batch_into_another_store(line: Line, tmp_path: Path) -> None:
    """A run that is imported from its journal opens its batch there as it was opened, and says the same of the line."""
    journal = min((line.folder / "results").glob("*.journal"))
    done = CliRunner().invoke(main, ["import-kept", str(journal), "--folder", str(tmp_path)])
    assert done.exit_code == 0, done.output
    with (
        Store.open_to_read(tmp_path / "results.sqlite") as now,
        Store.open_to_read(line.folder / "results" / "results.sqlite") as then,
    ):
        (run,) = now.read_runs(Wanted(batch="Week 48"))
        before = then.read_run(run.run)
        assert before is not None
        assert (LineFacts.of(run), run.status) == (LineFacts.of(before), before.status)
        assert now.read_batches() == then.read_batches()


def test_a_retest_that_the_rule_does_not_allow_is_refused(line: Line) -> None:
    """A third attempt where two are allowed, and a second without a reason where one is asked for."""
    third = line.run("--batch", "Week 48", "--reason", "once more")
    assert third.exit_code == 2
    assert "was tested 2 times in batch 'Week 48', as often as its rule allows" in third.stderr
    fresh = line.run("--batch", "Week 48", "--reason", "once more", serial="M40-0011")
    assert fresh.exit_code == 2
    assert "has no verdict in this batch yet, and nothing is repeated" in fresh.stderr


def _at_once(line: Line, monkeypatch: pytest.MonkeyPatch, store: str) -> list[tuple[int, str]]:
    """Return status and last words of two processes that test one unit in one batch, both admitted before either is in the store."""
    both = multiprocessing.get_context("fork").Barrier(2)

    def together(plan: Plan) -> list[RunInput]:
        both.wait(60)
        return inputs_of(plan)

    monkeypatch.setattr(record, "inputs_of", together)
    found: list[tuple[int, str]] = []
    children = Children(2, lambda _, said: found.append(tuple(said)))
    for bench in ("A", "B"):
        if children.fork(bench):
            command = ["run", str(line.folder / "power.yaml"), "--bench", "sim/bench.yaml", "--serial", SOUND]
            kept = ["--folder", str(line.folder / bench), "--store", store]
            said = CliRunner().invoke(main, [*command, "--batch", line.file, *kept])
            children.hand_back((said.exit_code, " ".join(said.stderr.split())))
    children.finish()
    return sorted(found)


@pytest.mark.parametrize("server", [False, True], ids=["sqlite", "postgresql"])
def test_of_two_stations_that_scan_a_unit_at_the_same_moment_one_is_refused(
    server: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    """Both looked before either had begun, so that each saw an untested unit: the store takes one of them, and the rule's limit holds."""
    line = Line(tmp_path)
    address = request.getfixturevalue("postgres").address() if server else str(tmp_path / "of-both.sqlite")
    with Store.open(find_place(tmp_path, address)):
        pass
    (one, _), (other, refused) = _at_once(line, monkeypatch, address)
    assert (one, other) == (0, 2)
    assert (
        f"unit '{SOUND}' is tested in batch 'Week 48' by another run, which began in this moment" in refused
    )
    assert "Begin the run again once the other has ended" in refused
    with Store.open(find_place(tmp_path, address)) as store:
        (run,) = store.read_runs(Wanted(batch="Week 48"))
        assert (run.attempt, run.outcome) == (1, "done")


def test_a_run_that_has_not_ended_on_another_bench_counts_as_an_attempt(tmp_path: Path) -> None:
    """The unit's one attempt is under way elsewhere: refused, with that run and bench named; half a day later it counts no more."""
    line = Line(tmp_path)
    batch = tmp_path / "batch.yaml"
    batch.write_text(
        batch.read_text(encoding="utf-8").replace("attempts: 2", "attempts: 1"), encoding="utf-8"
    )
    assert line.run("--batch", line.file, serial=TOO_STRONG).exit_code == 0  # opens the batch
    with Store.open(tmp_path / "results" / "results.sqlite") as store:
        (first,) = store.read_runs()
        now = datetime.now().astimezone()
        elsewhere = {"serial": SOUND, "bench": "Bench 2 (simulated)", "outcome": NOT_ENDED, "status": None}
        facts = {one.name: getattr(first, one.name) for one in fields(RunRecord)} | elsewhere
        store.write_run(
            RunRecord(**{**facts, "run": "there", "bench_safe": None, "time": now - timedelta(hours=1)})
        )
    refused = line.run("--batch", line.file)
    assert refused.exit_code == 2, refused.output
    assert "by run there on 'Bench 2 (simulated)', which has not ended" in " ".join(refused.stderr.split())
    assert "'sequencer resume there'" in " ".join(refused.stderr.split())
    with closing(sqlite3.connect(tmp_path / "results" / "results.sqlite")) as store_file, store_file:
        early = (now - timedelta(hours=13)).isoformat()
        store_file.execute("UPDATE run SET time = ?, utc_s = utc_s - 46800 WHERE run = 'there'", (early,))
    assert line.run("--batch", line.file).exit_code == 0


def test_a_batch_of_another_sequence_is_refused_with_both_named(line: Line) -> None:
    """By its name and by its file."""
    by_name = line.run("--batch", "Week 48", "--confirmed", sequence="quick-check")
    assert by_name.exit_code == 2
    told = " ".join(by_name.stderr.split())
    assert "batch 'Week 48' is tested with the sequence 'power only' (" in told
    assert "and this is 'FM mobile, quick check' (" in told
    by_file = line.run("--batch", line.file, "--confirmed", sequence="quick-check")
    assert by_file.exit_code == 2
    told = " ".join(by_file.stderr.split())
    assert (
        "batch 'Week 48' is tested with the sequence power.yaml, and this run is of quick-check.yaml" in told
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--batch", "=SUM(A1)"), "the batch begins as a spreadsheet's formula does"),
        (("--batch", "../other"), "the batch holds a character that cannot stand in a file's name"),
        (("--batch", "x" * 65), "the batch has 65 characters"),
        (("--station", "\x1b[2J"), "the station holds a control character"),
        (("--lot", "@lot"), "the lot begins as a spreadsheet's formula does"),
        (("--batch", "none.yaml"), "no such file"),
        (("--reason", "why"), "nothing is repeated"),
        (
            ("--batch", "b", "--again", "--only", "carrier_power"),
            "a repeat belongs to the batch of the run that it repeats",
        ),
    ],
)
def test_what_no_row_takes_is_refused_beforehand(line: Line, words: tuple[str, ...], said: str) -> None:
    """A formula, a path, an escape sequence, a text too long, a file that is not there: status 2, and what is allowed."""
    done = line.run(*words)
    assert done.exit_code == 2
    assert said in " ".join(done.stderr.split())


def test_a_unit_of_another_batch_s_pattern_is_refused(line: Line) -> None:
    """A serial that does not fit the batch's pattern does not belong to it."""
    done = line.run("--batch", "Week 48", serial="MX40-0101")
    assert done.exit_code == 2
    assert "unit 'MX40-0101' does not belong to batch 'Week 48'" in done.stderr


def test_a_repeat_belongs_to_the_batch_of_its_run(line: Line) -> None:
    """`--again` needs no --batch: the repeat stands in the batch, as the same attempt, with its reason."""
    done = line.run("--again", "--only", "carrier_power", "--reason", "meter was cold")
    assert done.exit_code == 0, done.output
    (newest, *_) = line.json("results")
    assert (newest["batch"], newest["attempt"], newest["retest_reason"]) == ("Week 48", 2, "meter was cold")


def test_the_record_says_where_the_seconds_went(line: Line) -> None:
    """Of each check how long it took, and what of that the transmitter rested: key down for half the time, as the bench's duty asks."""
    with Store.open_to_read(line.folder / "results" / "results.sqlite") as store:
        seconds = store.read_seconds("Week 48")
        runs = {run.run: run for run in store.read_runs(Wanted(batch="Week 48"))}
    assert {run for run, _ in seconds} == set(runs)
    for (run, _), one in seconds.items():
        assert 0.0 < one.bench_s <= (runs[run].bench_s or 0.0)
        assert one.settling_s > 0.0
        assert one.settling_s + one.resting_s + one.person_s <= one.bench_s
        assert one.person_s == 0.0


def test_each_result_is_a_line_as_soon_as_it_is_found(line: Line, tmp_path: Path) -> None:
    """`run --json-lines`: a line a result in the order found, complete in itself, and the run as the last line with all of them."""
    done = CliRunner().invoke(
        main,
        [
            *(
                "run",
                "quick-check",
                "--bench",
                "sim/bench.yaml",
                "--serial",
                SOUND,
                "--confirmed",
                "--json-lines",
            ),
            *("--only", "carrier_power", "--only", "frequency_error", "--folder", str(tmp_path)),
        ],
    )
    assert done.exit_code == 0, done.output
    *results, run = map(json.loads, done.stdout.splitlines())
    assert [one["event"] for one in (*results, run)] == ["result"] * len(results) + ["run"]
    assert {one["check"] for one in results} >= {"carrier_power", "frequency_error"}
    assert [{key: one[key] for key in ("check", "value", "run")} for one in results] == [
        {key: one[key] for key in ("check", "value", "run")} for one in run["results"]
    ]
    refused = line.run("--json-lines", "--repeat", "2")
    assert refused.exit_code == 2
    assert "it is of one run, and this is a series" in refused.stderr


def test_a_store_that_another_holds_has_an_exit_status_of_its_own(
    line: Line, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Looking back at a locked file, and beginning a run in a batch of it: status 5 and what to do; nothing was begun."""
    path = Path(shutil.copy(line.folder / "results" / "results.sqlite", tmp_path / "results.sqlite"))
    monkeypatch.setattr("sequencer.results.store.problems.LOCKED_S", 0.05)
    with closing(sqlite3.connect(path, isolation_level=None)) as holder:
        holder.execute("PRAGMA journal_mode=DELETE")
        holder.execute("PRAGMA locking_mode=EXCLUSIVE")
        holder.execute("BEGIN EXCLUSIVE")
        for words in (
            ["batch", "Week 48"],
            ["results"],
            [
                "run",
                str(line.folder / "power.yaml"),
                "--bench",
                "sim/bench.yaml",
                "--serial",
                SOUND,
                "--batch",
                "Week 48",
            ],
        ):
            done = CliRunner().invoke(main, [*words, "--folder", str(tmp_path)])
            assert done.exit_code == 5, (words, done.output)
            assert "Another program has held it" in " ".join(done.stderr.split())
        assert not list(tmp_path.glob("*.journal"))


def test_a_server_without_a_free_connection_is_busy(postgres: PostgresServer) -> None:
    """PostgreSQL that takes no more clients of a user: status 5, as SQLite's lock."""
    address = postgres.address(user="bench")
    with Store.open(find_place(Path("results"), address)):
        pass
    schema = address.rpartition("%3D")[2]
    postgres.execute(f"CREATE ROLE lonely_{schema} LOGIN CONNECTION LIMIT 0")
    done = CliRunner().invoke(
        main, ["batch", "--store", postgres.address(schema=schema, user=f"lonely_{schema}")]
    )
    assert done.exit_code == 5, done.output
    assert "no connection free" in " ".join(done.stderr.split())


def test_a_batch_on_a_server_is_as_one_in_a_file(
    line: Line, postgres: PostgresServer, tmp_path: Path
) -> None:
    """Opened, counted and refused alike where the store is PostgreSQL."""
    store = ["--store", postgres.address(), "--folder", str(tmp_path)]
    words = ["run", str(line.folder / "power.yaml"), "--bench", "sim/bench.yaml", "--serial", SOUND]
    for attempt in (1, 2):
        told = ["--reason", "plug was loose"] if attempt == 2 else []
        done = CliRunner().invoke(main, [*words, "--batch", line.file, *told, "--json", *store])
        assert done.exit_code == 0, done.output
        assert json.loads(done.stdout)["attempt"] == attempt
    refused = CliRunner().invoke(main, [*words, "--batch", "Week 48", "--reason", "why not", *store])
    assert refused.exit_code == 2
    assert "as often as its rule allows" in refused.stderr
    shown = CliRunner().invoke(main, ["batch", "Week 48", "--json", *store])
    assert shown.exit_code == 0, shown.output
    assert json.loads(shown.stdout)["yield"]["judged"] == 1


def test_a_run_of_a_batch_is_replayed_and_its_operator_masked(line: Line, tmp_path: Path) -> None:
    """A replay finds the same under the same batch; a trace that is to leave the house names neither unit nor operator."""
    first = line.json("results")[-1]["run"]
    replayed = line.call("replay", first)
    assert replayed.exit_code == 0, replayed.output
    kept = tmp_path / "run.json"
    masked = line.call("replay", first, "--as-test", str(kept), "--mask-serial")
    assert masked.exit_code == 0, masked.output
    text = kept.read_text(encoding="utf-8")
    assert '"batch":"Week 48"' in text
    assert SAID["operator"] not in text
    assert SOUND not in text


def test_an_export_is_chosen_by_run_batch_sequence_model_and_time(line: Line, tmp_path: Path) -> None:
    """In every format; what is chosen away is not there, and an export of nothing says where to look."""
    runs = line.json("results")
    first = runs[-1]["run"]
    chosen: dict[str, tuple[str, ...]] = {
        "run.jsonl": ("--run", first),
        "batch.csv": ("--batch", "Week 48"),
        "sequence.xml": ("--sequence", "power only"),
        "model.jsonl": ("--model", runs[-1]["model"]),
        "since.jsonl": ("--since", "2020-01-01"),
        "run.parquet": ("--run", first),
        "batch.parquet": ("--batch", "Week 48"),
        "sequence.parquet": ("--sequence", "power only"),
    }
    rows = {}
    for name, words in chosen.items():
        done = line.call("export", str(tmp_path / name), *words)
        assert done.exit_code == 0, done.output
        rows[name] = int(done.stdout.split()[-2])
    assert (
        rows["run.jsonl"]
        < rows["batch.csv"]
        == rows["sequence.xml"]
        == rows["model.jsonl"]
        == rows["since.jsonl"]
    )
    found = [json.loads(one) for one in (tmp_path / "run.jsonl").read_text(encoding="utf-8").splitlines()]
    assert {(one["run"], one["batch"], one["operator"]) for one in found} == {
        (first, "Week 48", SAID["operator"])
    }
    for name, column, value in (
        ("run", "run", first),
        ("batch", "batch", "Week 48"),
        ("sequence", "sequence", "power only"),
    ):
        frame = pd.read_parquet(tmp_path / f"{name}.parquet")
        assert len(frame) == rows[f"{name}.parquet"] == rows["run.jsonl" if name == "run" else "batch.csv"]
        assert set(frame[column]) == {value}
    assert '<property name="batch" value="Week 48"' in (tmp_path / "sequence.xml").read_text(encoding="utf-8")
    for words in (
        ("--batch", "none"),
        ("--sequence", "none"),
        ("--model", "none"),
        ("--until", "2020-01-01"),
    ):
        done = line.call("export", str(tmp_path / "none.csv"), "--force", *words)
        assert done.exit_code == 0
        assert "is as asked for" in done.stderr
    none = line.call("export", str(tmp_path / "none.parquet"), "--batch", "none")
    assert none.exit_code == 0
    assert "is as asked for" in none.stderr


def test_the_batch_command_shows_lists_closes_and_opens(line: Line, tmp_path: Path) -> None:
    """The page, the list, JSON, CSV, the report; a closed batch takes no run and says why, until it is opened again."""
    shown = line.call("batch", "Week 48")
    assert shown.exit_code == 0
    assert "SIMULATED" in shown.stdout
    assert "first pass  1 of 1, 100.0 % (2.5 to 100.0 %)" in shown.stdout
    assert "Week 48  1 of 20 units judged" in line.call("batch").stdout
    assert line.json("batch", "Week 48")["target"] == 20
    table = line.call("batch", "Week 48", "--csv")
    assert table.exit_code == 0
    assert table.stdout.splitlines()[0].startswith("check,quantity,channel")
    rows = list(csv.DictReader(io.StringIO(table.stdout)))
    assert {row["bounds"] for row in rows} == {"0"}
    with closing(sqlite3.connect(line.folder / "results" / "results.sqlite")) as store, store:
        store.execute("UPDATE result SET bound = 'at most' WHERE \"check\" = ?", (rows[0]["check"],))
    rows = list(csv.DictReader(io.StringIO(line.call("batch", "Week 48", "--csv").stdout)))
    assert (rows[0]["bounds"], rows[0]["n"]) == ("1", "0")
    page = line.call("report", "--batch", "Week 48", str(tmp_path / "week.html"))
    assert page.exit_code == 0, page.output
    closed = line.call("batch", "Week 48", "--close", "all delivered")
    assert closed.exit_code == 0, closed.output
    refused = line.run("--batch", "Week 48", serial="M40-0011")
    assert refused.exit_code == 2
    assert "was closed by hand on" in refused.stderr
    assert "all delivered" in refused.stderr
    assert line.call("batch", "Week 48", "--open", "one more").exit_code == 0
    again = line.run("--batch", "Week 48", serial="M40-0011")
    assert again.exit_code == 0, again.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("batch", "Week 47"), "did you mean 'Week 48'?"),
        (("batch", "--csv"), "it is of one batch"),
        (("batch", "Week 48", "--close", " "), "the reason is empty"),
        (("batch", "Week 48", "--close", "a", "--open", "b"), "a batch is closed or opened, not both"),
        (("report", "--batch", "Week 48", "last", "x.html"), "with --batch there is no RUN"),
        (("report", "--batch", "Week 48", "--sheet", "x.html"), "it is of runs, and --batch of a batch"),
        (("report", "--batch", "none", "x.html"), "no batch 'none' in this store"),
    ],
)
def test_what_batch_and_report_do_not_take_is_said(line: Line, words: tuple[str, ...], said: str) -> None:
    """Status 2, and what is allowed."""
    done = line.call(*words)
    assert done.exit_code == 2, done.output
    assert said in " ".join(done.stderr.split())


def test_a_dry_run_opens_nothing_of_a_batch_of_real_units(line: Line, tmp_path: Path) -> None:
    """Tried on a bench of real instruments, a batch is another one, so that the real one is still to be opened."""
    bench = yaml.safe_load(Path("sim/bench.yaml").read_text(encoding="utf-8"))
    real = {key: one for key, one in bench.items() if key not in ("visa", "unit", "clock", "seed")}
    (tmp_path / "bench.yaml").write_text(yaml.safe_dump(real), encoding="utf-8")
    where = ["--bench", str(tmp_path / "bench.yaml"), "--folder", str(tmp_path / "results")]
    words = ["run", str(line.folder / "power.yaml"), "--serial", SOUND, "--batch", "Real", "--dry-run"]
    done = CliRunner().invoke(main, [*words, *where])
    assert done.exit_code == 0, done.output
    with Store.open_to_read(tmp_path / "results" / "results.sqlite") as store:
        assert [(one.batch, one.simulated) for one in store.read_batches()] == [("Real (dry run)", True)]
        assert store.read_runs(Wanted(batch="Real")) == []
