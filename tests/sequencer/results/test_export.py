"""Results for other programs, read back by programs that are not ours."""

from __future__ import annotations

import csv
import json
import math
import os
import sys
from dataclasses import asdict, replace
from pathlib import Path

import junitparser
import pandas as pd
import pytest

from sequencer.problems import FileProblems
from sequencer.results import export as exporting
from sequencer.results.export import COLUMNS, NESTED, columns_table, export, export_rows
from sequencer.results.model import COLUMNS as TABLE_COLUMNS
from sequencer.results.model import Point
from sequencer.results.stored_budget import budget_as_plain
from tests.support.stored_rows import level_row, plain_row, row, run_of, sinad_points

AWKWARD = 'Nordsee "Kap", 2\nzweite Zeile; <b>µ</b>'


def a_run():
    """Return a run with a pass, a fail, something not measured, a value without limits, and awkward text."""
    return run_of(
        [
            row(
                1.0,
                check="confirm",
                unit="",
                quantity="confirmed: squelch open",
                channel=None,
                frequency_hz=None,
            ),
            level_row(-120.0, upper_limit=-113.0, points=sinad_points(-120.0), check_index=1),
            row(
                4.5, unit="W", quantity="carrier power", check="carrier_power", upper_limit=4.0, check_index=2
            ),
            row(
                None,
                quantity="S9 point",
                check="s9_point",
                note="never reached",
                upper_limit=-60.0,
                check_index=3,
            ),
            plain_row(
                12.0,
                3.0,
                unit="Hz",
                quantity="frequency error",
                check="frequency_error",
                note=AWKWARD,
                check_index=4,
            ),
        ],
        serial="M40.0007",
    )


def test_the_columns_are_documented_where_people_look():
    """sequencer/reference/pages/export.md holds the table that the code makes of its columns, word for word."""
    text = (
        Path(__file__).resolve().parents[3] / "sequencer" / "reference" / "pages" / "export.md"
    ).read_text(encoding="utf-8")
    assert columns_table() in text
    for column in COLUMNS:
        assert column.meaning


def test_every_column_of_the_results_table_is_exported():
    """Nothing that the results table of a run holds is missing from an export."""
    assert set(TABLE_COLUMNS) <= {column.name for column in COLUMNS}


def test_pandas_reads_the_csv_as_it_was(tmp_path):
    """pandas.read_csv without options gives every column, number and awkward text back (except points and budget, which a CSV has not)."""
    run = a_run()
    assert export([run], tmp_path / "r.csv", "csv") == 5
    frame = pd.read_csv(tmp_path / "r.csv")
    assert list(frame.columns) == [column.name for column in COLUMNS if column.name not in NESTED]
    for at, stored in enumerate(run.results):
        for name in ("value", "uncertainty", "upper_limit", "frequency_hz", "channel"):
            read = frame[name][at]
            written = getattr(stored, name)
            assert math.isnan(read) if written is None else read == written
        assert frame["serial"][at] == "M40.0007"
    assert frame["note"][4] == AWKWARD
    assert list(frame["simulated"]) == [False] * 5


def _as_json(budget):
    return None if budget is None else budget_as_plain(budget)


def test_pandas_reads_the_json_lines_as_they_were(tmp_path):
    """pandas.read_json(lines=True), the way pandas has for this format, gives values, readings and budget back.

    To 15 digits, which is what that reader keeps; the file itself holds every digit.
    """
    run = a_run()
    export([run], tmp_path / "r.jsonl", "jsonl")
    frame = pd.read_json(tmp_path / "r.jsonl", lines=True)
    assert list(frame.columns) == [column.name for column in COLUMNS]
    assert frame["value"][1] == -120.0
    assert frame["points"][1] == [asdict(point) for point in run.results[1].points]
    assert frame["budget"][1]["expanded"] == pytest.approx(run.results[1].budget.expanded, rel=1e-14)
    assert frame["note"][4] == AWKWARD
    lines = [json.loads(line) for line in (tmp_path / "r.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [line["budget"] for line in lines] == [_as_json(one.budget) for one in run.results]


def test_pandas_reads_the_parquet_with_its_types(tmp_path):
    """pandas.read_parquet without options gives values back, and a serial or hash of digits only stays text, which CSV cannot promise."""
    run = run_of(
        [
            level_row(-120.0, points=sinad_points(-120.0), sequence_hash="1234567890123456"),
            plain_row(None, None),
        ],
        serial="0007",
    )
    assert export([run], tmp_path / "r.parquet", "parquet") == 2
    frame = pd.read_parquet(tmp_path / "r.parquet")
    assert list(frame.columns) == [column.name for column in COLUMNS]
    assert list(frame["serial"]) == ["0007", "0007"]
    assert frame["sequence_hash"][0] == "1234567890123456"
    assert frame["value"][0] == -120.0
    assert math.isnan(frame["value"][1])
    assert frame["points"][0][2]["level_db"] == -116.0
    assert json.loads(frame["budget"][0])["contributions"][0]["source"] == "search, 95 % interval"
    assert frame["simulated"].dtype == bool


def test_a_trace_is_exported_with_its_frequencies_and_no_level(tmp_path):
    """In JSON lines and in Parquet a point of a trace has ``frequency_hz`` and no ``level_db``; another reading the other way round."""
    other = Point(level_db=-110.0, reading=12.5, state="in range", reading_s=0.1, at_s=3.5)
    rows = [replace(level_row(-120.0), points=(Point.of_trace(27.2e6, -40.0), other))]
    wanted = [(None, 27.2e6, -40.0), (-110.0, None, 12.5)]
    export_rows(rows, tmp_path / "r.jsonl", "jsonl")
    export_rows(rows, tmp_path / "r.parquet", "parquet")
    plain = json.loads((tmp_path / "r.jsonl").read_text())["points"]
    for points in (plain, pd.read_parquet(tmp_path / "r.parquet")["points"][0]):
        assert [(one["level_db"], one["frequency_hz"], one["reading"]) for one in points] == wanted


def test_digits_that_are_text_survive_a_csv_when_asked_to(tmp_path):
    """The trap that the page on export names is there, and its way out works: to read_csv a serial 0007 is a number."""
    export([run_of([level_row(-120.0)], serial="0007")], tmp_path / "r.csv", "csv")
    assert pd.read_csv(tmp_path / "r.csv")["serial"][0] == 7
    assert pd.read_csv(tmp_path / "r.csv", dtype={"serial": str})["serial"][0] == "0007"


def test_an_unbounded_uncertainty_is_infinite_where_the_format_can_say_so(tmp_path):
    """CSV and Parquet carry infinity; JSON, which has none, leaves the place empty."""
    rows = [row(-120.0, uncertainty=math.inf)]
    for kind in ("csv", "jsonl", "parquet"):
        export_rows(rows, tmp_path / f"r.{kind}", kind)
    assert pd.read_csv(tmp_path / "r.csv")["uncertainty"][0] == math.inf
    assert pd.read_parquet(tmp_path / "r.parquet")["uncertainty"][0] == math.inf
    assert json.loads((tmp_path / "r.jsonl").read_text())["uncertainty"] is None


def test_a_spreadsheet_runs_nothing_from_a_csv(tmp_path):
    """A text cell that begins like a formula is kept from being one (OWASP, CSV injection), and a number below zero stays a number."""
    export_rows([row(-120.0, note="=HYPERLINK(1)", serial="+4912")], tmp_path / "r.csv", "csv")
    with (tmp_path / "r.csv").open(newline="", encoding="utf-8") as file:
        read = next(csv.DictReader(file))
    assert (read["note"], read["serial"], read["value"]) == ("'=HYPERLINK(1)", "'+4912", "-120.0")


def test_a_build_server_sees_a_failed_unit_as_a_failed_test(tmp_path):
    """junitparser, a general-purpose reader, finds one suite with one failure, one error, two skipped, and the words beside them."""
    assert export([a_run()], tmp_path / "r.xml", "junit") == 5
    xml = junitparser.JUnitXml.fromfile(str(tmp_path / "r.xml"))
    (suite,) = list(xml)
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (5, 1, 1, 2)
    assert (xml.tests, xml.failures, xml.errors) == (5, 1, 1)
    cases = {case.name: case for case in suite}
    failed = cases["carrier power, channel 20, FM"]
    assert isinstance(failed.result[0], junitparser.Failure)
    assert "limits: at most 4 W" in failed.result[0].message
    assert failed.classname == "M40_0007.carrier_power"
    assert isinstance(cases["S9 point, channel 20, FM"].result[0], junitparser.Error)
    assert cases["S9 point, channel 20, FM"].result[0].message == "never reached"
    assert cases["sensitivity, 12 dB SINAD, channel 20, FM"].is_passed
    assert {one.name: one.value for one in suite.properties()}["outcome"] == "done"
    xml.update_statistics()  # the parser's own count of what is in the file
    assert (xml.tests, xml.failures, xml.errors) == (5, 1, 1)


def test_as_found_and_as_left_are_two_tests_of_their_own(tmp_path):
    """A build server keeps tests apart by their names: what was found does not stand for what was left."""
    run = run_of([level_row(-110.0, stage="as found"), level_row(-120.0, stage="as left")])
    export([run], tmp_path / "r.xml", "junit")
    (suite,) = list(junitparser.JUnitXml.fromfile(str(tmp_path / "r.xml")))
    found, left = (case.name for case in suite)
    assert (found.count(", as found, channel 20"), left.count(", as left, channel 20")) == (1, 1)


def test_a_run_that_did_not_end_is_an_error_of_its_own(tmp_path):
    """An interrupted run whose results so far passed is not green, and a bench that could not be confirmed safe is named."""
    run = run_of([level_row(-120.0, upper_limit=-113.0)], outcome="interrupted (SIGINT)", bench_safe=False)
    export([run], tmp_path / "r.xml", "junit")
    (suite,) = list(junitparser.JUnitXml.fromfile(str(tmp_path / "r.xml")))
    error = next(case for case in suite if case.name == "the run itself").result[0]
    assert suite.errors == 1
    assert "interrupted (SIGINT)" in error.message
    assert "could not be confirmed safe" in error.message


def test_text_that_xml_cannot_carry_is_spelt_out(tmp_path):
    """Control characters, markup and a lone surrogate in a note do not make the file unreadable."""
    export([run_of([row(None, note="a\x00b\x1b]</error><x>\ud800\ufffe")])], tmp_path / "r.xml", "junit")
    (suite,) = list(junitparser.JUnitXml.fromfile(str(tmp_path / "r.xml")))
    assert next(iter(suite)).result[0].message == "a\\x00b\\x1b]</error><x>\\ud800\\ufffe"


@pytest.mark.parametrize("kind", ["csv", "jsonl", "parquet", "junit"])
def test_no_runs_make_a_readable_file(kind, tmp_path):
    """An export of nothing is a file with its columns or an empty suite, not a broken one."""
    assert export([], tmp_path / "empty", kind) == 0
    readers = {
        "csv": lambda path: len(pd.read_csv(path)),
        "jsonl": lambda path: len(path.read_text()),
        "parquet": lambda path: len(pd.read_parquet(path)),
        "junit": lambda path: len(list(junitparser.JUnitXml.fromfile(str(path)))),
    }
    assert readers[kind](tmp_path / "empty") == 0


@pytest.mark.parametrize("kind", ["csv", "jsonl", "parquet", "junit"])
def test_a_place_that_cannot_be_written_is_a_clear_complaint(kind, tmp_path):
    """A folder that does not exist is named with what would do, in every format."""
    with pytest.raises(FileProblems, match=r"cannot be written.*\n.*a folder that exists"):
        export([a_run()], tmp_path / "nowhere" / "r", kind)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full is Linux's")
def test_a_full_disk_leaves_the_earlier_file_alone(tmp_path, monkeypatch):
    """When the disk is full half-way, the export says so, and what stood at its name before still does; nothing lies beside it."""
    target = tmp_path / "r.csv"
    target.write_text("earlier")
    beside = tmp_path / f".r.csv.{os.getpid()}.part"
    beside.symlink_to("/dev/full")
    with pytest.raises(FileProblems, match="No space left"):
        export([a_run()], target, "csv")
    assert target.read_text() == "earlier"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["r.csv"]


def test_rows_that_break_half_way_leave_no_half_file(tmp_path):
    """When reading the store fails in the middle, no file appears under the name."""

    def rows():
        yield level_row(-120.0)
        raise RuntimeError("the store went away")

    with pytest.raises(RuntimeError, match="went away"):
        export_rows(rows(), tmp_path / "r.jsonl", "jsonl")
    assert list(tmp_path.iterdir()) == []


def test_parquet_without_its_extra_says_how_to_get_it(tmp_path, monkeypatch):
    """Without pyarrow the complaint names the package and the extra."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(FileProblems, match=r"needs the package pyarrow(.|\n)*\[export\]"):
        export_rows([level_row(-120.0)], tmp_path / "r.parquet", "parquet")


def test_an_unknown_format_names_the_known_ones(tmp_path):
    """A format that is not there is refused with those that are."""
    with pytest.raises(ValueError, match="there are csv, jsonl, parquet, junit"):
        export([a_run()], tmp_path / "r", "xlsx")


def test_parquet_is_written_in_batches(tmp_path, monkeypatch):
    """More rows than a batch holds all arrive, in order."""
    monkeypatch.setattr(exporting, "_BATCH", 3)
    rows = [level_row(-120.0 + at, id=at) for at in range(8)]
    assert export_rows(iter(rows), tmp_path / "r.parquet", "parquet") == 8
    assert list(pd.read_parquet(tmp_path / "r.parquet")["value"]) == [-120.0 + at for at in range(8)]
