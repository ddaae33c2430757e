"""Runs that were cut short are carried on: nothing finished is lost, halved or doubled, and what is measured again is said.

The processes are real and are killed with SIGKILL (signal(7): it cannot be caught) at lines of their journals. Every line of the
acceptance run and random times: tests/benchmarks/crash_table.py.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import time
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner

from drivers.link.visa import open_library
from sequencer.cli import resume
from sequencer.cli.ended import ended_as_plain, status_of
from sequencer.cli.main import main
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load_both import load_both
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import make_plan
from sequencer.results.journal import Head, read_journal
from sequencer.results.journal_lines import make_line, read_lines
from sequencer.run import record
from sequencer.run.events import CheckStarted, Event
from sequencer.run.keeping.journal import Journal
from sequencer.run.people.confirm import GivenBeforehand
from sequencer.run.record import Record
from sequencer.run.resuming import left_bench
from sequencer.run.resuming.left_bench import LeftBench
from sequencer.run.resuming.resume import changed_inputs
from sequencer.run.runner import Runner
from sim.scpi.faults import Fault, FaultKind
from tests.support.crashed import RUN, SEQUENCE, Left, call, killed, left_in, lines_of
from tests.support.every_check import rig_of

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="killed processes are forked")


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sequence, and an undisturbed run of it in `whole`."""
    folder = tmp_path_factory.mktemp("resume")
    (folder / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    done = call("run", str(folder / "short.yaml"), *RUN, "--folder", str(folder / "whole"))
    assert done.exit_code == 0, done.output
    return folder


@pytest.fixture(scope="module")
def whole(here: Path) -> Left:
    """What an undisturbed run leaves."""
    return left_in(here / "whole")


def _killed_at(here: Path, name: str, event: str, *, of: int = 0, before: bool = False) -> Path:
    """Return the folder of a run that was killed at the ``of``-th line of an ``event``, counted as the undisturbed run has them."""
    at = [line["number"] for line in lines_of(here / "whole") if line["event"] == event][of]
    folder = here / name
    words = ("run", str(here / "short.yaml"), *RUN, "--folder", str(folder))
    assert os.WTERMSIG(killed(words, lambda number: number == at, before=before)) == signal.SIGKILL
    return folder


@pytest.mark.parametrize(
    ("event", "of", "before"),
    [
        ("run", 0, False),
        ("confirmed", 0, False),
        ("PTT to be pressed", 0, False),
        ("check ended", 1, True),
        ("check ended", 1, False),
        ("entered", 0, False),
        ("check ended", 4, False),
        ("ended", 0, False),
    ],
)
def test_killed_anywhere_and_resumed_a_run_is_whole(
    here: Path, whole: Left, event: str, of: int, before: bool
) -> None:
    """Table and store hold each result of each check once, decided as in an undisturbed run; the run is done, and says it was resumed."""
    folder = _killed_at(here, f"{event}-{of}-{before}", event, of=of, before=before)
    cut = left_in(folder)
    assert cut.whole
    entered = any(line["event"] == "entered" for line in lines_of(folder))  # what was typed is kept
    again = () if entered else ("--entered", "idle current=120 mA")
    done = call("resume", "--confirmed", *again, "--folder", str(folder))
    assert done.exit_code == 0, done.output
    left = left_in(folder)
    assert left.measured == whole.measured
    assert Counter(one for one in left.table if one[0] != "confirm") == Counter(
        one for one in whole.table if one[0] != "confirm"
    )
    assert left.outcome == "done"
    assert set(cut.store) <= set(left.store)
    (run,) = json.loads(call("results", "--json", "--folder", str(folder)).stdout)
    assert len(run["resumed"]) == (0 if event == "ended" else 1)


def test_checks_that_shared_a_key_down_are_measured_anew_together(here: Path, tmp_path: Path) -> None:
    """Killed before the first of two is kept, none of them stands; carried on they share a key-down again, and each stands once."""
    (tmp_path / "shared.yaml").write_text(SEQUENCE.replace("share_key: no\n", ""), encoding="utf-8")
    words = ("run", str(tmp_path / "shared.yaml"), *RUN, "--folder", str(tmp_path / "cut"))
    lines = [line["event"] for line in lines_of(here / "whole")]
    at = (
        lines.index("check ended") + 3
    )  # the confirmation's end, two checks begun, PTT: the group is under way
    assert os.WTERMSIG(killed(words, lambda number: number == at)) == signal.SIGKILL
    assert [one[1] for one in left_in(tmp_path / "cut").store if one[1] != "confirm"] == []
    done = call(
        "resume", "--confirmed", "--entered", "idle current=120 mA", "--folder", str(tmp_path / "cut")
    )
    assert done.exit_code == 0, done.output
    left = left_in(tmp_path / "cut")
    assert {one[1] for one in left.measured} == {"carrier_power", "frequency_error", "enter_reading", "sinad"}
    assert max(Counter(left.measured).values()) == 1
    assert [line["event"] for line in lines_of(tmp_path / "cut")].count("PTT to be pressed") <= 2


@pytest.fixture(scope="module")
def cut_short(here: Path) -> Path:
    """The folder of a run that was killed in its second check; not to be changed."""
    return _killed_at(here, "cut", "PTT to be pressed", of=1)


@pytest.fixture
def cut(cut_short: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copytree(cut_short, tmp_path / "cut"))


def _resume(folder: Path, *words: str) -> Any:
    return call("resume", "--confirmed", "--entered", "idle current=120 mA", "--folder", str(folder), *words)


def test_it_says_what_is_measured_again_and_why(cut: Path) -> None:
    """The check that was cut short, the confirmation, the unit that starts cold: on the screen, and in the result's note."""
    done = _resume(cut)
    assert "1 of 4 checks were finished and stand; 3 are measured now" in done.stderr
    assert (
        "frequency error, channel 20 is measured again from its beginning: the run was cut short in it"
        in done.stderr
    )
    assert "1 confirmation is asked for again" in done.stderr
    assert "starts cold: frequency error, channel 20" in done.stderr
    rows = json.loads(call("results", "last", "--json", "--folder", str(cut)).stdout)["results"]
    notes = {row["check"]: row["note"] for row in rows}
    assert (
        "measured anew: the run was cut short in this check; the unit started cold"
        in notes["frequency_error"]
    )
    assert "cut short" not in notes["carrier_power"] + notes["sinad"]
    assert (
        sum(row["check"] == "confirm" for row in rows) == 2
    )  # both are kept, and the one that was given anew counts
    assert [row[1] for row in left_in(cut).store].count("confirm") == 1
    assert done.stdout.count("confirmed: knobs right") == 1
    assert "resumed: " in call("results", "last", "--folder", str(cut)).stdout


def test_other_commands_name_resume(here: Path, cut: Path) -> None:
    """`results`, `report` and the next `run` on the bench say that the run was cut short, and what carries it on."""
    assert "has not ended" in call("results", "last", "--folder", str(cut)).stdout
    report = call("report", "last", str(cut / "r.html"), "--folder", str(cut))
    (journal,) = cut.glob("*.journal")
    name = read_journal(journal).head.record.run
    for said in (report.stderr, call("results", "last", "--folder", str(cut)).stdout):
        assert f"'sequencer resume {name} --folder {cut}' carries it on" in said
    elsewhere = call("results", "last", "--store", str(cut / "results.sqlite")).stdout
    assert (
        f"'sequencer resume {name}' with --folder, the folder where its journal lies, carries it on"
        in elsewhere
    )
    ran = call("run", str(here / "short.yaml"), *RUN, "--folder", str(cut))
    assert "was cut short in frequency error, channel 20: 'sequencer resume" in ran.stderr
    assert "cut short" not in call("run", str(here / "short.yaml"), *RUN, "--folder", str(cut)).stderr


def _other_limit(here: Path, _cut: Path) -> tuple[str, ...]:
    (here / "short.yaml").write_text(SEQUENCE.replace("4 W", "3 W"), encoding="utf-8")
    return ()


def _sequence_gone(here: Path, _cut: Path) -> tuple[str, ...]:
    (here / "short.yaml").unlink()
    return ()


def _altered(_here: Path, cut: Path) -> tuple[str, ...]:
    (journal,) = cut.glob("*.journal")
    journal.write_bytes(journal.read_bytes().replace(b'"value":3.', b'"value":2.'))
    return ()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_other_limit, "short.yaml: the sequence file is not as it was when run"),
        (_sequence_gone, "is not there any more"),
        (_altered, "the journal was altered"),
        (lambda here, cut: ("--serial", "M40-0012"), "is of unit 'M40-0007', not of 'M40-0012'"),
        (lambda here, cut: ("--store", str(cut / "other.sqlite")), "writes to another store"),
    ],
)
def test_what_has_changed_is_refused_and_nothing_is_lost(
    here: Path, cut: Path, change: Callable[[Path, Path], tuple[str, ...]], said: str
) -> None:
    """Status 2, with what it was and what it is; what was finished stands as it did, and the run is carried on once all is as it was."""
    before = left_in(cut)
    whole = {one: one.read_bytes() for one in (here / "short.yaml", *cut.glob("*.journal"))}
    words = change(here, cut)
    try:
        done = _resume(cut, *words)
    finally:
        for one, content in whole.items():
            one.write_bytes(content)
    assert (done.exit_code, done.exception.__class__) == (2, SystemExit)
    assert said in done.stderr
    assert left_in(cut) == before
    assert _resume(cut).exit_code == 0


def test_a_line_cut_short_is_said_to_be_lost(cut: Path, whole: Left) -> None:
    """As after a power cut: the half line does not count, is said, and is no part of the journal afterwards."""
    (journal,) = cut.glob("*.journal")
    journal.write_bytes(journal.read_bytes() + b'{"number":9,"time"')
    done = _resume(cut)
    assert "was cut short: its 18 bytes do not count" in done.stderr
    assert left_in(cut).measured == whole.measured
    assert read_lines(journal.read_bytes()).lost_bytes == 0


def test_half_a_row_and_a_missing_store_are_made_good(cut: Path, whole: Left) -> None:
    """The table ends in half a row, the store is gone: both come out of the journal."""
    (table,) = cut.glob("*.csv")
    table.write_bytes(table.read_bytes()[:-20])
    for one in cut.glob("results.sqlite*"):
        one.unlink()
    assert _resume(cut).exit_code == 0
    left = left_in(cut)
    assert (left.measured, left.whole) == (whole.measured, True)
    assert Counter(row for row in left.table if row[0] != "confirm") == Counter(
        row[1:] for row in whole.measured
    )


def test_a_table_that_somebody_changed_is_left_alone(cut: Path) -> None:
    """A spreadsheet has saved it otherwise: a new one beside it holds all rows, and it is said."""
    (table,) = cut.glob("*.csv")
    theirs = table.read_bytes().replace(b"\r\n", b"\n")
    table.write_bytes(theirs)
    done = _resume(cut)
    assert "was changed since the run wrote it" in done.stderr
    assert done.exit_code == 0, done.output  # nothing of the bench has failed
    assert table.read_bytes() == theirs
    assert len(list(cut.glob("*.csv"))) == 2
    _leaves_all_as_it_is(cut)


def test_nothing_left_to_measure_is_told_as_json_with_the_runs_own_status(cut: Path) -> None:
    """A run that failed and has ended is no pass because it is carried on once more; a program reads JSON in any case."""
    assert _resume(cut).exit_code == 0
    told = _resume(cut, "--json")
    assert told.exit_code == 0
    found = json.loads(told.stdout)
    assert (found["status"], found["outcome"]) == (0, "done")
    assert {one["check"] for one in found["results"]} >= {"carrier_power", "frequency_error", "sinad"}
    (journal,) = cut.glob("*.journal")
    kept = read_journal(journal)
    missing = replace(kept, kept=replace(kept.kept, status=3))
    assert (status_of(missing), ended_as_plain(missing)["status"]) == (3, 3)


def _leaves_all_as_it_is(folder: Path) -> None:
    """See that a resume with nothing left to do writes no table."""
    before = {one.name: one.read_bytes() for one in folder.glob("*.csv")}
    done = _resume(folder)
    assert (done.exit_code, "nothing left to measure" in done.stderr) == (0, True), done.output
    assert {one.name: one.read_bytes() for one in folder.glob("*.csv")} == before


@pytest.mark.parametrize("store_too", [True, False])
def test_what_only_the_table_has_is_measured_again_and_said(
    here: Path, whole: Left, tmp_path: Path, store_too: bool
) -> None:
    """The journal's disk was full from the second check on: the table is gone on with, and nothing counts twice."""
    folder = Path(shutil.copytree(here / "whole", tmp_path / "full"))
    (journal,) = folder.glob("*.journal")
    lines = journal.read_bytes().splitlines(keepends=True)
    (first, *_) = (
        at for at, line in enumerate(lines) if b'"event":"check ended"' in line and b"carrier" in line
    )
    journal.write_bytes(b"".join(lines[: first + 1]))
    if not store_too:
        for one in folder.glob("results.sqlite*"):
            one.unlink()
    (table,) = folder.glob("*.csv")
    theirs = table.read_bytes()
    done = _resume(folder)
    assert done.exit_code == 0, done.output
    assert "frequency error, channel 20, enter reading" in done.stderr, done.stderr
    assert "results stand in the table and not in the journal" in done.stderr
    assert "cut short in" not in done.stderr
    assert "was changed since" not in done.stderr
    assert set(theirs.splitlines()) <= set(table.read_bytes().splitlines())
    assert left_in(folder).measured == whole.measured
    _leaves_all_as_it_is(folder)


def test_a_run_that_goes_on_is_not_carried_on(cut: Path) -> None:
    """Whoever writes the journal still has it; status 2 says so."""
    (path,) = cut.glob("*.journal")
    lines = read_lines(path.read_bytes())
    journal = Journal.take_up(
        path, power_safe=False, number=len(lines.lines), good_bytes=lines.good_bytes, last_sum=lines.last_sum
    )
    done = _resume(cut)
    assert (done.exit_code, "goes on: another process writes its journal" in done.stderr) == (2, True)
    journal.close()


def test_another_time_zone_keeps_every_rows_own_time(
    cut: Path, whole: Left, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The machine's zone changes in between: rows keep the offset they were found under, and the table is gone on with."""
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    time.tzset()
    try:
        assert _resume(cut).exit_code == 0
    finally:
        monkeypatch.undo()
        time.tzset()
    (table,) = cut.glob("*.csv")
    offsets = {line.split(",")[0][-6:] for line in table.read_text(encoding="utf-8").splitlines()[1:]}
    assert "+09:00" in offsets
    assert len(offsets) == 2
    assert left_in(cut).measured == whole.measured


def test_ctrl_c_and_then_resume(tmp_path: Path) -> None:
    """A run that somebody stopped has ended; it is carried on all the same, under its own name."""
    rig = rig_of(tmp_path, "carrier_power")
    last = rig.plan.steps[-1].index

    def stop(event: Event) -> None:
        if isinstance(event, CheckStarted) and event.index == last:
            signal.raise_signal(signal.SIGINT)

    with Record(tmp_path / "r", rig.record.facts) as record:
        Runner(rig.plan, rig.parts, record, GivenBeforehand(), [stop]).run()
    assert left_in(tmp_path / "r").outcome == "interrupted (SIGINT)"
    assert "did not measure all it was to" in call("results", "last", "--folder", str(tmp_path / "r")).stdout
    done = call("resume", "--confirmed", "--folder", str(tmp_path / "r"))
    assert done.exit_code in (0, 1), done.output
    assert [row[1] for row in left_in(tmp_path / "r").measured] == ["carrier_power"]


def test_what_a_lost_instrument_spoilt_is_measured_again(tmp_path: Path) -> None:
    """The row that says so stays and does not count; the run's verdict is that of what was measured when the instrument was back."""
    rig = rig_of(tmp_path, "carrier_power")
    rig.inject("power_meter", Fault(kind=FaultKind.TIMEOUT, match="READ", times=None))
    with Record(tmp_path / "r", rig.record.facts) as record:
        Runner(rig.plan, rig.parts, record, GivenBeforehand()).run()
    assert {row[4] for row in left_in(tmp_path / "r").store} >= {"not measured"}
    done = call("resume", "--confirmed", "--folder", str(tmp_path / "r"))
    assert "is measured again: power_meter had failed" in done.stderr
    assert done.exit_code in (0, 1), done.output
    left = left_in(tmp_path / "r")
    assert "not measured" not in {row[4] for row in left.store}
    assert "not measured" in {row[3] for row in left.table}
    shown = call("results", "last", "--folder", str(tmp_path / "r")).stdout
    assert "measured again when the run was" in " ".join(shown.split())


def test_a_changed_channel_plan_is_refused_as_a_changed_sequence_is(tmp_path: Path) -> None:
    """What sequence and bench name beside them is of the run too: another frequency for a channel is another run."""
    shipped = (Path(__file__).parents[2] / "sequences" / "plans" / "cept-40.yaml").read_text(encoding="utf-8")
    plan, sequence = tmp_path / "plan.yaml", tmp_path / "own.yaml"
    plan.write_text(shipped, encoding="utf-8")
    sequence.write_text(
        "sequence: Own\nchannels: plan.yaml\nsupply: 13.2 V\nchecks:\n  - {check: frequency_error, channel: 20}\n",
        encoding="utf-8",
    )
    words = [
        "run",
        str(sequence),
        *("--bench", "bench", "--serial", "M40-0007"),
        "--folder",
        str(tmp_path / "results"),
    ]
    assert CliRunner().invoke(main, words).exit_code == 0
    read = read_journal(next((tmp_path / "results").glob("*.journal")))

    def now() -> list[str]:
        planned = make_plan(*load_both(str(sequence), "bench", serial="M40-0007"), serial="M40-0007")
        return [one.file for one in changed_inputs(read, planned)]

    assert now() == []
    plan.write_text(shipped + "\n# looked at again\n", encoding="utf-8")
    assert now() == ["sequence/plan.yaml"]


def _forged(journal: Path, *, record: Mapping[str, Any] | None = None, **head: Any) -> None:
    """Write a journal anew with another first line, whose checksums are right (zlib's CRC-32, by the product's own writer)."""
    lines = [json.loads(line) for line in journal.read_bytes().splitlines()]
    lines[0] |= head
    lines[0]["record"] |= record or {}
    content, before = b"", 0
    for number, line in enumerate(lines):
        facts = {name: value for name, value in line.items() if name not in ("number", "sum")}
        made, before = make_line(number, before, facts)
        content += made
    journal.write_bytes(content)


@pytest.fixture
def made_safe(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Hear when a bench is made safe, and how its journal is taken up afterwards: the disk can only be read."""
    happened: list[str] = []

    def safe(head: Head) -> LeftBench:
        happened.append(f"safe: {Path(head.bench_file).name}")
        return LeftBench(last_line="The bench is safe: PTT released.")

    def read_only(*_: Any, **__: Any) -> Any:
        happened.append("journal")
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(resume, "make_safe", safe)
    monkeypatch.setattr(record, "taken_up", read_only)
    return happened


def test_a_reevaluation_is_passed_by_and_named_it_says_what_it_is(
    here: Path, cut: Path, made_safe: list[str]
) -> None:
    """One that has not ended is the newest in the folder: the run before it is carried on, and the next run names that one."""
    (journal,) = cut.glob("*.journal")
    run = read_journal(journal).head.record.run
    anew = cut / "anew.journal"
    anew.write_bytes(journal.read_bytes())
    _forged(anew, record={"run": "r-evaluated", "evaluated_from": run}, bench_file="/gone/gone.yaml")
    os.utime(anew, (2e9, 2e9))
    named = _resume(cut, "r-evaluated")
    assert (named.exit_code, f"is a re-evaluation of run {run}" in named.stderr) == (2, True)
    assert made_safe == []
    _resume(cut)
    assert made_safe == ["safe: bench.yaml", "journal"]
    ran = call("run", str(here / "short.yaml"), *RUN, "--folder", str(cut))
    assert f"'sequencer resume {run}" in ran.stderr


def test_the_bench_is_safe_before_anything_is_written(cut: Path, made_safe: list[str]) -> None:
    """The folder can only be read: nothing is said to be carried on, and the last line says how the bench was left."""
    done = _resume(cut)
    assert made_safe == ["safe: bench.yaml", "journal"]
    assert (done.exit_code, "results cannot be written here" in done.stderr) == (2, True)
    assert "carried on" not in done.stderr
    assert done.stderr.splitlines()[-1] == "The bench is safe: PTT released."


def test_a_bench_whose_file_is_gone_is_said_to_be_unsafe_last(cut: Path) -> None:
    """Of a real bench: status 3, because something may still be on; what was measured stays."""
    (journal,) = cut.glob("*.journal")
    _forged(journal, record={"simulated": False}, bench_file=str(cut / "gone.yaml"), dry_run=False)
    done = _resume(cut)
    last = done.stderr.splitlines()[-1]
    assert done.exit_code == 3
    assert last.startswith("THE BENCH WAS NOT MADE SAFE: its file")
    assert "Remove the supply from the unit now" in last
    assert "measured now" not in done.stderr


@pytest.mark.parametrize(
    "content",
    [b"[" * 200_000, b"[" * 200_000 + b"\n", b"\x89PNG\n\xff", b"{" * 9_000_000, b'{"record":[]}\n'],
)
def test_a_neighbour_that_is_no_journal_is_passed_by(cut: Path, made_safe: list[str], content: bytes) -> None:
    """Newer than the run that was cut short, it is named and left; the run is found beside it, also by name."""
    other = cut / "other.journal"
    other.write_bytes(content)
    os.utime(other, (2e9, 2e9))
    done = _resume(cut)
    assert "other.journal is passed by: " in done.stderr
    assert made_safe == ["safe: bench.yaml", "journal"]
    assert "no journal of a run 'nobody'" in _resume(cut, "nobody").stderr
    assert other.read_bytes() == content


@pytest.mark.parametrize(
    "head",
    [
        {"table": "../../evil/table.csv"},
        {"table": "[bold]../../x"},
        {"table": ".."},
        {"table": "C:x.csv"},
        {"table": "x\0.csv"},
        {"store_file": "../evil.sqlite"},
    ],
    ids=lambda head: repr(next(iter(head.values()))),
)
def test_names_that_lead_out_of_the_folder_are_refused(
    cut: Path, made_safe: list[str], head: dict[str, str]
) -> None:
    """A first line with right checksums is believed in no name of a file; the bench is made safe all the same."""
    (journal,) = cut.glob("*.journal")
    _forged(journal, **head)
    before = sorted(cut.rglob("*"))
    done = _resume(cut)
    assert (done.exit_code, done.exception.__class__) == (2, SystemExit)
    assert "which no run writes" in done.stderr
    assert made_safe == ["safe: bench.yaml"]
    assert sorted(cut.rglob("*")) == before


@pytest.mark.provokes_hazards
def test_what_a_run_left_on_is_off_afterwards(
    cut: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """PTT pressed and the generator on, as a killed run leaves them: each is off, asked over a link of its own."""
    shipped = yaml.safe_load((Path(__file__).parents[2] / "sim" / "bench.yaml").read_text(encoding="utf-8"))
    file = tmp_path / "real.yaml"
    file.write_text(yaml.safe_dump({k: v for k, v in shipped.items() if k not in ("unit", "worn", "visa")}))
    parts = bench_parts(load_bench("bench"), serial="M40-0007", dry_run=False)
    monkeypatch.setattr(left_bench, "bench_parts", lambda *_, **__: parts)
    assert parts.simulation is not None
    simulated = parts.simulation.library()

    def ask(address: str, text: bytes) -> bytes:
        with open_library(simulated) as library:
            session = library.open_session(address, open_timeout_s=1.0, timeout_s=1.0)
            session.wire.send(text + b"\n", 1.0)
            return session.wire.read_line(80, 1.0) if text.endswith(b"?") else b""

    radio, generator = (
        parts.bench.instruments["radio"].address,
        parts.bench.instruments["signal_generator"].address,
    )
    ask(generator, b":OUTPut:STATe 1")
    ask(radio, b":CONTrol:KEY:STATe 1")
    assert ask(generator, b":OUTPut:STATe?").strip() == b"1"
    assert ask(radio, b":CONTrol:KEY:STATe?").strip() == b"1"
    (journal,) = cut.glob("*.journal")
    head = replace(read_journal(journal).head, bench_file=str(file))
    made = left_bench.make_safe(head)
    assert (made.is_safe, made.said) == (True, ())
    assert made.last_line.startswith("The bench is safe: PTT released")
    assert "was changed since the run began" in made.last_line
    assert ask(radio, b":CONTrol:KEY:STATe?").strip() == b"0"
    assert ask(generator, b":OUTPut:STATe?").strip() == b"0"
