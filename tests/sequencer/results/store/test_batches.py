"""Batches in the store, in SQLite and in PostgreSQL alike: what a run says of the line, and the batch as it was opened."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from threading import Barrier

import pytest

from sequencer.results.line import BatchRecord, CheckSeconds, LineFacts
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.store import Store, Wanted
from tests.support.stored_results import RUN, a_result, an_exchange

LINE = LineFacts(
    batch="Week 48",
    station="3",
    operator="Ines Rabold",
    lot="L-7",
    fixture="F2",
    attempt=2,
    retest_reason="loose plug",
)
BATCH = BatchRecord(
    batch="Week 48",
    sequence="Acceptance",
    sequence_hash="a",
    simulated=True,
    target=20,
    rules='{"batch": "Week 48"}',
    opened=datetime(2027, 1, 2, 3, tzinfo=UTC),
)


@pytest.fixture
def store(place: StorePlace) -> Iterator[Store]:
    """A store with a run in a batch and one outside."""
    with Store.open(place) as opened:
        opened.write_run(replace(RUN, **LINE.as_plain()), batch=BATCH)
        opened.write_check(
            "r1", 0, [a_result(**LINE.as_plain())], [an_exchange()], seconds=CheckSeconds(bench_s=4.0)
        )
        opened.write_run(replace(RUN, run="r2"))
        opened.write_check("r2", 0, [a_result(run="r2")], [])
        yield opened


def test_what_a_run_says_of_the_line_comes_back_with_it_and_its_results(store: Store) -> None:
    """Batch, station, operator, lot, fixture, attempt and reason stand on the run and on each of its results; elsewhere nothing."""
    (run,) = store.read_runs(Wanted(batch="Week 48"))
    (row,) = store.read_results("r1")
    assert LineFacts.of(run) == LineFacts.of(row) == LINE
    other = store.read_run("r2")
    assert other is not None
    assert LineFacts.of(other) == LineFacts()


@pytest.mark.parametrize(
    "wanted",
    [
        Wanted(batch="Week 48"),
        Wanted(station="3"),
        Wanted(operator="Ines Rabold"),
        Wanted(lot="L-7"),
        Wanted(runs=("r1",)),
    ],
)
def test_runs_and_results_are_chosen_by_what_the_run_says(store: Store, wanted: Wanted) -> None:
    """Each of them chooses the one run, and the one result, of two."""
    assert [one.run for one in store.read_runs(wanted)] == ["r1"]
    assert [one.run for one in store.find_results(wanted)] == ["r1"]
    assert [one.run for one in store.iterate_runs(wanted)] == ["r1"]


def test_a_batch_stays_as_it_was_opened(store: Store) -> None:
    """A second run that would open it anew changes nothing; closing and opening it again are written down."""
    store.write_run(replace(RUN, run="r3"), batch=replace(BATCH, target=5, sequence="Another"))
    assert store.read_batches() == [BATCH]
    later = BATCH.opened + timedelta(hours=8)
    store.write_batch_state("Week 48", closed=later, stopped="three failures in a row")
    assert store.read_batch("Week 48") == replace(BATCH, closed=later, stopped="three failures in a row")
    on = later + timedelta(hours=1)
    store.write_batch_state("Week 48", closed=None, stopped="", went_on=on)
    assert store.read_batch("Week 48") == replace(BATCH, went_on=on)
    store.write_batch_state("Week 48", closed=later, stopped="target reached")
    assert store.read_batch("Week 48") == replace(BATCH, closed=later, stopped="target reached", went_on=on)
    assert store.read_batch("Week 49") is None


def test_of_runs_that_open_a_batch_at_once_only_those_that_agree_are_written(place: StorePlace) -> None:
    """Four begin in the same moment, two with other rules: the batch has the rules of one, and only runs that were admitted under them."""
    Store.open(place).close()
    together = Barrier(4)
    rules = {f"r{number}": f'{{"batch": "Week {number % 2}"}}' for number in range(4)}

    def begin(run: str) -> str:
        with Store.open(place) as store:
            together.wait(timeout=30)
            try:
                store.write_run(
                    replace(RUN, run=run, serial=run, **LINE.as_plain()),
                    batch=replace(BATCH, rules=rules[run]),
                )
            except StoreProblem as problem:
                return str(problem)
        return ""

    with ThreadPoolExecutor(4) as pool:
        said = dict(zip(rules, pool.map(begin, rules), strict=True))
    with Store.open_to_read(place) as store:
        (batch,) = store.read_batches()
        written = {one.run for one in store.read_runs()}
    assert written == {run for run, its in rules.items() if its == batch.rules}
    assert {run for run, problem in said.items() if not problem} == written
    refused = [problem for problem in said.values() if problem]
    assert len(refused) == 2
    assert all("was opened by another run in this moment, for other rules" in one for one in refused)


def test_a_run_whose_batch_was_closed_since_it_was_admitted_is_not_written(store: Store) -> None:
    """Unless the store was away when it began: it has measured then."""
    store.write_batch_state("Week 48", closed=BATCH.opened, closed_by="hand", stopped="delivered")
    late = replace(RUN, run="r4", **LINE.as_plain())
    with pytest.raises(StoreProblem, match="was stopped or closed in this moment"):
        store.write_run(late, batch=BATCH)
    assert store.read_run("r4") is None
    store.write_run(late, batch=BATCH, again=True)
    assert store.read_run("r4") is not None


def test_a_batch_whose_first_run_turns_out_simulated_is_a_simulated_one(place: StorePlace) -> None:
    """What was found out decides, not what the bench file had said; a batch with a real run in it stays one of a real bench."""
    real = replace(RUN, simulated=False, **LINE.as_plain())
    with Store.open(place) as store:
        store.write_run(real, batch=replace(BATCH, simulated=False))
        store.write_simulated("r1", "Bench (simulated)")
        assert store.read_batches() == [BATCH]
        other = replace(LINE, batch="Week 49")
        for run in ("r2", "r3"):
            store.write_run(
                replace(real, run=run, **other.as_plain()),
                batch=replace(BATCH, batch="Week 49", simulated=False),
            )
        store.write_simulated("r3", "Bench (simulated)")
        found = store.read_batch("Week 49")
    assert found is not None
    assert not found.simulated


def test_where_the_time_of_a_check_went_is_added_up(store: Store) -> None:
    """What a resumed run spends on a check again stands together with what it had spent; other batches have none of it."""
    store.write_check(
        "r1", 0, [], [], seconds=CheckSeconds(bench_s=3.0, settling_s=1.0, resting_s=0.5, person_s=0.25)
    )
    assert store.read_seconds("Week 48") == {
        ("r1", 0): CheckSeconds(bench_s=7.0, settling_s=1.0, resting_s=0.5, person_s=0.25)
    }
    assert store.read_seconds("Week 49") == {}


def test_how_a_run_ended_is_a_number_too(store: Store) -> None:
    """The exit status is kept; of a run that has not ended there is none."""
    store.write_end("r1", outcome="done", bench_safe=True, bench_s=7.0, status=1)
    assert [(one.run, one.status) for one in store.read_runs()] == [("r2", None), ("r1", 1)]
