"""A gauge study made by the tool: measured in the order drawn, asked for by name, stopped at any time, nothing lost and nothing doubled."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.gauge_log import read_gauge
from sequencer.results.store.store import Store
from tests.sequencer.statistics.test_gauge import PUBLISHED
from tests.support.person_at_terminal import run_at_terminal

SEQUENCE = """\
sequence: Short
channels: plans/cept-40.yaml
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}
"""
STUDY = """\
gauge: Power
sequence: short.yaml
checks: [carrier_power]
units: [M40-0007, M40-0031]
operators: [Ana, Bela]
trials: 2
seed: 4
"""


def _call(*words: object) -> Any:
    return CliRunner(env={"COLUMNS": "92", "NO_COLOR": "1"}).invoke(main, ["gauge", *map(str, words)])


def _go_on(folder: Path) -> Any:
    words = (folder / "study.yaml", "--bench", "bench", "--unasked", "--folder", folder / "results")
    return _call(*words)


def _laid_out(folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    (folder / "study.yaml").write_text(STUDY, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any]:
    """Return the folder of a study that was made whole, and what its command came to."""
    folder = _laid_out(tmp_path_factory.mktemp("gauge"))
    return folder, _go_on(folder)


@pytest.fixture
def copied(made: tuple[Path, Any], tmp_path: Path) -> Path:
    """Return a copy of it, to be spoilt."""
    shutil.copytree(made[0], tmp_path / "study")
    return tmp_path / "study"


def _log(folder: Path) -> Path:
    return folder / "results" / "power.gauge"


def _runs(folder: Path) -> list[str]:
    with Store.open_to_read(folder / "results" / "results.sqlite") as store:
        return [run.run for run in store.read_runs(limit=None)]


def test_a_whole_study_has_each_cell_once_and_its_runs_in_the_store(made: tuple[Path, Any]) -> None:
    """Eight measurements, two of each unit by each operator; every one an ordinary run."""
    folder, done = made
    assert done.exit_code == 0, done.output
    record = read_gauge(_log(folder))
    cells = record.cells.values()
    assert set(Counter((cell.unit, cell.operator) for cell in cells).values()) == {2}
    assert sorted(cell.run for cell in cells) == sorted(_runs(folder))
    assert record.begun == ()
    with Store.open_to_read(folder / "results" / "results.sqlite") as store:
        operators = {run.run: run.operator for run in store.read_runs(limit=None)}
    assert operators == {cell.run: cell.operator for cell in cells}
    assert "8 of 8 measurements made" in done.stdout
    assert "Simulated: not a study of real units or operators." in done.stdout
    assert "2 units, 2 operators and 8 readings" in done.stdout
    values = [reading.value for cell in cells for reading in cell.readings]
    assert len(set(values)) == 8  # connected anew each time, as a real unit is


def test_it_is_shown_by_its_name_and_as_json(made: tuple[Path, Any]) -> None:
    """The same figures; those of the analysis are held against a reference library elsewhere."""
    folder, done = made
    shown = _call("--show", "power", "--folder", folder / "results")
    assert shown.exit_code == 0
    assert shown.stdout == done.stdout
    told = json.loads(_call("--show", _log(folder), "--json").stdout)
    (finding,) = told["findings"]
    values = {
        (one["unit"], one["operator"], one["trial"]): one["readings"][0]["value"]
        for one in told["measurements"]
    }
    table = np.array(
        [[[values[u, o, t] for t in (1, 2)] for o in ("Ana", "Bela")] for u in ("M40-0007", "M40-0031")]
    )
    within = ((table - table.mean(axis=2, keepdims=True)) ** 2).sum()
    assert finding["analysis"][3]["sum_of_squares"] == pytest.approx(within)
    assert finding["verdict"].startswith("Measuring takes")
    assert (told["measured"], told["planned"]) == (8, 8)
    assert finding["upper_limit"] == 4.0


@pytest.mark.parametrize("columns", [60, 80])
def test_it_fits_a_narrow_terminal(made: tuple[Path, Any], columns: int) -> None:
    """No line is wider than the terminal; the figures are those of a wide one, each beside what it is."""
    words = ["gauge", "--show", "power", "--folder", str(made[0] / "results")]

    def shown(width: int) -> list[str]:
        done = CliRunner(env={"COLUMNS": str(width), "NO_COLOR": "1"}).invoke(main, words)
        assert done.exit_code == 0
        return str(done.stdout).splitlines()

    lines, wide = shown(columns), shown(120)
    assert max(map(len, lines)) <= columns
    row = next(one for one in wide if one.strip().startswith("repeatability") and "%" in one)
    for figure in row.split()[1:2]:  # its standard deviation
        assert figure in " ".join(lines).split()


def test_its_page_is_written_once_it_is_whole(made: tuple[Path, Any], copied: Path) -> None:
    """By its name, with the same verdict as on the screen; a study that is not whole shows no value there either."""
    done = made[1]

    def report(*words: object) -> Any:
        return CliRunner().invoke(main, ["report", *map(str, words), "--folder", str(copied / "results")])

    page = copied / "power.html"
    written = report("--gauge", "power", page)
    assert written.exit_code == 0, written.output
    verdict = " ".join(done.stdout.split()).split("Measuring takes ")[1].split("%")[0]
    assert f"Measuring takes {verdict}" in page.read_text(encoding="utf-8")
    for words, said in (
        (("--gauge", "powr", page, "--force"), "no gauge study 'powr' is kept"),
        (("--gauge", "power", "--batch", "x", page), "one of the two"),
        (("--gauge", "power", "last", page), "with --gauge there is no RUN"),
        (("--gauge", "power", "--all", page), "leave it out"),
        (("--gauge", "power", page), "there is a report of this name already"),
    ):
        refused = report(*words)
        assert refused.exit_code == 2, (words, refused.output)
        assert said in " ".join(refused.stderr.split()), (words, refused.stderr)
    lines = _log(copied).read_bytes().splitlines(keepends=True)
    _log(copied).write_bytes(b"".join(lines[:-2]))
    early = report("--gauge", "power", copied / "early.html")
    assert early.exit_code == 2
    assert "7 of 8 measurements are made, and no value is shown" in " ".join(early.stderr.split())
    assert not (copied / "early.html").exists()


def test_what_was_measured_when_the_power_went_is_taken_from_the_store(copied: Path) -> None:
    """The last end was not written down, and a line stands there half: the run is looked up, and no run is made."""
    before = _runs(copied)
    lines = _log(copied).read_bytes().splitlines(keepends=True)
    _log(copied).write_bytes(b"".join(lines[:-1]) + lines[-1][:40])
    done = _go_on(copied)
    assert done.exit_code == 0, done.output
    assert "was over, and is taken from the store" in done.stderr
    assert _runs(copied) == before
    assert len(read_gauge(_log(copied)).cells) == 8


def test_what_was_cut_short_is_measured_again_once(copied: Path) -> None:
    """Its run is not in the store: it counts for nothing, and just one more is made."""
    before = _runs(copied)
    lines = _log(copied).read_bytes().splitlines(keepends=True)
    _log(copied).write_bytes(b"".join(lines[:-2]))
    from sequencer.results.gauge_log import GaugeLog

    log = GaugeLog.go_on(_log(copied), read_gauge(_log(copied)))
    log.begins(8, "20260101T000000-abcdef")
    log.close()
    done = _go_on(copied)
    assert done.exit_code == 0, done.output
    assert "counts for nothing: its run 20260101T000000-abcdef was cut short" in done.stderr
    assert len(_runs(copied)) == len(before) + 1
    assert set(read_gauge(_log(copied)).cells) == set(range(1, 9))


def test_a_study_that_was_changed_is_not_gone_on_with(copied: Path) -> None:
    """Other limits, another sequence or more trials: said what, and how it goes on."""
    (copied / "study.yaml").write_text(STUDY.replace("trials: 2", "trials: 3"), encoding="utf-8")
    (copied / "short.yaml").write_text(SEQUENCE.replace("max: 4 W", "max: 5 W"), encoding="utf-8")
    done = _go_on(copied)
    assert done.exit_code == 2
    assert "another number of trials: 2, now 3" in done.output
    assert "another content of the sequence's file" in done.output
    assert "give the changed one another name" in done.output


@pytest.mark.parametrize(
    "content", [b"", b"not a study\n", b'{"number":0,"kind":"study","sum":"00000000"}\n']
)
def test_a_file_that_is_no_study_is_refused(tmp_path: Path, content: bytes) -> None:
    """And left as it is."""
    path = tmp_path / "power.gauge"
    path.write_bytes(content)
    shown = _call("--show", path)
    assert shown.exit_code == 2
    assert "no gauge study, or a damaged one" in shown.output
    assert path.read_bytes() == content


def test_missing_readings_are_named_and_done_without(made: tuple[Path, Any], tmp_path: Path) -> None:
    """A study shown before its end says which cells are short, and no value; ended early, for good, it says what it can. Status 3."""
    lines = _log(made[0]).read_bytes().splitlines(keepends=True)
    short = tmp_path / "short.gauge"
    short.write_bytes(b"".join(lines[:-2]))
    last = read_gauge(_log(made[0])).cells[8]
    before = _call("--show", short)
    assert before.exit_code == 3
    assert f"Missing: {last.unit} by {last.operator}: 1 of 2." in before.output
    told = json.loads(_call("--show", short, "--json").stdout)
    assert told["missing"] == [f"{last.unit} by {last.operator}: 1 of 2"]
    for text in (before.output, json.dumps(told)):
        assert not re.search(r" W\b|\bmean\b|%|\"value\"|std", text)
    shown = _call("--show", short, "--end-early")
    assert read_gauge(short).ended_early
    assert _call("--show", short).output == shown.output
    assert shown.exit_code == 3
    assert f"Missing: {last.unit} by {last.operator}: 1 of 2." in shown.output
    assert "Ended early." in shown.output
    assert "restricted maximum likelihood" in " ".join(shown.output.split())


def test_what_was_ended_early_is_not_gone_on_with(copied: Path) -> None:
    """Its values were seen."""
    lines = _log(copied).read_bytes().splitlines(keepends=True)
    _log(copied).write_bytes(b"".join(lines[:-2]))
    assert _call("--show", "power", "--end-early", "--folder", copied / "results").exit_code == 3
    done = _go_on(copied)
    assert done.exit_code == 2
    assert "was ended early, and its values were shown" in done.output


@pytest.mark.parametrize("spoil", [rb'"trial":', rb'"sum":"'], ids=["body", "checksum"])
def test_a_damaged_line_costs_itself_and_is_taken_from_the_store(spoil: bytes, copied: Path) -> None:
    """The line is named, the rest is read, the store tells the lost measurement, and no run is made; it is then whole."""
    before = _runs(copied)
    lines = _log(copied).read_bytes().splitlines(keepends=True)
    at = lines[6].index(spoil) + len(spoil)
    lines[6] = lines[6][:at] + (b"8" if lines[6][at : at + 1] != b"8" else b"7") + lines[6][at + 1 :]
    _log(copied).write_bytes(b"".join(lines))
    shown = _call("--show", "power", "--folder", copied / "results")
    assert shown.exit_code == 3
    which = "line 7 is damaged" if b"trial" in spoil else "lines 7, 8 are damaged"
    assert which in " ".join(shown.output.split())
    assert "7 of 8 measurements made" in shown.output
    done = _go_on(copied)
    assert done.exit_code == 0, done.output
    assert which in " ".join(done.stderr.split())
    assert "Measurement 3 " in done.stderr
    assert "was over, and is taken from the store" in done.stderr
    assert _runs(copied) == before
    assert _go_on(copied).exit_code == 0
    record = read_gauge(_log(copied))
    assert (record.is_whole, record.begun, record.lost_bytes) == (True, (), 0)


def test_a_line_that_is_gone_altogether_costs_no_measurement(copied: Path) -> None:
    """The next line's checksum hangs on it; but that names its run, and the store has that."""
    before = _runs(copied)
    lines = _log(copied).read_bytes().splitlines(keepends=True)
    lines[5] = b"\xff\n"
    _log(copied).write_bytes(b"".join(lines))
    done = _go_on(copied)
    assert done.exit_code == 0, done.output
    assert "lines 6, 7 are damaged" in " ".join(done.stderr.split())
    assert _runs(copied) == before
    assert read_gauge(_log(copied)).is_whole


def test_runs_that_no_store_holds_are_named(copied: Path) -> None:
    """As after a full disk: the values stand in the study's file alone. Shown, and called again; status 3, and the figures all the same."""
    lost = read_gauge(_log(copied)).cells[5]
    with closing(sqlite3.connect(copied / "results" / "results.sqlite")) as base:
        base.execute("DELETE FROM run WHERE run = ?", (lost.run,))
        base.commit()
    for shown in (_call("--show", "power", "--folder", copied / "results"), _go_on(copied)):
        assert shown.exit_code == 3
        said = " ".join(shown.stdout.split())
        assert "The store does not hold the run of 1 measurement" in said
        assert f"5 ({lost.unit} by {lost.operator}), run {lost.run}" in said
        assert "Measuring takes" in said
    (copied / "results" / "results.sqlite").unlink()
    shown = _call("--show", "power", "--folder", copied / "results")
    assert "Whether the store holds its runs is not known" in " ".join(shown.stdout.split())


def test_it_is_shown_by_the_file_that_plans_it_and_fits_the_terminal(made: tuple[Path, Any]) -> None:
    """Sentences are wrapped, and say the same; of tables see above."""
    words = ["gauge", "--show", str(made[0] / "study.yaml"), "--folder", str(made[0] / "results")]
    shown = CliRunner(env={"COLUMNS": "60", "NO_COLOR": "1"}).invoke(main, words)
    assert shown.exit_code == 0, shown.output

    def sentences(text: str) -> str:
        return " ".join(line for line in text.splitlines() if line and not line.startswith(" "))

    assert sentences(shown.stdout) == sentences(made[1].stdout)


def test_at_a_terminal_the_wrong_unit_or_operator_is_refused_and_q_stops(tmp_path: Path) -> None:
    """No value is shown meanwhile; what is due next is asked for when it goes on."""
    folder = _laid_out(tmp_path / "study")
    words = ["gauge", str(folder / "study.yaml"), "--bench", "bench", "--folder", str(folder / "results")]
    wrong = {"Operator": 0, "serial": 0}

    def answer(question: str) -> str:
        what = "Operator" if "Operator [q" in question else "serial"
        wrong[what] += 1
        if sum(wrong.values()) > 20:
            return "q"
        if wrong[what] == 1:
            return "Nobody" if what == "Operator" else "M40-0099"
        if _log(folder).is_file() and len(read_gauge(_log(folder)).cells) >= 2:
            return "q"
        due = seen_due(folder)
        return due[1] if what == "Operator" else due[0].lower() + "\x1d"

    def seen_due(folder: Path) -> tuple[str, str]:
        from sequencer.inputs.gauge_file import load_gauge, planned_cells

        made = read_gauge(_log(folder)).cells if _log(folder).is_file() else {}
        cell = planned_cells(load_gauge(folder / "study.yaml").file, 4)[len(made)]
        return cell.unit, cell.operator

    seen = run_at_terminal(words, answer)
    assert seen.status == 4, seen.text
    assert "'Nobody' is not the one whose turn it is" in seen.text
    assert "'M40-0099' is not the unit whose turn it is" in seen.text
    assert "the same command goes on with it" in seen.text
    assert "2 of 8 kept." in seen.text
    assert "6 of 8" not in seen.text
    assert not re.search(r"\d W\b|mean |std", seen.text)
    assert "Missing: " in seen.text
    done = _go_on(folder)
    assert done.exit_code == 0, done.output
    assert "6 of 8 measurements to be made" in done.stderr
    assert len(_runs(folder)) == 8


def test_a_published_study_from_a_list(tmp_path: Path) -> None:
    """The automotive industry's example: 22.68 % of a tolerance of 8, four classes, p 0.974 (published, see test_gauge)."""
    table = np.array([float(one) for one in PUBLISHED.split()]).reshape(10, 3, 3)
    rows = [f"{u},{o},{t},{table[u, o, t]}" for u in range(10) for o in range(3) for t in range(3)]
    path = tmp_path / "readings.csv"
    path.write_text("unit,operator,trial,value\n" + "\n".join(rows), encoding="utf-8")
    shown = _call("--from", path, "--lower", "-4", "--upper", "4")
    assert shown.exit_code == 0, shown.output
    rows_shown = {line[:20].strip(): line.split() for line in shown.output.splitlines()}
    assert rows_shown["measuring"][-4:] == ["27.9", "%", "22.7", "%"]
    assert rows_shown["repeatability"][-4:] == ["18.4", "%", "15.0", "%"]
    assert "distinct categories: 4" in shown.output
    assert "p = 0.974" in shown.output
    assert "22.7 % of the tolerance: marginal" in shown.output
    assert max(map(len, shown.output.splitlines()[:12])) <= 92


def test_with_one_limit_there_is_no_tolerance(tmp_path: Path) -> None:
    """The share of the study remains, and it is said where to look."""
    path = tmp_path / "readings.csv"
    rows = [f"{u},{o},{10 * u + o + t / 7}" for u in range(3) for o in range(2) for t in range(2)]
    path.write_text("unit,operator,value\n" + "\n".join(rows), encoding="utf-8")
    shown = _call("--from", path, "--upper", "40 W")
    assert shown.exit_code == 0, shown.output
    assert "With one limit there is no tolerance" in shown.output
    assert "% of the spread of these units" in shown.output


def _listed(path: Path, rows: list[str]) -> Path:
    path.write_text("unit,operator,trial,value\n" + "\n".join(rows), encoding="utf-8")
    return path


@pytest.mark.parametrize("missing", [0, 1])
def test_a_counter_that_reads_whole_steps_is_not_called_good(missing: int, tmp_path: Path) -> None:
    """Readings alike for each unit: nothing but rounding differs, and no figure is made of it."""
    values = {"U0": 0.1, "U1": 0.2, "U2": 0.3, "U3": 0.7}
    rows = [f"{unit},{o},{t},{value}" for unit, value in values.items() for o in "AB" for t in (1, 2)]
    shown = _call("--from", _listed(tmp_path / "readings.csv", rows[: len(rows) - missing]))
    assert shown.exit_code == 3 * missing, shown.output
    assert "the step of the meter hides the scatter" in " ".join(shown.output.split())
    assert "cannot be said" in " ".join(shown.output.split())
    assert "distinct categories: not known" in shown.output
    assert "otherwise" not in shown.output
    assert "good (" not in shown.output
    assert "e-1" not in shown.output
    (finding,) = json.loads(_call("--from", tmp_path / "readings.csv", "--json").stdout)["findings"]
    assert (finding["distinct_categories"], finding["scatter_hidden"]) == (None, True)


@pytest.mark.parametrize(("value", "status"), [("{}e-170", 0), ("{}e-320", 0), ("3.5", 3)])
def test_only_readings_that_are_alike_are_called_so(value: str, status: int, tmp_path: Path) -> None:
    """The square of a very small reading is no number; its standard deviation is."""
    rows = [
        f"{u},{o},{t},{value.format(10 * u + o + t * t)}"
        for u in range(3)
        for o in range(2)
        for t in range(2)
    ]
    shown = _call("--from", _listed(tmp_path / "readings.csv", rows), "--json")
    assert shown.exit_code == status, shown.output
    (finding,) = json.loads(shown.stdout)["findings"]
    assert finding["refused"].startswith("the readings do not differ") == (status == 3)
    deviations = [one["standard_deviation"] for one in finding["variances"]]
    assert all(one > 0 for one in deviations[:2])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "nothing is asked for"),
        (("study.yaml", "--show", "power"), "together"),
        (("study.yaml",), "--bench: it is not given"),
        (("nowhere.yaml",), "'sequencer new gauge nowhere' writes one"),
        (("nowhere.yaml", "--bench", "bench"), "no such file"),
        (("study.yaml", "--bench", "bench"), "there is no terminal to ask at"),
        (("--end-early",), "nothing is asked for"),
        (("study.yaml", "--end-early"), "it goes with --show"),
        (("--show", "nowhere.yaml"), "no such file"),
        (("--show", "powr"), "no gauge study 'powr' is kept"),
        (("--show", "power", "--lower", "3 W"), "goes with --from alone"),
        (("--from", "nowhere.csv"), "no such file"),
        (("--from", "short.yaml", "--lower", "4", "--upper", "3"), "does not lie below"),
    ],
)
def test_wrong_words_are_refused(
    words: tuple[str, ...], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Status 2, and what is allowed."""
    monkeypatch.chdir(_laid_out(tmp_path / "study"))
    shown = _call(*words)
    assert shown.exit_code == 2
    assert said in shown.output
    assert "Traceback" not in shown.output
