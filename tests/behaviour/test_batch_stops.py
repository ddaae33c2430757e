"""A batch that stops itself: by which rule, what must be seen of the bench before it goes on, and that a person's word is kept."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.files.shipped import find_file
from sequencer.results.line import BatchRecord
from sequencer.results.store.store import Store
from sequencer.uncertainty.decision import Decision
from tests.support.batch_store import a_run, power_row
from tests.support.postgres_server import PostgresServer

LOW = """\
sequence: Low
channels: plans/cept-40.yaml
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, limit: {max: 3 W}}
"""
BATCH = """\
batch: B
sequence: low.yaml
stop: {failures_in_a_row: 2}
"""
STOPPED = "2 units one after another failed carrier_power (M40-0007, M40-0011)"


def _call(*words: str) -> Any:
    return CliRunner(env={"COLUMNS": "100", "NO_COLOR": "1"}).invoke(main, words)


def _run(serial: str, batch: str = "b.yaml", bench: str = "self-checking-bench") -> Any:
    return _call("run", "low.yaml", "--bench", bench, "--serial", serial, "--batch", batch)


def _record(name: str = "B") -> BatchRecord:
    with Store.open_to_read(Path("results/results.sqlite")) as store:
        record = store.read_batch(name)
    assert record is not None
    return record


def _stopped(name: str = "B") -> tuple[bool, str]:
    record = _record(name)
    return record.closed is not None, record.stopped


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder with a sequence that every unit fails, and its batch."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "low.yaml").write_text(LOW, encoding="utf-8")
    (tmp_path / "b.yaml").write_text(BATCH, encoding="utf-8")
    return tmp_path


def test_it_goes_on_only_once_the_bench_was_found_in_order(here: Path) -> None:
    """Two failures stop it; the own check alone is not enough where there is a golden unit; afterwards the count begins anew."""
    assert "stops:" not in _run("M40-0007").stderr
    second = _run("M40-0011")
    assert second.exit_code == 1
    assert f"Batch 'B' stops: {STOPPED}" in second.stderr
    assert _stopped() == (True, STOPPED)
    refused = _run("M40-0012")
    assert refused.exit_code == 2
    assert "the bench's own check was not made since then" in refused.output
    assert "the check of the golden unit M40-0007 was not made since then" in refused.output
    assert "check-bench --bench self-checking-bench --golden" in refused.output
    assert _call("check-bench", "--bench", "self-checking-bench", "--confirmed").exit_code == 0
    half = _run("M40-0012")
    assert half.exit_code == 2
    assert "own check was not made" not in half.output
    assert _call("check-bench", "--golden", "--bench", "self-checking-bench", "--confirmed").exit_code == 0
    gone_on = _run("M40-0012")
    assert gone_on.exit_code == 1, gone_on.output
    assert "stops:" not in gone_on.stderr
    is_closed, why = _stopped()
    assert not is_closed
    assert f"{STOPPED}; opened again " in why
    assert "bench found in order (the bench's own check in run " in why
    went_on = _record().went_on
    assert went_on is not None
    assert f"opened again {went_on.isoformat(timespec='milliseconds')}: " in why


def test_a_bench_that_nothing_can_prove_needs_somebodys_word_which_is_kept(here: Path) -> None:
    """The shipped bench has no check path: the reason stands with the batch, and the count begins anew."""
    for serial in ("M40-0007", "M40-0011"):
        _run(serial, bench="bench")
    assert _record().went_on is None
    refused = _run("M40-0012", bench="bench")
    assert refused.exit_code == 2
    assert "names neither a check path nor a golden unit" in refused.output
    assert "--open REASON" in refused.output
    assert _call("batch", "B", "--open", "limit was wrong for these two").exit_code == 0
    assert _run("M40-0012", bench="bench").exit_code == 1
    assert not _stopped()[0]
    assert _stopped()[1].endswith("limit was wrong for these two")


def test_a_batch_that_a_person_closed_is_not_opened_by_a_check_of_the_bench(here: Path) -> None:
    """It waits for that person's word."""
    _run("M40-0007")
    assert _call("batch", "B", "--close", "target reached").exit_code == 0
    assert _call("check-bench", "--bench", "self-checking-bench", "--confirmed").exit_code == 0
    refused = _run("M40-0012")
    assert refused.exit_code == 2
    assert "was closed by hand on" in refused.output
    assert "target reached" in refused.output


def _prove(**changes: Any) -> None:
    """Write a check of the bench that passed, as its run would; ``changes`` of the run."""
    with Store.open(Path("results/results.sqlite")) as store:
        at = datetime.now().astimezone()
        name = f"proof {at.isoformat()}"
        run = replace(
            a_run(0, "bench Own"),
            **{
                "run": name,
                "time": at,
                "bench": "Own (simulated)",
                "simulated": True,
                "batch": "",
                **changes,
            },
        )
        row = replace(power_row(run, 3.5), check="bench_check", time=at, decision=Decision.PASS)
        store.write_run(run)
        store.write_check(run.run, 0, [row], [])
        store.write_end(run.run, outcome=run.outcome, bench_safe=True, bench_s=1.0, status=0)


@pytest.fixture
def stopped(here: Path) -> Path:
    """A batch that its rule has stopped, on a bench that only its own check can prove; returns the bench file."""
    text = Path(find_file("self-checking-bench", "bench")).read_text(encoding="utf-8")
    units = Path(find_file("m40-0007", "unit")).parent
    text = text.replace("bench: Self-checking bench", "bench: Own").replace("unit: units", f"unit: {units}")
    (here / "own.yaml").write_text(re.sub(r"(?m)^golden_unit:.*\n", "", text), encoding="utf-8")
    for serial in ("M40-0007", "M40-0011"):
        assert _run(serial, bench="own.yaml").exit_code == 1
    assert (_record().closed_by, _record().stopped_itself) == ("rule", True)
    return here / "own.yaml"


def test_what_a_person_closed_after_a_rule_had_stopped_it_stays_closed(stopped: Path) -> None:
    """However the bench is found: the state is who closed it, with when and why; the page says so, and never that it stopped itself."""
    assert _call("batch", "B", "--close", "all delivered").exit_code == 0
    _prove()
    refused = _run("M40-0012", bench="own.yaml")
    assert refused.exit_code == 2, refused.output
    assert "was closed by hand on" in refused.output
    assert "stopped itself" not in refused.output
    record = _record()
    assert (record.closed_by, record.stopped_itself) == ("hand", False)
    assert record.stopped.startswith(f"{STOPPED}; closed by hand ")
    shown = _call("batch", "B")
    assert "closed by hand on" in shown.output
    assert _call("batch", "B", "--open", "one more").exit_code == 0
    assert (_record().closed, _record().closed_by) == (None, "")
    assert _call("batch", "B", "--close", "that was all").exit_code == 0
    _prove()
    assert _run("M40-0012", bench="own.yaml").exit_code == 2
    assert _record().closed_by == "hand"


def test_what_one_bench_proves_says_nothing_of_another(stopped: Path) -> None:
    """A batch that both had tested for goes on at the bench that was found in order, and at the other once that was too."""
    assert _call("batch", "B", "--open", "one of each").exit_code == 0
    text = stopped.read_text(encoding="utf-8").replace("bench: Own", "bench: Second")
    (stopped.parent / "second.yaml").write_text(text, encoding="utf-8")
    assert _run("M40-0012", bench="own.yaml").exit_code == 1
    assert "stops:" in _run("M40-0013", bench="second.yaml").stderr
    _prove()
    assert _run("M40-0014", bench="own.yaml").exit_code == 1
    refused = _run("M40-0015", bench="second.yaml")
    assert refused.exit_code == 2, refused.output
    assert "own check was not made since then" in " ".join(refused.output.split())
    _prove(bench="Second (simulated)")
    assert _run("M40-0015", bench="second.yaml").exit_code == 1


def test_a_golden_unit_whose_sequence_lacks_its_check_is_told_of(stopped: Path) -> None:
    """Its run says that it checks nothing, and the gate says why no run of it counts, and what to write."""
    text = stopped.read_text(encoding="utf-8")
    stopped.write_text(f"{text}golden_unit: {{serial: M40-0007, sequence: low.yaml}}\n", encoding="utf-8")
    made = _call("check-bench", "--golden", "--bench", "own.yaml", "--confirmed")
    lacking = "the sequence low.yaml has no check 'golden_unit'"
    assert made.exit_code == 1, made.output
    assert f"This is no check of the bench: {lacking}" in made.stderr
    refused = _run("M40-0012", bench="own.yaml")
    assert refused.exit_code == 2
    said = " ".join(refused.output.split())
    assert lacking in said
    assert "write '- {check: golden_unit}' as its last check" in said


def test_a_check_of_the_bench_counts_by_when_it_began(stopped: Path) -> None:
    """One that began before the stop and ended after it proves nothing; nor does one that was broken off; the next one does."""
    closed = _record().closed
    assert closed is not None
    _prove(time=closed - timedelta(minutes=1))
    before = _run("M40-0012", bench="own.yaml")
    assert before.exit_code == 2, before.output
    assert "was begun before that" in " ".join(before.output.split())
    _prove(outcome="stopped: by Ctrl-C")
    broken_off = _run("M40-0012", bench="own.yaml")
    assert broken_off.exit_code == 2
    assert "did not come to its end" in " ".join(broken_off.output.split())
    _prove()
    assert _run("M40-0012", bench="own.yaml").exit_code == 1


def test_a_series_ends_with_the_unit_that_stops_its_batch(here: Path) -> None:
    """No further unit is begun."""
    (here / "units.csv").write_text("serial\nM40-0007\nM40-0011\nM40-0012\nM40-0013\n", encoding="utf-8")
    words = ("run", "low.yaml", "--bench", "bench", "--units", "units.csv", "--batch", "b.yaml")
    done = _call(*words)
    assert done.exit_code == 1, done.output
    assert "ended because its batch stopped by its rules" in done.stderr
    assert STOPPED in done.stderr
    with Store.open_to_read(Path("results/results.sqlite")) as store:
        assert sorted(run.serial for run in store.read_runs(limit=None)) == ["M40-0007", "M40-0011"]


def test_when_it_went_on_is_a_fact_that_no_reason_can_change(here: Path) -> None:
    """A reason that reads like another day is a text: the rules count from when it was opened, and two more failures stop it."""
    for serial in ("M40-0007", "M40-0011"):
        assert _run(serial, bench="bench").exit_code == 1
    reason = "opened again 2031-01-01T00:00:00.000+00:00: by mistake"
    opened = _call("batch", "B", "--open", reason)
    assert opened.exit_code == 0, opened.output
    went_on = _record().went_on
    assert went_on is not None
    assert went_on - _record().opened < timedelta(days=1)
    assert "stops:" not in _run("M40-0012", bench="bench").stderr
    assert "stops:" in _run("M40-0013", bench="bench").stderr
    assert _record().went_on == went_on  # closing leaves it


def test_a_batch_stops_on_a_server_as_in_a_file(here: Path, postgres: PostgresServer) -> None:
    """Closed by its second failure, refused, opened by somebody's word: where the store is PostgreSQL."""
    store = ("--store", postgres.address())
    words = ("run", "low.yaml", "--bench", "bench", "--batch", "b.yaml", *store)
    for serial in ("M40-0007", "M40-0011"):
        assert _call(*words, "--serial", serial).exit_code == 1
    refused = _call(*words, "--serial", "M40-0012")
    assert refused.exit_code == 2
    assert STOPPED in refused.output
    assert _call("batch", "B", "--open", "limit was wrong", *store).exit_code == 0
    assert _call(*words, "--serial", "M40-0012").exit_code == 1


def test_a_station_says_that_its_batch_stops_and_takes_no_further_unit(here: Path) -> None:
    """After the second failure; the third scan is refused with what is to be done first."""
    words = ["line", "low.yaml", "--bench", "bench", "--batch", "b.yaml"]
    done = CliRunner(env={"COLUMNS": "100"}).invoke(main, words, input="M40-0007\nM40-0011\nM40-0012\n")
    assert done.exit_code == 1, done.output
    assert f"Batch 'B' stops: {STOPPED}" in done.output
    assert "Refused: M40-0012: batch 'B' stopped itself" in done.output
    with Store.open_to_read(Path("results/results.sqlite")) as store:
        assert sorted(run.serial for run in store.read_runs(limit=None)) == ["M40-0007", "M40-0011"]
