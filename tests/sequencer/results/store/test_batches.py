"""Batches in the store, in SQLite and in PostgreSQL alike: what a run says of the line, and the batch as it was opened."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from sequencer.results.line import BatchRecord, CheckSeconds, LineFacts
from sequencer.results.store.place import StorePlace
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
