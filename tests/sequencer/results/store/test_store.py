"""The store, the same on SQLite and PostgreSQL: durable when a check ends, plain about what is wrong, closed to what it does not know."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import inspect, text

from drivers.faults import TimedOut
from drivers.trace import Direction, Exchange
from sequencer.results.model import Confirmation, FaultFacts, Point, Result, RunInput
from sequencer.results.store import problems as store_problems
from sequencer.results.store import query as store_query
from sequencer.results.store import store as store_module
from sequencer.results.store.engine import make_engine
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.store import SCHEMA_VERSION, BenchInstrument, Store, StoreProblem, Wanted
from sequencer.results.stored import StoredUnit, run_as_plain
from sequencer.uncertainty.decision import Decision
from tests.support.stored_results import BUDGET, RUN, SETTINGS, a_result, an_exchange


@pytest.fixture
def store(place: StorePlace) -> Iterator[Store]:
    """An open store with one run in it."""
    with Store.open(place) as opened:
        opened.write_run(RUN)
        yield opened


def _bare(place: StorePlace, *statements: str) -> None:
    """Do something to the store behind its back."""
    engine = make_engine(place)
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        for statement in statements:
            connection.execute(text(statement))
    engine.dispose()


@contextmanager
def _held(place: StorePlace) -> Iterator[None]:
    """Hold the store as another program would."""
    engine = make_engine(place)
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        if place.url is not None:
            connection.execute(text("LOCK TABLE result, run, exchange IN ACCESS EXCLUSIVE MODE"))
        else:
            connection.execute(text("SELECT 1"))
        yield
    engine.dispose()


def test_a_check_comes_back_whole(store: Store) -> None:
    """Results with readings, budget and settings, and every exchanged byte, come back as they were written."""
    points = (
        Point(level_db=-120.0, reading=None, state="over range", reading_s=0.2, at_s=3.0),
        Point(level_db=-110.0, reading=12.5, state="in range", reading_s=0.1, at_s=3.5),
    )
    unbounded = replace(BUDGET, expanded=math.inf)
    result = a_result(points=points, budget=unbounded, settings=SETTINGS)
    store.write_check("r1", 3, [result, a_result(value=None)], [an_exchange(b"\xff\x00,\n")])
    row, other = store.read_results("r1")
    assert (row.value, row.channel, row.lower_limit, row.simulated) == (-120.0, 20, None, True)
    assert row.points == points
    assert row.budget == unbounded
    assert row.settings == SETTINGS
    assert (other.value, other.points, other.budget, other.settings) == (None, (), None, None)
    (said,) = store.read_exchanges("r1", 3)
    assert said.content == b"\xff\x00,\n"
    assert store.read_exchanges("r1", 4) == []


@pytest.mark.parametrize(
    "number", [0.1, 1 / 3, -119.90000000000001, 5e-324, 1.7976931348623157e308, math.inf]
)
def test_numbers_come_back_to_the_last_digit(store: Store, number: float) -> None:
    """A value is an IEEE 754 double on both sides, from the smallest to the largest."""
    store.write_check("r1", 0, [a_result(value=number, uncertainty=number)], [])
    (row,) = store.read_results("r1")
    assert (row.value, row.uncertainty) == (number, number)


def test_runs_are_listed_newest_first_with_what_was_decided(store: Store) -> None:
    """A list of runs says how each ended, with which instruments, and how many results of each kind it has."""
    store.write_run(replace(RUN, run="r2", time=datetime.fromisoformat("2027-01-03T00:00:00.000+00:00")))
    store.write_check("r1", 0, [a_result(), a_result(decision=Decision.FAIL), a_result()], [])
    store.write_end("r1", outcome="done", bench_safe=True, bench_s=61.0)
    who = {"role": "radio", "maker": "Invented", "model": "RB-1", "serial": "8001", "firmware": "0.9"}
    for _ in range(2):  # what is written again takes the place of the first
        store.write_instruments("r1", [BenchInstrument(name="radio", **who)])
    newest, first = store.read_runs()
    assert (newest.run, newest.outcome, newest.decisions) == ("r2", "not ended", {})
    assert first.decisions == {"pass": 2, "fail": 1}
    assert first.instruments == (BenchInstrument(name="radio", **who),)
    assert first.bench_safe is True
    assert store.read_run("r1") == first
    assert store.read_run("r3") is None
    assert store.read_runs(serial="M40-0008") == []


def test_instruments_keep_their_calibration_and_order(store: Store) -> None:
    """Certificate and due date stand beside the identity of the run they were valid in; the bench file's order is kept."""
    found = [
        BenchInstrument(
            name=name, role=name, maker="Invented", model="X", serial="1", firmware="2", **calibration
        )
        for name, calibration in (
            ("voltmeter", {}),
            ("power_meter", {"certificate": "C-1", "due": "2027-06-30"}),
        )
    ]
    store.write_instruments("r1", found)
    run = store.read_run("r1")
    assert run is not None
    assert run.instruments == tuple(found)
    plain = run_as_plain(run)["instruments"]
    assert plain["power_meter"]["due"] == "2027-06-30"
    assert "due" not in plain["voltmeter"]


def test_who_stood_on_the_bench_in_the_run_before_is_found_by_the_bench_s_name(store: Store) -> None:
    """The newest other run on that bench of which it is known; none on another bench, or where no run said who answered."""
    run = store.read_run("r1")
    assert run is not None
    assert store.read_instruments_before("later", run.bench) == ("", [])
    meter = BenchInstrument(
        name="power_meter", role="power_meter", maker="H", model="P", serial="1", firmware="2"
    )
    store.write_instruments("r1", [meter])
    assert store.read_instruments_before("later", run.bench) == ("r1", [meter])
    assert store.read_instruments_before("r1", run.bench) == ("", [])
    assert store.read_instruments_before("later", "another bench") == ("", [])


def test_a_run_keeps_its_files_and_its_faults_as_data(store: Store) -> None:
    """Each content once, whatever bytes; a fault by its kind and words, NUL spelt out; a re-evaluation is no measurement."""
    inputs = [
        RunInput(place="sequence/a.yaml", kind="sequence", content=b"\x00\xff\n"),
        RunInput(place="sequence/b.yaml", kind="plan", content=b"\x00\xff\n"),
    ]
    store.write_run(replace(RUN, run="r8", asked='{"order": "quickest"}'), inputs)
    store.write_run(replace(RUN, run="r9", evaluated_from="r8", from_time="2027"), inputs)
    facts = {"fault": "TimedOut", "what": "no answer", "reply": "\x00"}
    silence = Exchange(
        time_s=1.0, instrument="meter", direction=Direction.RECEIVED, fault="no answer", facts=facts
    )
    store.write_check("r8", 0, [], [silence])
    assert store.read_inputs("r8") == store.read_inputs("r9") == inputs
    (read,) = store.read_exchanges("r8")
    assert read.facts is not None
    assert (read.facts["fault"], read.facts["what"]) == ("TimedOut", "no answer")
    assert "r9" in {run.run for run in store.read_runs()}
    assert "r9" not in {run.run for run in store.read_runs(Wanted(measured=True))}
    anew = store.read_run("r9")
    assert anew is not None
    assert (anew.evaluated_from, anew.from_time) == ("r8", "2027")


def test_runs_are_in_order_across_time_zones(store: Store) -> None:
    """The night the clock is put back, 02:30+02:00 comes before 02:10+01:00, whatever the texts say."""
    for run, time in (("early", "2027-10-31T02:30:00.000+02:00"), ("late", "2027-10-31T02:10:00.000+01:00")):
        store.write_run(replace(RUN, run=run, time=datetime.fromisoformat(time)))
    assert [run.run for run in store.read_runs()] == ["late", "early", "r1"]
    assert [run.run for run in store.iterate_runs(Wanted())] == ["r1", "early", "late"]


def test_what_is_written_is_there_for_others_at_once(store: Store, place: StorePlace) -> None:
    """On return a check's rows are committed: a second store reads them while the first is still open."""
    store.write_check("r1", 0, [a_result()], [an_exchange()])
    with Store.open_to_read(place) as other:
        assert len(other.read_results("r1")) == 1
        assert len(other.read_exchanges("r1")) == 1


def test_a_write_is_not_taken_twice(store: Store) -> None:
    """A write whose answer was lost on the way may be tried again: it is taken once, and the next one follows."""
    for _ in range(2):
        store.write_check("r1", 1, [a_result()], [an_exchange()], known=0)
    for _ in range(2):
        store.write_check("r1", 2, [a_result()], [], known=2)
    assert [row.check_index for row in store.read_results("r1")] == [1, 2]
    assert len(store.read_exchanges("r1")) == 1


def _found(run: str, value: float, **changes: Any) -> Result:
    return a_result(**{"run": run, "value": value, "check": "sensitivity", **changes})


def _repeat(store: Store, run: str, value: float, *, index: int = 1, of: str = "r1") -> None:
    store.write_run(replace(RUN, run=run, part="sensitivity", again=of, reason="loose plug"))
    store.write_check(run, index, [_found(run, value)], [], repeats=of)


def test_the_last_repeat_counts_and_the_others_stay(store: Store) -> None:
    """Of a check's result and its repeats the last counts; all stand in the store, each with what took its place."""
    confirmed = _found(
        "r1", 1.0, check="confirm", quantity="confirmed: squelch open", decision=Decision.NO_LIMIT
    )
    store.write_check("r1", 0, [confirmed], [])
    store.write_check("r1", 1, [_found("r1", -110.0, decision=Decision.FAIL)], [])
    store.write_check("r1", 2, [_found("r1", -118.0, channel=40)], [])
    _repeat(store, "r2", -119.0)
    _repeat(store, "r3", -119.5)
    states = {
        run: [(row.check_index, row.counts, row.replaced_by) for row in store.read_results(run)]
        for run in ("r1", "r2", "r3")
    }
    assert states == {
        "r1": [(0, True, ""), (1, False, "r3"), (2, True, "")],
        "r2": [(1, False, "r3")],
        "r3": [(1, True, "")],
    }
    first = store.read_run("r1")
    assert first is not None
    assert (first.decisions, first.replaced, first.again) == ({"no limit": 1, "pass": 1}, 1, "")
    assert [(one.run, one.reason, one.part) for one in store.read_repeats("r1")] == [
        ("r2", "loose plug", "sensitivity"),
        ("r3", "loose plug", "sensitivity"),
    ]
    by_run = {run.run: run for run in store.iterate_runs(Wanted())}
    assert (by_run["r1"].decisions, by_run["r1"].replaced) == (first.decisions, 1)
    assert [row.counts for row in by_run["r2"].results] == [False]


def test_a_confirmation_is_not_replaced(store: Store) -> None:
    """What was confirmed in the first run goes on counting for what was found under it; another run's checks are not touched."""
    asked = {"check": "confirm", "quantity": "confirmed: squelch open"}
    store.write_check("r1", 0, [_found("r1", 1.0, **asked)], [])
    store.write_run(replace(RUN, run="other"))
    store.write_check("other", 0, [_found("other", -110.0)], [])
    store.write_run(replace(RUN, run="r2", again="r1", reason="loose plug"))
    store.write_check("r2", 0, [_found("r2", 1.0, **asked)], [], repeats="r1")
    assert all(row.counts for run in ("r1", "r2", "other") for row in store.read_results(run))


def test_a_repeat_that_is_written_twice_replaces_once(store: Store) -> None:
    """A write whose answer was lost on the way leaves one repeat, which counts, and the first result, which does not."""
    store.write_check("r1", 1, [_found("r1", -110.0)], [])
    store.write_run(replace(RUN, run="r2", again="r1", reason="loose plug"))
    for _ in range(2):
        store.write_check("r2", 1, [_found("r2", -119.0)], [], known=0, repeats="r1")
    assert [row.counts for row in store.read_results("r1")] == [False]
    assert [row.counts for row in store.read_results("r2")] == [True]


def test_a_repeat_that_cannot_be_written_replaces_nothing(store: Store) -> None:
    """Writing the repeat and taking the count from what was there is one transaction."""
    store.write_check("r1", 1, [_found("r1", -110.0)], [])
    with pytest.raises(StoreProblem):
        store.write_check("r9", 1, [_found("r9", -119.0)], [], repeats="r1")
    assert [row.counts for row in store.read_results("r1")] == [True]


def test_of_repeats_at_the_same_moment_one_counts(store_name: str) -> None:
    """Twenty repeats of one run from four threads, on SQLite and PostgreSQL: one result counts in the end."""
    with Store.open(find_place(Path(), store_name)) as store:
        store.write_run(RUN)
        store.write_check("r1", 1, [_found("r1", -110.0)], [])

    def repeat(names: list[str]) -> None:
        with Store.open(find_place(Path(), store_name)) as store:
            for name in names:
                _repeat(store, name, -119.0)

    named = [[f"t{thread}-{number}" for number in range(5)] for thread in range(4)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(repeat, named))
    with Store.open(find_place(Path(), store_name)) as store:
        rows = store.find_results(Wanted(), points=False)
        counting = [row.run for row in rows if row.counts]
        assert len(rows) == 21
        assert len(counting) == 1
        assert {row.replaced_by for row in rows if row.run == "r1"} == set(counting)


@pytest.mark.parametrize("known", [None, 0])
def test_a_row_of_an_unknown_run_is_refused(store: Store, known: int | None) -> None:
    """No result stands in the store without the run it belongs to, and none of its check's rows either."""
    with pytest.raises(StoreProblem, match="cannot write to the store"):
        store.write_check("r9", 0, [a_result(run="r9")], [an_exchange()], known=known)
    assert store.read_results("r9") == []


def test_a_run_s_name_is_taken_once(store: Store) -> None:
    """A second run of one name is refused, and told what to do."""
    with pytest.raises(StoreProblem) as caught:
        store.write_run(RUN)
    assert "start the run again, it gets a new name" in caught.value.next_move


def test_units_are_known_by_serial_with_their_model_as_last_named(store: Store) -> None:
    """A unit stands once however often it was tested; a run that does not name the model leaves it as it is."""
    for run, model in (("r2", "M40 B"), ("r3", "")):
        store.write_run(replace(RUN, run=run, model=model))
    store.write_run(replace(RUN, run="r4", serial="M40-0001"))
    assert store.read_units() == [
        StoredUnit(serial="M40-0001", model="M40"),
        StoredUnit(serial="M40-0007", model="M40 B"),
    ]


def test_confirmations_say_what_was_asked_and_how_it_was_answered(store: Store) -> None:
    """Of a result of `confirm` the store keeps question, answer and who gave it, apart."""
    asked = {"check": "confirm", "unit": "", "uncertainty": None, "upper_limit": None}
    when = datetime(2027, 1, 2, 3, 4, 5, tzinfo=UTC)
    open_ = Confirmation(
        text="leads checked (by eye); squelch open",
        confirmed=True,
        how="at the terminal",
        when=when,
        who="R. Amsel",
    )
    lid = Confirmation(text="lid on", confirmed=False, how="by hand (M)", when=when, knob="lid")
    yes = a_result(**asked, quantity="confirmed: x", value=1.0, confirmations=(open_,))
    no = a_result(**asked, quantity="confirmed: y", value=0.0, confirmations=(open_, lid))
    store.write_check("r1", 0, [yes, no], [])
    assert store.read_confirmations("r1") == [open_, lid]
    (_, row) = store.read_results("r1")
    assert row.confirmations == (open_, lid)


def test_what_a_search_looked_for_and_what_failed_come_back_as_fields(store: Store) -> None:
    """Target, slope, axis, nominal, supply and every attribute of a fault are read as they were written."""
    facts = {
        "target": 12.0,
        "target_unit": "dB",
        "slope": 1.6,
        "axis": "supply",
        "axis_value": 10.8,
        "axis_unit": "V",
    }
    facts |= {"nominal": -73.0, "supply_v": 13.2}
    fault = TimedOut(
        "no answer",
        instrument="meter",
        address="A::1",
        command="READ?",
        reply="\x00",
        next_move="Look at the plug.",
    )
    store.write_check("r1", 0, [a_result(**facts, fault=FaultFacts.of(fault)), a_result()], [])
    with_facts, without = store.read_results("r1")
    assert {name: getattr(with_facts, name) for name in facts} == facts
    assert with_facts.fault == FaultFacts(
        kind="TimedOut",
        what="no answer",
        instrument="meter",
        address="A::1",
        command="READ?",
        reply="\x00",
        next_move="Look at the plug.",
    )
    assert without.fault is None
    assert without.confirmations == ()


@pytest.mark.parametrize(
    ("column", "content"),
    [
        ("confirmations", '[{"text": "lid on"}]'),
        ("fault", '{"what": "x"}'),
        ("decision", "maybe"),
        ("time", "noon"),
    ],
)
def test_a_damaged_row_is_a_clear_problem(store: Store, place: StorePlace, column: str, content: str) -> None:
    """What no sequencer wrote into a row is a problem of the store, named with what to do, and no traceback."""
    store.write_check("r1", 0, [a_result()], [])
    _bare(place, f"UPDATE result SET {column} = '{content}'")
    with pytest.raises(StoreProblem, match="cannot read the store") as caught:
        store.read_results("r1")
    assert "result 1 of run r1 (x) cannot be read" in caught.value.what
    assert "That row is damaged; the rest of the store can be read" in caught.value.next_move
    assert "move it away" not in caught.value.next_move


def test_a_column_that_is_missing_under_the_right_number_does_not_call_the_store_damaged(
    store: Store, place: StorePlace
) -> None:
    """A store of a version between two releases has this schema's number and lacks a column: that is said."""
    _bare(place, "ALTER TABLE result DROP COLUMN note")
    with pytest.raises(StoreProblem, match="note") as caught:
        store.read_results("r1")
    assert "written by a version between two releases" in caught.value.next_move
    assert "damaged" not in caught.value.next_move


def test_texts_that_no_database_takes_are_spelt_out(store: Store) -> None:
    """NUL, which PostgreSQL's text cannot hold, and a lone surrogate, which UTF-8 cannot, cost no result."""
    store.write_check("r1", 0, [a_result(note="a\x00b\udcffc µ")], [an_exchange(fault="\x00")])
    (row,) = store.read_results("r1")
    assert row.note == "a\\x00b\\udcffc µ"
    assert store.read_exchanges("r1")[0].fault == "\\x00"


def _filled(store: Store) -> list[Result]:
    """Put results of several units, days, checks and decisions into the store."""
    found = []
    for number in range(24):
        run = f"f{number // 4}"
        serial = f"M40-000{number // 8}"
        time = datetime(2027, 3, 1, 12, tzinfo=UTC) + timedelta(days=number // 4, minutes=number)
        facts = {"run": run, "serial": serial, "sequence": ("A", "B")[number // 4 % 2]}
        if number % 4 == 0:
            store.write_run(replace(RUN, **facts, time=time))
        result = a_result(
            **facts,
            time=time,
            check=("carrier_power", "sensitivity")[number % 2],
            channel=(1, 20, None)[number % 3],
            decision=(Decision.PASS, Decision.FAIL, Decision.NOT_MEASURED)[number % 3],
            value=float(number),
            points=(Point(level_db=0.0, reading=1.0, state="", reading_s=0.1, at_s=float(number)),),
        )
        store.write_check(run, number % 4, [result], [])
        found.append(result)
    return found


_DAY = datetime(2027, 3, 3, tzinfo=timezone(timedelta(hours=1)))


@pytest.mark.parametrize(
    ("wanted", "fits"),
    [
        (Wanted(), lambda one: True),
        (Wanted(serials=("M40-0000", "M40-0002")), lambda one: one.serial != "M40-0001"),
        (Wanted(check="sensitivity"), lambda one: one.check == "sensitivity"),
        (Wanted(sequence="B"), lambda one: one.sequence == "B"),
        (Wanted(channel=20), lambda one: one.channel == 20),
        (Wanted(decisions=("fail", "not measured")), lambda one: one.decision is not Decision.PASS),
        (Wanted(since=_DAY), lambda one: one.time >= _DAY),
        (Wanted(until=_DAY), lambda one: one.time < _DAY),
        (
            Wanted(serials=("M40-0001",), check="sensitivity", decisions=("pass",), since=_DAY),
            lambda one: (one.serial, one.check, one.decision) == ("M40-0001", "sensitivity", Decision.PASS),
        ),
        (Wanted(serials=("nobody",)), lambda one: False),
    ],
)
def test_results_are_found_by_what_is_asked(
    store: Store, wanted: Wanted, fits: Callable[[Result], bool]
) -> None:
    """Each filter leaves what a plain filter over all results leaves, newest first; a limit takes the newest of them."""
    expected = [one.value for one in reversed(_filled(store)) if fits(one)]
    assert [row.value for row in store.find_results(wanted)] == expected
    assert [row.value for row in store.find_results(wanted, limit=3)] == expected[:3]
    for row in store.find_results(wanted, limit=2):
        assert [point.at_s for point in row.points] == [row.value]
    assert all(row.points == () for row in store.find_results(wanted, points=False))


@pytest.mark.parametrize("at_once", [1, 2, 4, 500])
def test_runs_are_gone_through_a_few_at_a_time(
    store: Store, at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many are fetched at once, every run comes once, oldest first, with its own results and readings."""
    for module in (store_module, store_query):
        monkeypatch.setattr(module, "AT_ONCE", at_once)
    values = [one.value for one in _filled(store)]
    store.write_run(replace(RUN, run="r0"))  # at the same moment as r1
    found = list(store.iterate_runs(Wanted()))
    assert [run.run for run in found] == ["r0", "r1", "f0", "f1", "f2", "f3", "f4", "f5"]
    rows = [row for run in found for row in run.results]
    assert [row.value for row in rows] == values
    assert [row.points[0].at_s for row in rows] == values
    named = {run.run: run for run in store.read_runs(limit=None)}
    assert [replace(run, results=()) for run in found] == [named[run.run] for run in found]


def test_a_newer_store_is_refused_with_both_versions(place: StorePlace) -> None:
    """A store written by a newer sequencer is left alone, and its reader told which schema it has."""
    Store.open(place).close()
    _bare(place, f"UPDATE alembic_version SET version_num = '{SCHEMA_VERSION + 1}'")
    for opened in (Store.open, Store.open_to_read):
        with pytest.raises(StoreProblem, match=f"schema {SCHEMA_VERSION + 1} .* up to {SCHEMA_VERSION}"):
            opened(place)


@pytest.mark.parametrize("table", ["run", "photos", "alembic_version"])
def test_somebody_else_s_database_is_not_written_to(place: StorePlace, table: str) -> None:
    """A database with other tables, also one with migrations of its own, is refused, and nothing is added to it."""
    column = "version_num" if table == "alembic_version" else "x"
    _bare(
        place, f"CREATE TABLE {table} ({column} VARCHAR(32))", f"INSERT INTO {table} VALUES ('1975ea83b712')"
    )
    with pytest.raises(StoreProblem, match="not one of this sequencer's stores"):
        Store.open(place)
    engine = make_engine(place)
    assert inspect(engine).get_table_names() == [table]
    engine.dispose()


def test_a_store_that_another_holds_says_so(
    store: Store, place: StorePlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While another program holds the store a write fails after its wait, names the cause, and succeeds afterwards."""
    monkeypatch.setattr(store_problems, "LOCKED_S", 0.05)
    with Store.open(place) as impatient:
        with _held(place), pytest.raises(StoreProblem, match="lock") as caught:
            impatient.write_check("r1", 0, [a_result()], [])
        assert "Another program has held it" in caught.value.next_move
        impatient.write_check("r1", 0, [a_result()], [])
    assert len(store.read_results("r1")) == 1


def test_a_store_that_has_become_read_only_says_so(store: Store, place: StorePlace) -> None:
    """What may not be written any more is refused with what to do, and reading goes on."""
    setting = "PRAGMA query_only = ON" if place.path is not None else "SET default_transaction_read_only = on"
    with store._writer.transaction() as transaction:  # so that it is the connection the check is written on
        transaction.run(setting)
    with pytest.raises(StoreProblem, match=r"read-?only") as caught:
        store.write_check("r1", 0, [a_result()], [])
    assert "permissions" in caught.value.next_move or "read-only at present" in caught.value.next_move
    assert store.read_results("r1") == []


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("mysql://h/d", "a store cannot be kept at mysql://h/d"),
        ("postgresql+psycopg2://u:secret@h/d", r"cannot be kept at postgresql\+psycopg2://u:\*\*\*@h/d"),
        ("postgresql+psycopg://host", "a store cannot be kept at"),
        ("sqlite://", "a store cannot be kept at"),
        ("://", "not a valid store address"),
        ("postgresql://h:port/d", "not a valid store address"),
    ],
)
def test_an_address_of_another_kind_is_refused_with_what_would_do(name: str, said: str) -> None:
    """Other databases and half an address are refused, with what is allowed; a password is not shown."""
    with pytest.raises(Exception, match=said) as caught:
        find_place(Path("results"), name)
    assert "postgresql+psycopg://user@host/database" in str(caught.value)
    assert "secret" not in str(caught.value)


def test_without_a_name_the_store_is_the_file_in_the_folder(tmp_path: Path) -> None:
    """Nothing named: results.sqlite in the results folder; a path or sqlite:/// names a file; PostgreSQL gets its driver."""
    assert find_place(tmp_path).path == tmp_path / "results.sqlite"
    assert find_place(tmp_path, "other.db").path == Path("other.db")
    assert find_place(tmp_path, f"sqlite:///{tmp_path}/x.db").path == tmp_path / "x.db"
    place = find_place(tmp_path, "postgresql://u:secret@h/d")
    assert place.url is not None
    assert place.url.drivername == "postgresql+psycopg"
    assert str(place) == "postgresql+psycopg://u:***@h/d"


def test_reading_and_writing_do_not_wait_for_each_other(store: Store, place: StorePlace) -> None:
    """Who reads does not keep others from writing, nor the other way round."""
    if place.path is None:
        reader: Any = make_engine(place).connect()
        with closing(reader), reader.begin():
            reader.execute(text("SELECT count(*) FROM result"))
            store.write_check("r1", 0, [a_result()], [])
            assert reader.execute(text("SELECT 1")).scalar_one() == 1
        reader.engine.dispose()
    else:
        with closing(sqlite3.connect(place.path, isolation_level=None)) as reader:
            reader.execute("BEGIN")
            reader.execute("SELECT count(*) FROM result").fetchone()
            store.write_check("r1", 0, [a_result()], [])
            assert reader.execute("SELECT count(*) FROM result").fetchone() == (0,)
    assert len(store.read_results("r1")) == 1


@pytest.mark.parametrize(
    "ask",
    [
        lambda store: store.find_results(Wanted(channel=10**30)),
        lambda store: store.read_runs(limit=10**30),
        lambda store: store.read_exchanges("r1", 10**30),
        lambda store: store.find_results(Wanted(serials=("\udcff",))),
    ],
    ids=["channel", "limit", "check", "serial"],
)
def test_what_no_store_holds_is_no_fault_of_the_store(place: StorePlace, ask: Callable[[Store], Any]) -> None:
    """A number beyond every column, or a name that is no text, is a `StoreProblem` that does not call the store damaged."""
    with Store.open(place) as store:
        store.write_run(RUN)
        with pytest.raises(StoreProblem, match="The store is intact"):
            ask(store)
        assert store.read_run("r1") is not None
