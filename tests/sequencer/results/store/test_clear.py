"""Old traces are taken out, and nothing else: what stays is read before and after, in each kind of database."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from sequencer.cli.main import main
from sequencer.problems import InputError
from sequencer.results.model import Point
from sequencer.results.store import clear as clearing
from sequencer.results.store.clear import clear_traces, find_old_traces
from sequencer.results.store.move import move
from sequencer.results.store.place import StorePlace
from sequencer.results.store.spill import read_kept
from sequencer.results.store.store import Store
from sequencer.run.replay.source import source_in_store
from tests.support.kept_json import write_kept
from tests.support.stored_results import BUDGET, RUN, SETTINGS, a_result, an_exchange

NOW = datetime(2027, 6, 1, tzinfo=UTC)
BEFORE = NOW - timedelta(days=90)
OLD, NEW = BEFORE - timedelta(seconds=1), BEFORE
POINTS = (Point(level_db=-110.0, reading=12.5, state="in range", reading_s=0.1, at_s=3.5),)


def _write(store: Store, name: str, began: datetime, *, messages: int = 3, outcome: str = "done") -> None:
    run = replace(RUN, run=name, time=began)
    store.write_run(run)
    row = a_result(run=name, time=began, points=POINTS, budget=BUDGET, settings=SETTINGS)
    store.write_check(name, 0, [row], [an_exchange(b"12345") for _ in range(messages)])
    if outcome != "not ended":
        store.write_end(name, outcome=outcome, bench_safe=True, bench_s=1.0, status=0)


def _filled(place: StorePlace, *, old: int = 3) -> Store:
    store = Store.open(place)
    for number in range(old):
        _write(store, f"old{number}", OLD)
    _write(store, "new", NEW)
    _write(store, "open", OLD, outcome="not ended")
    _write(store, "silent", OLD, messages=0)
    return store


def _kept(store: Store) -> dict[str, Any]:
    """Return all that a reader gets of every run but its trace."""
    return {
        run.run: (run, store.read_results(run.run), store.read_inputs(run.run))
        for run in store.read_runs(limit=None)
    }


def test_only_old_traces_of_runs_that_ended_are_cleared(place: StorePlace) -> None:
    """A run of that very moment keeps its trace, one without an end too; of the others results, points and budgets are as they were."""
    with _filled(place) as store:
        before = _kept(store)
        found = find_old_traces(store, BEFORE)
        assert (found.runs, found.messages, found.content_bytes) == (3, 9, 45)
        assert (found.newer, found.not_ended) == (1, 1)
        assert _kept(store) == before
        assert all(len(store.read_exchanges(f"old{number}")) == 3 for number in range(3))
        assert clear_traces(store, BEFORE, NOW) == (3, 9)
        assert [len(store.read_exchanges(one)) for one in ("old0", "old2", "new", "open")] == [0, 0, 3, 3]
        assert _kept(store) == before
        cleared = store.read_cleared("old1")
        assert cleared is not None
        assert (cleared.time, cleared.messages) == (NOW, 3)
        assert [store.read_cleared(one) for one in ("new", "open", "silent")] == [None] * 3
        assert find_old_traces(store, BEFORE).runs == 0
        assert clear_traces(store, BEFORE, NOW) == (0, 0)


def test_cut_short_the_next_call_does_the_rest(place: StorePlace, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C between two transactions: each run is whole or cleared and said to be, and all are cleared in the end."""
    monkeypatch.setattr(clearing, "AT_ONCE", 2)

    def stop(done: int, of: int) -> None:
        if done:
            raise KeyboardInterrupt

    with _filled(place, old=5) as store:
        with pytest.raises(KeyboardInterrupt):
            clear_traces(store, BEFORE, NOW, stop)
        names = [f"old{number}" for number in range(5)]
        left = [len(store.read_exchanges(one)) for one in names]
        assert left == [0, 0, 3, 3, 3]
        assert [store.read_cleared(one) is not None for one in names] == [one == 0 for one in left]
        assert clear_traces(store, BEFORE, NOW) == (3, 9)


def test_a_journal_that_comes_in_after_its_trace_was_cleared_adds_what_is_new_alone(
    tmp_path: Path, place: StorePlace
) -> None:
    """What the store had of the run is not taken for lacking: the check that it never had comes in, and no other comes twice."""
    checks = [
        (0, [a_result()], [an_exchange(), an_exchange()]),
        (1, [a_result(value=-119.0)], [an_exchange()]),
    ]
    kept = read_kept(write_kept(tmp_path / "kept.json", replace(RUN, outcome="done"), checks, ()))
    with Store.open(place) as store:
        store.write_run(RUN)
        store.write_check("r1", *checks[0])
        store.write_end("r1", outcome="interrupted (SIGTERM)", bench_safe=True, bench_s=1.0)
        assert clear_traces(store, NOW, NOW) == (1, 2)
        assert store.count_rows("r1") == 3
        taken = store.import_kept(kept)
        assert (taken.checks, taken.results, taken.exchanges) == (1, 1, 1)
        assert [one.value for one in store.read_results("r1")] == [-120.0, -119.0]
        assert store.import_kept(kept).nothing
        assert clear_traces(store, NOW, NOW) == (1, 1)
        cleared = store.read_cleared("r1")
        assert cleared is not None
        assert cleared.messages == 3
        assert store.import_kept(kept).nothing


def test_a_run_whose_trace_one_store_has_cleared_is_the_same_run(tmp_path: Path, place: StorePlace) -> None:
    """It is moved once, with its trace or without; the other store keeps what it has. Another result is still found out."""
    source = StorePlace(path=tmp_path / "source.sqlite")
    with _filled(source) as store:
        move(source, place)
        clear_traces(store, BEFORE, NOW)
        _write(store, "later", NEW)
    again = move(source, place)
    assert (again.runs, again.runs_there) == (1, 6)
    with Store.open(place) as there:
        assert len(there.read_exchanges("old0")) == 3
        assert there.read_cleared("old0") is None
    third = StorePlace(path=tmp_path / "third.sqlite")
    move(source, third)
    with Store.open(third) as there:
        assert there.read_exchanges("old0") == []
        assert there.read_cleared("old0") is not None


def test_what_was_cleared_cannot_be_replayed_and_says_so(tmp_path: Path) -> None:
    """Replay and `trace` tell when that was and how much there was, not that nothing had been exchanged."""
    with _filled(StorePlace(path=tmp_path / "results.sqlite")) as store:
        clear_traces(store, BEFORE, NOW)
        run = store.read_run("old0")
        assert run is not None
        with pytest.raises(InputError, match=r"its trace was cleared on 2027-0\d-\d\d .* \(3 messages\)"):
            source_in_store(run, store)
    said = CliRunner().invoke(main, ["trace", "old0", "--folder", str(tmp_path)])
    assert said.exit_code == 0
    assert said.stdout == ""
    assert "the trace of run old0 was cleared on 2027-0" in said.stderr


def _clear(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(
        main, ["store", "clear-traces", "--folder", str(folder), *words], env={"NO_COLOR": "1"}
    )


def _old_store(folder: Path) -> Path:
    """Write a store of runs that began long ago by today's clock."""
    with Store.open(folder / "results.sqlite") as store:
        for number in range(40):
            _write(store, f"r{number}", datetime.now(UTC) - timedelta(days=100), messages=200)
        _write(store, "today", datetime.now(UTC))
    return folder / "results.sqlite"


def test_the_command_changes_nothing_until_it_is_told_to(tmp_path: Path) -> None:
    """It says what would go and what stays; with --delete it is gone, and --compact gives the disk its room back."""
    path = _old_store(tmp_path)
    said = _clear(tmp_path, "--older-than", "90")
    assert said.exit_code == 0, said.output
    assert "to clear: the traces of 40 runs, 8000 messages" in said.output
    assert "stay: the traces of 1 newer run\n" in said.output
    assert "Nothing was changed" in said.output
    plain = json.loads(_clear(tmp_path, "--older-than", "90", "--json").stdout)
    assert (plain["runs"], plain["messages"], plain["content_bytes"], plain["cleared"]) == (
        40,
        8000,
        40_000,
        None,
    )
    before = path.stat().st_size
    done = _clear(tmp_path, "--older-than", "90", "--delete", "--compact")
    assert done.exit_code == 0, done.output
    assert "cleared: the traces of 40 runs, 8000 messages" in done.output
    assert path.stat().st_size < before / 2
    with Store.open_to_read(path) as store:
        assert len(store.read_runs(limit=None)) == 41
        assert len(store.read_exchanges("today")) == 3


@pytest.mark.parametrize("words", [["--older-than", "0"], ["--older-than", "-1"], [], ["--older-than", "x"]])
def test_an_age_that_is_none_is_refused(tmp_path: Path, words: list[str]) -> None:
    """No age, or one that would take today's: wrong input, and nothing is cleared."""
    path = _old_store(tmp_path)
    assert _clear(tmp_path, *words, "--delete").exit_code == 2
    with Store.open_to_read(path) as store:
        assert len(store.read_exchanges("r0")) == 200


def test_compact_is_of_a_file_that_is_cleared(tmp_path: Path, store_name: str) -> None:
    """Without --delete it is refused, and of a server too, whose room is used again by itself."""
    assert "without --delete" in _clear(tmp_path, "--older-than", "90", "--compact").output
    if "://" in store_name:
        words = ("--older-than", "90", "--delete", "--compact", "--store", store_name)
        assert "a server gives the room to new rows" in " ".join(_clear(tmp_path, *words).output.split())
