"""What benches do now, in both kinds of store: written over, told as gone when it falls silent, taken out by the next at the bench."""

from __future__ import annotations

import re
import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from sequencer.results.bench_now import SILENT_S, Calibrated, Doing, Worked
from sequencer.results.store.bench_now import BenchNowWriter
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.set_aside import rows_set_aside
from sequencer.results.store.store import Store
from sequencer.watch.benches import bench_views
from tests.support.postgres_server import PostgresServer

WHO = Worked(id="one", bench="Bench 2", machine="north", process=4711, station="Line 1")
DOING = Doing(
    program="run",
    phase="measuring",
    told=datetime(2027, 1, 2, 3, 4, 5, tzinfo=UTC),
    serial="M40-0007 <b>µ",
    check="carrier power, channel 1",
    number=2,
    checks=5,
    remaining_s=12.5,
    wrong=("carrier power: fail",),
    fault="power_meter: no answer",
    fault_at=datetime(2027, 1, 2, 3, 4, tzinfo=UTC),
    calibrated=(Calibrated(name="power_meter", due="2027-06-30"),),
)


def test_what_was_said_last_is_read_back_whole(place: StorePlace) -> None:
    """Every field comes back, by a row that was written over; a session that ended says so and is not gone."""
    with Store.open(place) as store:
        writer = BenchNowWriter(place)
        writer.begin(WHO, DOING)
        (found,) = store.read_benches()
        assert (found.worked, found.doing, found.ended, found.is_gone) == (WHO, DOING, False, False)
        assert found.silent_s < SILENT_S
        later = replace(
            DOING, phase="ended", check="", remaining_s=None, safe=True, safe_why="each read back"
        )
        writer.write(WHO, later, ended=True)
        writer.close()
        (found,) = store.read_benches()
        assert (found.doing, found.ended, found.is_gone) == (later, True, False)


def _silence(place: StorePlace, session: str, silent_s: float) -> None:
    with Store.open(place) as store, store._engine.begin() as connection:
        connection.exec_driver_sql(
            f"UPDATE bench_now SET beat_utc_s = beat_utc_s - {silent_s} WHERE id = '{session}'"
        )


def test_a_session_that_falls_silent_is_gone_and_makes_room_for_the_next_at_its_bench(
    place: StorePlace,
) -> None:
    """A killed process says nothing: its row is told as gone, and goes when the same bench is read back safe; another bench's stays."""
    other = replace(WHO, id="other", bench="Bench 3")
    with Store.open(place) as store:
        for who in (WHO, other):
            writer = BenchNowWriter(place)
            writer.begin(who, DOING)
            writer.close()
        _silence(place, "one", SILENT_S + 5.0)
        _silence(place, "other", SILENT_S + 5.0)
        assert [one.is_gone for one in store.read_benches()] == [True, True]
        again = BenchNowWriter(place)
        again.begin(replace(WHO, id="two"), DOING)
        assert {one.worked.id for one in store.read_benches()} == {"one", "two", "other"}
        again.write(replace(WHO, id="two"), replace(DOING, safe=True))
        again.close()
        assert {one.worked.id for one in store.read_benches()} == {"two", "other"}


def test_a_bench_left_not_safe_is_not_forgotten_by_a_session_that_reads_nothing_back(
    place: StorePlace,
) -> None:
    """The next session at the bench ends before it has read anything: the word of the one before stays, until one reads back safe."""
    unsafe = replace(DOING, safe=False, safe_why='PTT stays on; it said "safe": true')
    with Store.open(place) as store:
        for session, doing in (("one", unsafe), ("two", DOING), ("three", DOING)):
            writer = BenchNowWriter(place)
            writer.begin(replace(WHO, id=session), doing)
            writer.write(replace(WHO, id=session), doing, ended=True)
            writer.close()
        assert {one.worked.id for one in store.read_benches()} == {"one", "three"}
        writer = BenchNowWriter(place)
        writer.begin(replace(WHO, id="four", station=""), DOING)
        writer.write(replace(WHO, id="four", station=""), replace(DOING, safe=True), ended=True)
        writer.close()
        assert {one.worked.id for one in store.read_benches()} == {"four"}


def test_a_bench_left_not_safe_is_not_forgotten_with_time(place: StorePlace) -> None:
    """After a year what another bench begins takes out the word of one that ended safe, and of none that was left on or fell silent."""
    unsafe, safe = replace(DOING, safe=False, safe_why="PTT stays on."), replace(DOING, safe=True)
    with Store.open(place) as store:
        for session, doing, ended in (("on", unsafe, True), ("silent", DOING, False), ("off", safe, True)):
            writer = BenchNowWriter(place)
            writer.begin(replace(WHO, id=session, bench=f"Bench {session}"), doing, ended=ended)
            writer.close()
            _silence(place, session, 365 * 86_400.0)
        writer = BenchNowWriter(place)
        writer.begin(replace(WHO, id="new", bench="Bench 9"), DOING)
        writer.close()
        assert {one.worked.id for one in store.read_benches()} == {"on", "silent", "new"}


def test_a_session_that_goes_on_at_a_bench_of_the_same_name_stays(place: StorePlace) -> None:
    """Two simulated benches have one name: neither takes out the other as long as both give a sign."""
    with Store.open(place) as store:
        for session in ("one", "two"):
            writer = BenchNowWriter(place)
            writer.begin(replace(WHO, id=session), DOING)
            writer.close()
        assert len(store.read_benches()) == 2


def test_a_store_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    """A store that was moved away does not come back empty because a bench said what it does."""
    place = StorePlace(path=tmp_path / "results.sqlite")
    writer = BenchNowWriter(place)
    with pytest.raises(StoreProblem):
        writer.begin(WHO, DOING)
    writer.close()
    assert list(tmp_path.iterdir()) == []


def test_a_row_that_cannot_be_read_hides_no_other(tmp_path: Path) -> None:
    """What a newer sequencer, or a damaged disk, left in one row costs that row only; names that are not known are passed over."""
    place = StorePlace(path=tmp_path / "results.sqlite")
    with Store.open(place) as store:
        for session in ("one", "two", "three"):
            writer = BenchNowWriter(place)
            writer.begin(replace(WHO, id=session), DOING)
            writer.close()
        with closing(sqlite3.connect(tmp_path / "results.sqlite")) as bare, bare:
            bare.execute("UPDATE bench_now SET says = '{' WHERE id = 'one'")
            bare.execute(
                "UPDATE bench_now SET says = replace(says, '{\"program\"', '{\"new\": 1, \"program\"') WHERE id = 'two'"
            )
        with rows_set_aside() as missing:
            assert {one.worked.id for one in store.read_benches()} == {"two", "three"}
        (told,) = missing
        assert told.startswith("what bench Bench 2 on ")
        assert "(session one) cannot be read" in told


@pytest.mark.parametrize("ahead_s", [600.0, -600.0])
def test_a_clock_apart_from_the_servers_is_told_with_whose_it_is_apart_from(
    postgres: PostgresServer, monkeypatch: pytest.MonkeyPatch, ahead_s: float
) -> None:
    """In a server all signs are by its clock: a bench minutes ahead or behind looks no deader, and its card names both clocks."""
    place = find_place(Path(), postgres.address())
    own = time.time
    with Store.open(place) as store:
        monkeypatch.setattr(time, "time", lambda: own() + ahead_s)
        writer = BenchNowWriter(place)
        writer.begin(WHO, DOING)
        writer.close()
        monkeypatch.undo()
        (found,) = store.read_benches()
    assert not found.is_gone
    assert abs(found.apart_s + ahead_s) < 60.0
    (view,) = bench_views([found], date(2027, 1, 2), lambda run: "")
    way = "ahead of" if ahead_s > 0 else "behind"
    assert re.search(rf"about (10 min|9 min|11 min).*{way} the database server's", view.clock), view.clock
