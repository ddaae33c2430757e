"""A run that was kept beside its table is taken into the store, whole, once, and by nobody's guess."""

from __future__ import annotations

import gzip
import json
import math
import shutil
import sqlite3
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from drivers.trace import Exchange
from sequencer.cli.main import main
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems
from sequencer.results.journal import read_journal
from sequencer.results.model import Confirmation, Point, Result
from sequencer.results.store.import_kept import NotTheSame
from sequencer.results.store.move import move
from sequencer.results.store.place import StorePlace
from sequencer.results.store.spill import read_kept
from sequencer.results.store.store import BenchInstrument, Store, StoreProblem, Wanted
from sequencer.results.stored import StoredUnit, result_as_plain
from sequencer.run.bench_health.doubted import BEFORE_ALL, CLOCK_SET, FOUND_LATER
from sequencer.run.record import Record, RunFacts
from sequencer.uncertainty.decision import Decision
from tests.support.kept_json import write_kept
from tests.support.stored_results import BUDGET, RUN, SETTINGS, a_result, an_exchange

DATA = Path(__file__).parents[3] / "data"
ENDED = {"outcome": "done", "bench_safe": True, "bench_s": 61.0}
POINTS = (
    Point(level_db=-120.0, reading=None, state="over range", reading_s=0.2, at_s=3.0),
    Point(level_db=-110.0, reading=12.5, state="in range", reading_s=0.1, at_s=3.5),
)
ASKED = Confirmation(text="squelch open", confirmed=True, how="asked", when=datetime(2027, 1, 2, tzinfo=UTC))
CHECKS: list[tuple[int, list[Result], list[Exchange]]] = [
    (
        0,
        [
            a_result(
                check="confirm",
                quantity="confirmed: squelch open",
                value=1.0,
                note="asked",
                confirmations=(ASKED,),
            )
        ],
        [],
    ),
    (
        1,
        [
            a_result(points=POINTS, budget=BUDGET, settings=SETTINGS),
            a_result(value=None, decision=Decision.NOT_MEASURED, note="µ \udc80"),
        ],
        [an_exchange(bytes(range(256))), an_exchange(b"", fault="no answer")],
    ),
    (2, [], [an_exchange(b"*RST\n")]),
    (3, [a_result(value=-140.0)], [an_exchange()]),
]
METER = BenchInstrument(
    name="power_meter",
    role="power_meter",
    maker="Invented",
    model="X",
    serial="1",
    firmware="2",
    certificate="C-1",
    due="2027-06-30",
)


def _kept(folder: Path, *, checks: Sequence[Any] = CHECKS, name: str = "kept.json", **run: Any) -> Path:
    """Write a kept run as earlier sequencers did, in the place of one that was kept before."""
    (folder / name).unlink(missing_ok=True)
    return write_kept(folder / name, replace(RUN, **{**ENDED, **run}), checks, (METER,))


def _all(store: Store, run: str = "r1") -> dict[str, Any]:
    """Return all that a reader gets of a run, without the numbers the database gave."""
    return {
        "run": store.read_run(run),
        "results": [replace(one, id=0) for one in store.read_results(run)],
        "confirmations": store.read_confirmations(run),
        "exchanges": [replace(one, id=0) for one in store.read_exchanges(run)],
    }


def test_a_run_that_was_taken_in_is_as_if_it_had_been_written(tmp_path: Path, place: StorePlace) -> None:
    """Results, readings, budgets, bytes, confirmations, instruments and the end read back as from a store that took the run itself."""
    with Store.open(tmp_path / "own.sqlite") as own:
        own.write_run(RUN)
        own.write_instruments("r1", [METER])
        for index, results, said in CHECKS:
            own.write_check("r1", index, results, said)
        own.write_end("r1", **ENDED)
        wanted = _all(own)
    with Store.open(place) as store:
        taken = store.import_kept(read_kept(_kept(tmp_path)))
        assert (taken.checks, taken.results, taken.exchanges, taken.before) == (4, 4, 4, 0)
        assert _all(store) == wanted
        assert store.read_units() == [StoredUnit(serial="M40-0007", model="M40")]


@pytest.mark.parametrize("written", range(len(CHECKS) + 1))
def test_what_the_store_has_is_not_added_again(tmp_path: Path, place: StorePlace, written: int) -> None:
    """Whichever check the store failed at, the rest is added once; a second time adds nothing and says so."""
    kept = read_kept(_kept(tmp_path))
    with Store.open(place) as store:
        store.write_run(RUN)
        for index, results, said in CHECKS[:written]:
            store.write_check("r1", index, results, said)
        first = store.import_kept(kept)
        whole = _all(store)
        assert first.checks == len(CHECKS) - written
        assert first.ended
        assert len(whole["results"]) == sum(whole["run"].decisions.values()) == 4
        again = store.import_kept(kept)
        assert again.nothing
        assert again.before == 4
        assert _all(store) == whole


def test_a_run_without_a_result_is_added_once(tmp_path: Path, place: StorePlace) -> None:
    """A run that was cut short before its first check ended is new to the store the first time, and there the second."""
    kept = read_kept(_kept(tmp_path, checks=[], outcome="not ended"))
    with Store.open(place) as store:
        first = store.import_kept(kept)
        assert (first.nothing, first.results, first.before) == (False, 0, 0)
        assert store.read_run("r1") is not None
        assert store.import_kept(kept).nothing


@pytest.mark.parametrize("number", [BEFORE_ALL, FOUND_LATER, CLOCK_SET])
def test_what_was_found_of_the_bench_comes_in_too(tmp_path: Path, place: StorePlace, number: int) -> None:
    """Before the first check or while it was measured: under numbers below those of the checks."""
    found = a_result(check="bench_health", quantity="what the chamber reads is its air", value=0.0)
    kept = read_kept(_kept(tmp_path, checks=[(0, [a_result()], []), (number, [found], [])]))
    with Store.open(place) as store:
        assert store.import_kept(kept).results == 2
        assert {one.check_index for one in store.read_results("r1")} == {0, number}


@pytest.mark.parametrize("empty", [False, True])
def test_two_who_take_in_the_same_file_at_once_add_it_once(
    tmp_path: Path, place: StorePlace, empty: bool
) -> None:
    """Of two at the same moment one adds the run, and the other finds it there; also a run that has no result yet."""
    kept = read_kept(_kept(tmp_path, checks=[], outcome="not ended") if empty else _kept(tmp_path))
    Store.open(place).close()

    def take(_: int) -> bool:
        with Store.open(place) as store:
            return store.import_kept(kept).nothing

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(take, range(4))) == [False, True, True, True]
    with Store.open_to_read(place) as store:
        assert len(store.read_results("r1")) == (0 if empty else 4)


def test_a_run_still_going_on_takes_up_where_the_file_ended(tmp_path: Path, place: StorePlace) -> None:
    """A run that tries its waiting checks again after they were taken in writes none twice."""
    with Store.open(place) as store:
        store.write_run(RUN)
        store.import_kept(read_kept(_kept(tmp_path, outcome="not ended")))
        known = 0
        for index, results, said in CHECKS:
            store.write_check("r1", index, results, said, known=known)
            known += len(results) + len(said)
        store.write_check("r1", 4, [a_result()], [])
        assert len(store.read_results("r1")) == 5


def test_another_run_of_that_name_is_left_alone(tmp_path: Path, place: StorePlace) -> None:
    """The same name for another unit, or other results under the same name, is refused, and the store is as it was."""
    kept = read_kept(_kept(tmp_path))
    with Store.open(place) as store:
        store.write_run(replace(RUN, serial="M40-0008"))
        with pytest.raises(NotTheSame, match="differs in serial"):
            store.import_kept(kept)
        assert store.read_results("r1") == []
        assert [one.serial for one in store.read_units()] == ["M40-0008"]


def test_other_results_of_the_same_run_are_refused(tmp_path: Path, place: StorePlace) -> None:
    """A store whose first results are not the file's is not added to; half a check neither."""
    kept = read_kept(_kept(tmp_path))
    with Store.open(place) as store:
        store.write_run(RUN)
        store.write_check("r1", 0, [a_result(value=7.0)], [])
        with pytest.raises(NotTheSame, match="are not those of the file"):
            store.import_kept(kept)
    with Store.open(place) as store:
        store.write_run(replace(RUN, run="r2"))
        store.write_check("r2", 1, [a_result(run="r2")], [])
        half = _kept(tmp_path, run="r2", checks=[(1, [a_result(run="r2")] * 2, [])])
        with pytest.raises(NotTheSame, match="a part of check 1"):
            store.import_kept(read_kept(half))


@pytest.mark.parametrize("order", [("r1", "r2", "r3"), ("r3", "r2", "r1"), ("r2", "r3", "r1")])
def test_the_newest_repeat_counts_whenever_it_is_taken_in(
    tmp_path: Path, place: StorePlace, order: tuple[str, ...]
) -> None:
    """A run and its two repeats, taken in in any order: the last repeat's result counts, as if each had been written in time."""
    with Store.open(place) as store:
        for run in order:
            facts = {"run": run, "time": f"2027-01-0{run[1]}T00:00:00.000+00:00"}
            facts |= {} if run == "r1" else {"again": "r1", "part": "x", "reason": "plug was loose"}
            store.import_kept(read_kept(_kept(tmp_path, checks=[(1, [a_result(run=run)], [])], **facts)))
        counts = {row.run: row.replaced_by for row in store.find_results(Wanted())}
        assert counts == {"r1": "r3", "r2": "r3", "r3": ""}
        assert store.read_run("r2").reason == "plug was loose"


def _changed(**changes: Any) -> Any:
    def change(plain: dict[str, Any]) -> str:
        return json.dumps({**plain, **changes})

    return change


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda plain: json.dumps(plain)[:-200], "not a complete JSON file"),
        (lambda plain: "", "not a complete JSON file"),
        (lambda plain: "[" * 100_000, "not a complete JSON file"),
        (lambda plain: "[]", "is not a kept run"),
        (lambda plain: '{"name": "a package", "version": 3}', "is not a kept run: run: field required"),
        (_changed(time="yesterday"), "time"),
        (_changed(time="2027-01-02T03:04:05"), "without an offset"),
        (_changed(serial=7), "serial"),
        (_changed(checks=[{"check_index": -4, "results": [], "exchanges": []}]), "check_index"),
        (_changed(checks=[{"check_index": 10**40, "results": [], "exchanges": []}]), "check_index"),
        (_changed(added_later=1), "added_later"),
        (_changed(run="r9"), "results of another run"),
    ],
)
def test_a_damaged_or_foreign_file_is_refused(tmp_path: Path, change: Any, said: str) -> None:
    """Cut short, of another kind, with a wrong value, or mixed of two runs: refused with where and what, before a store is made."""
    file = _kept(tmp_path)
    file.write_text(change(json.loads(file.read_text(encoding="utf-8"))), encoding="utf-8")
    with pytest.raises(FileProblems, match=said):
        read_kept(file)
    done = CliRunner().invoke(main, ["import-kept", str(file), "--folder", str(tmp_path)])
    assert done.exit_code == 2
    assert said in done.stderr
    assert "Traceback" not in done.output
    assert not (tmp_path / "results.sqlite").exists()


def test_bytes_that_are_no_text_and_files_that_are_not_there_are_refused(tmp_path: Path) -> None:
    """A picture, a missing file and a folder end in plain words."""
    (tmp_path / "picture.json").write_bytes(b"\x89PNG\xff\xfe")
    for name, said in (
        ("picture.json", "not a complete JSON file"),
        ("missing.json", "no such file"),
    ):
        with pytest.raises(FileProblems, match=said):
            read_kept(tmp_path / name)


def test_a_store_that_was_read_only_during_a_run_gets_it_through_the_command_line(tmp_path: Path) -> None:
    """The run ends with status 3 and says what takes it in; afterwards `results` and `trace` show all of it, and once only.

    SQLite itself refuses every result, with the words it has for a read-only store.
    """
    folder = tmp_path / "results"
    folder.mkdir()
    quick = tmp_path / "quick.yaml"
    quick.write_text(
        "sequence: quick\nchannels: cept-40\nsupply: 13.2 V\n"
        "checks:\n  - {check: carrier_power, channel: 20, limit: {max: 4 W}}\n",
        encoding="utf-8",
    )

    def call(*words: str) -> Any:
        return CliRunner().invoke(main, [*words, "--folder", str(folder)])

    Store.open(folder / "results.sqlite").close()
    with closing(sqlite3.connect(folder / "results.sqlite")) as keeper, keeper:
        keeper.execute(
            "CREATE TRIGGER read_only BEFORE INSERT ON result"
            " BEGIN SELECT RAISE(ABORT, 'attempt to write a readonly database'); END"
        )
    done = call("run", str(quick), "--bench", "sim/bench.yaml", "--serial", "M40-0007")
    (kept,) = folder.glob("*.journal")
    assert done.exit_code == 3
    assert "readonly" in done.stderr
    assert f"{kept}, which 'sequencer import-kept' puts into the store" in done.stderr
    with closing(sqlite3.connect(folder / "results.sqlite")) as keeper, keeper:
        keeper.execute("DROP TRIGGER read_only")
    assert "outcome: not ended" in call("results", "last").stdout
    taken = call("import-kept", str(kept))
    assert taken.exit_code == 0
    assert "1 results and" in taken.stdout
    shown = call("results", "last").stdout
    assert "outcome: done" in shown
    assert "carrier power" in shown
    (run,) = json.loads(call("results", "--json").stdout)
    assert run["instruments"]
    lines = map(json.loads, kept.read_text(encoding="utf-8").splitlines())
    wanted = sum(len(line["exchanges"]) for line in lines if line["event"] == "check ended")
    head, *messages_shown = call("trace", "last").stdout.splitlines()
    assert "message" in head
    assert len(messages_shown) == wanted > 0
    again = call("import-kept", str(kept))
    assert (again.exit_code, "nothing added" in again.stdout) == (0, True)
    assert json.loads(call("import-kept", str(kept), "--json").stdout)[0]["results"] == 0
    assert call("trace", "last").stdout.splitlines() == [head, *messages_shown]


def test_a_resumed_run_comes_in_with_what_it_measured_again(tmp_path: Path, place: StorePlace) -> None:
    """Of a check that was measured again the last counts; the run says when it was resumed, and ends as its last part did."""
    when = datetime(2027, 1, 2, 3, tzinfo=UTC)
    first, again = a_result(value=1.0), a_result(value=2.0)
    ended = replace(RUN, outcome="interrupted (SIGINT)", bench_safe=True, bench_s=1.0)
    with Store.open(place) as store:
        store.import_kept(read_kept(write_kept(tmp_path / "cut.json", ended, [(0, [first], [])])))
        resumed = replace(RUN, outcome="done", bench_safe=True, bench_s=3.0, resumed=(when,))
        file = write_kept(tmp_path / "whole.json", resumed, [(0, [first], []), (0, [again], [])])
        taken = store.import_kept(read_kept(file))
        assert (taken.results, taken.before, taken.ended) == (1, 1, True)
        run = store.read_run("r1")
        assert run is not None
        assert (run.outcome, run.bench_s, run.resumed) == ("done", 3.0, (when,))
        assert [(row.value, row.counts, row.replaced_by) for row in store.read_results("r1")] == [
            (1.0, False, "r1"),
            (2.0, True, ""),
        ]
        assert store.import_kept(read_kept(file)).nothing
        late = replace(RUN, outcome="interrupted (SIGINT)", bench_safe=True, bench_s=1.0)
        assert store.import_kept(
            read_kept(write_kept(tmp_path / "late.json", late, [(0, [first], [])]))
        ).nothing


def test_a_run_kept_by_an_older_sequencer_comes_in(tmp_path: Path) -> None:
    """What was kept before confirmations were records is taken whole, and a text with brackets and a semicolon stays one text."""
    file = DATA / "kept-run-schema-3.json"
    kept = json.loads(file.read_text(encoding="utf-8"))
    with Store.open(tmp_path / "results.sqlite") as store:
        taken = store.import_kept(read_kept(file))
        rows = store.read_results(kept["run"])
        asked = [one.text for one in store.read_confirmations(kept["run"])]
    before = [one for check in kept["checks"] for one in check["results"]]
    assert taken.results == len(rows) == len(before) == 4
    names = ("quantity", "value", "uncertainty", "points")
    for one in before:
        one["points"] = [{**point, "frequency_hz": None} for point in one["points"]]
    assert [[row[name] for name in names] for row in map(result_as_plain, rows)] == [
        [one[name] for name in names] for one in before
    ]
    shares = {part.source: part.common for row in rows[2:] for part in row.budget.contributions}
    assert shares["search, 95 % interval"] == "none"
    assert shares["generator, level accuracy"] == "bench"
    assert shares["mismatch, generator to unit"] == "unit"
    assert asked == ["supply leads checked (by eye); RF gain up", "squelch open"]
    assert [one.text for one in rows[-1].confirmations] == asked
    assert {row.supply_v for row in rows} == {13.2}


DAMAGES: dict[str, tuple[Callable[[bytes], bytes], str, int]] = {
    "a byte": (
        lambda text: text.replace(b'"value":2.0', b'"value":3.0'),
        "line 4 of the journal was altered",
        3,
    ),
    "a line": (
        lambda text: b"".join(text.splitlines(keepends=True)[:3] + text.splitlines(keepends=True)[4:]),
        "was altered",
        3,
    ),
    "a cut in the middle": (lambda text: text[:-600] + text[-580:], "was altered", 3),
    "zeros": (lambda text: text + bytes(512), "it and all that follows, 512 bytes", 3),
    "an unfinished line": (lambda text: text + b'{"number":9,"ti', "cut short: its 15 bytes", 0),
    "nothing": (lambda text: text, "", 0),
}


def test_a_journal_of_schema_10_has_its_frequencies_where_they_stand_now(tmp_path: Path) -> None:
    """A journal of then, whose trace has its frequencies in the level's place, gives what the upgraded store has."""
    journal = tmp_path / "run.journal"
    journal.write_bytes(gzip.decompress((DATA / "journal-schema-10.journal.gz").read_bytes()))
    same = Path(shutil.copy(DATA / "store-schema-10.sqlite", tmp_path / "same.sqlite"))
    with Store.open(same) as upgraded, Store.open(tmp_path / "results.sqlite") as store:
        assert store.import_kept(read_journal(journal).kept).results == 2
        (run,) = store.read_runs()
        found, wanted = ([one.points for one in each.read_results(run.run)] for each in (store, upgraded))
        assert found == wanted
        assert found[0][0].frequency_hz is not None
        assert math.isnan(found[0][0].level_db)


def test_a_journal_of_schema_12_has_its_bounds_by_its_notes(tmp_path: Path) -> None:
    """A journal of then says in its notes alone that what the analyser hid is a bound."""
    journal = tmp_path / "run.journal"
    journal.write_bytes(gzip.decompress((DATA / "journal-schema-12.journal.gz").read_bytes()))
    with Store.open(tmp_path / "results.sqlite") as store:
        assert store.import_kept(read_journal(journal).kept).results == 4
        (run,) = store.read_runs()
        assert [one.bound for one in store.read_results(run.run)] == ["at most", "at least"] * 2


def test_a_journal_of_schema_13_has_its_temperatures_and_documents_by_its_words(tmp_path: Path) -> None:
    """A journal of then says in conditions and note alone at which temperature a unit stood, and whose its limit is."""
    journal = tmp_path / "run.journal"
    journal.write_bytes(gzip.decompress((DATA / "journal-schema-13.journal.gz").read_bytes()))
    with Store.open(tmp_path / "results.sqlite") as store:
        assert store.import_kept(read_journal(journal).kept).results == 3
        (run,) = store.read_runs()
        rows = store.read_results(run.run)
    assert [(one.temperature_c, one.air_c, one.sensor_c, one.soaked_s) for one in rows] == [
        (None, None, None, None),
        (20.0, 20.0, 20.0, 3600.0),
        (55.0, 55.0, 54.9, 3600.0),
    ]
    of = "limit of EN 300 433, V2.1.1 (2016): clause not seen, figure from memory"
    assert [one.document for one in rows] == ["", of, of]


@pytest.mark.parametrize("damage", DAMAGES)
def test_what_of_a_damaged_journal_is_not_taken_in_is_said(tmp_path: Path, damage: str) -> None:
    """Which line, how many bytes, and a status that a script sees; a last line that was not finished is told and costs nothing."""
    change, said, status = DAMAGES[damage]
    path = tmp_path / "r.journal"
    plan = make_plan(load_sequence("fm-mobile-acceptance"), load_bench("bench"))
    facts = RunFacts(
        run="r1",
        time=datetime(2027, 1, 2, tzinfo=UTC),
        serial="7",
        model="",
        simulated=True,
        bench_name="B",
        plan=plan,
    )
    with Record(tmp_path / "from", facts) as record:
        record.keep(0, [a_result()], [])
        record.keep(1, [a_result(value=2.0)], [])
        record.end(outcome="done", bench_safe=True, bench_s=1.0)
    path.write_bytes(change(record.journal.path.read_bytes()))
    done = CliRunner().invoke(main, ["import-kept", str(path), "--folder", str(tmp_path)])
    assert done.exit_code == status, done.output
    assert said in done.stderr
    assert bool(done.stderr) == bool(said)
    told = CliRunner().invoke(main, ["import-kept", str(path), "--folder", str(tmp_path), "--json"])
    (plain,) = json.loads(told.stdout)
    assert said in plain["lost"]


@pytest.mark.parametrize(("many", "named"), [(4, "r0, r1, r2, r3."), (5, "r0, r1, r2, r3 ….")])
def test_runs_that_went_on_as_they_were_moved_are_named_up_to_four(
    tmp_path: Path, many: int, named: str
) -> None:
    """So many are counted, and more than four of them are not all named."""
    source, target = (StorePlace(path=tmp_path / name) for name in ("from.sqlite", "to.sqlite"))
    with Store.open(source) as store:
        for number in range(many):
            store.write_run(replace(RUN, run=f"r{number}"))
    move(source, target)
    with Store.open(source) as store:
        for number in range(many):
            store.write_end(f"r{number}", **ENDED)
    with pytest.raises(StoreProblem) as caught:
        move(source, target)
    assert f"{many} runs had not ended when moved here, and did since: {named}" in str(caught.value)


def test_a_run_that_was_moved_while_it_went_on_is_completed_by_its_journal(tmp_path: Path) -> None:
    """The second move says so; once the journal was taken in, both stores hold the same to the last cell, and it moves."""
    microseconds = datetime(2027, 1, 2, 3, 4, 5, 692896, tzinfo=UTC)
    budget = replace(BUDGET, contributions=(replace(BUDGET.contributions[0], degrees_of_freedom=3),))
    run = replace(RUN, time=microseconds)
    checks = [(at, [a_result(time=microseconds, budget=budget, value=float(at))], []) for at in range(2)]
    source, target = (StorePlace(path=tmp_path / name) for name in ("from.sqlite", "to.sqlite"))
    with Store.open(source) as store:
        store.write_run(run)
        store.write_check("r1", *checks[0])
    move(source, target)
    with Store.open(source) as store:
        store.write_check("r1", *checks[1])
        store.write_end("r1", **ENDED)
    with pytest.raises(
        StoreProblem, match=r"1 run had not ended when moved here, and did since: r1\..*import-kept"
    ):
        move(source, target)
    with Store.open(target) as store:
        store.import_kept(read_kept(write_kept(tmp_path / "k.json", replace(run, **ENDED), checks, ())))
    again = move(source, target)
    assert (again.runs, again.runs_there) == (0, 1)
