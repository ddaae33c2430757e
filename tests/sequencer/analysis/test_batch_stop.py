"""Which runs of a batch its stop rules see, and in which order, where several stations test at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from sequencer.analysis.batch_stop import close_if_due, outcomes_of, stop_limits
from sequencer.inputs.batch import BatchFile
from sequencer.results.line import BatchRecord
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store, Wanted
from sequencer.statistics.stop_rules import StopLimits
from tests.support.batch_store import BATCH, a_run, power_row

RULES = '{"batch": "Week 1", "sequence": "x", "stop": {"failures_in_a_row": 2}}'
LOW, GOOD = 2.0, 3.5


def _write(path: Path, runs: Sequence[tuple[str, float, float, float]], **changes: object) -> StorePlace:
    """Write runs: serial, when it began and ended (minutes), and its power."""
    place = StorePlace(path=path)
    with Store.open(place) as store:
        for number, (serial, begins, ends, power) in enumerate(runs):
            run = a_run(0, serial, run=f"r{number}", time=BATCH.opened + timedelta(minutes=begins))
            run = replace(run, **changes)
            row = replace(power_row(run, power), time=BATCH.opened + timedelta(minutes=ends))
            store.write_run(run, batch=replace(BATCH, rules=RULES))
            store.write_check(run.run, 0, [row], [])
            store.write_end(run.run, outcome="done", bench_safe=True, bench_s=1.0, status=int(power < 3.0))
    return place


def _record(place: StorePlace) -> BatchRecord:
    with Store.open_to_read(place) as store:
        record = store.read_batch(BATCH.batch)
    assert record is not None
    return record


@pytest.mark.parametrize(
    ("runs", "last", "stops"),
    [
        # a slow station's unit began before a good one of the other and failed after it: the newest is the slow one
        ([("A", 0, 1, LOW), ("B", 2, 9, LOW), ("C", 3, 4, GOOD)], "r1", False),
        ([("A", 0, 5, LOW), ("B", 2, 9, LOW), ("C", 1, 4, GOOD)], "r1", True),
        # the other station's good unit ended between this one's end and its look at the store
        ([("A", 0, 1, LOW), ("B", 2, 4, LOW), ("C", 3, 5, GOOD)], "r1", True),
    ],
)
def test_units_follow_each_other_as_their_tests_ended(
    tmp_path: Path, runs: list[tuple[str, float, float, float]], last: str, stops: bool
) -> None:
    """Of two stations, too: no stop is missed because a unit that began later was done sooner, or ended in the same moment."""
    place = _write(tmp_path / "s.sqlite", runs)
    assert bool(close_if_due(place, BATCH.batch, last)) == stops
    assert _record(place).stopped_itself == stops


def test_two_stations_that_end_at_once_write_one_stop_and_both_say_so(tmp_path: Path) -> None:
    """The second finds it stopped, says why, and leaves when and why as they stand."""
    place = _write(tmp_path / "s.sqlite", [("A", 0, 1, LOW), ("B", 0, 1, LOW)])
    first = close_if_due(place, BATCH.batch, "r0")
    record = _record(place)
    assert first
    assert close_if_due(place, BATCH.batch, "r1") == first
    assert _record(place) == record
    with Store.open(place) as store:  # as read by one that has not seen the other's stop yet
        late = replace(record, closed=None, closed_by="", stopped="")
        assert not store.write_batch_state(BATCH.batch, closed=None, stopped="late", was=late)
    assert _record(place) == record


def test_runs_that_are_counted_nowhere_stop_nothing(tmp_path: Path) -> None:
    """Those of another kind of bench, or of another sequence."""
    runs = [("A", 0, 1, LOW), ("B", 2, 4, LOW)]
    for number, changes in enumerate(({"simulated": True}, {"sequence_hash": "other"})):
        place = _write(tmp_path / f"{number}.sqlite", runs, **changes)
        assert not close_if_due(place, BATCH.batch, "r1")
        assert _record(place).closed is None


@pytest.mark.parametrize(
    ("rules", "limits"),
    [
        ("{}", None),
        ('{"failures_in_a_row": 4}', StopLimits(failures_in_a_row=4)),
        ('{"first_pass": {"below": "80 %", "after": 25}}', StopLimits(yield_below=0.8, yield_after=25)),
        ('{"chart": {"checks": ["carrier_power"], "after": 30}}', StopLimits(chart_after=30)),
    ],
)
def test_what_a_batch_s_file_says_is_what_stops_it(rules: str, limits: StopLimits | None) -> None:
    """Each rule by itself: the others stop nothing. A file without any, or no file, stops nothing at all."""
    file = BatchFile.of_rules(f'{{"batch": "Week 1", "sequence": "x", "stop": {rules}}}')
    assert file is not None
    assert stop_limits(file) == limits
    assert stop_limits(None) is None


def test_a_first_attempt_says_what_passed_what_failed_and_the_numbers_that_are_watched(
    tmp_path: Path,
) -> None:
    """A unit by its first run; a number's name says its channel and where on an axis it lies, if it does."""
    place = _write(tmp_path / "s.sqlite", [("A", 0, 1, LOW), ("B", 2, 3, GOOD), ("A", 4, 5, GOOD)])
    with Store.open_to_read(place) as store:
        runs = list(store.iterate_runs(Wanted(batch=BATCH.batch), points=False))
    first, second = outcomes_of(runs, ["carrier_power"])
    assert (first.serial, first.passed, first.failed) == ("A", False, {"carrier_power": True})
    assert (second.serial, second.passed, second.failed) == ("B", True, {"carrier_power": False})
    (row,) = runs[0].results
    named = f"carrier_power, channel {row.channel}: carrier power"
    assert row.channel is not None
    assert first.values == {named: LOW}
    assert outcomes_of(runs)[0].values == {}
    swept = replace(runs[0], results=(replace(row, channel=None, axis_value=10.5, axis_unit="V"),))
    assert outcomes_of([swept], ["carrier_power"])[0].values == {
        "carrier_power: carrier power at 10.5 V": LOW
    }
