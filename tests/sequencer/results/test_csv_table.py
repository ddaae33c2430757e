"""The results table: a CSV that any reader takes, that no spreadsheet runs, and that is there when the check ends."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.results.csv_table import ResultsTable, table_path
from sequencer.results.model import COLUMNS, Result, row_of
from sequencer.uncertainty.decision import Decision

WHEN = datetime(2027, 3, 4, 5, 6, 7, 891000, tzinfo=UTC)
FACTS: dict[str, Any] = {
    "time": WHEN,
    "run": "r1",
    "serial": "M40-0007",
    "model": "M40",
    "sequence": "Acceptance",
    "sequence_hash": "0123456789abcdef",
    "bench": "Demonstration bench (simulated)",
    "bench_hash": "fedcba9876543210",
    "simulated": True,
    "check": "carrier_power",
    "channel": 20,
    "frequency_hz": 27.205e6,
    "mode": "FM",
    "quantity": "carrier power",
    "value": 3.73,
    "unit": "W",
    "uncertainty": 0.21,
    "lower_limit": None,
    "upper_limit": 4.0,
    "decision": Decision.PASS,
    "rule": "simple (w = 0)",
    "conditions": "supply 13.2 V",
    "note": "",
}


def _read(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, strict=True))


def _written(folder: Path, **changes: Any) -> dict[str, str]:
    path = folder / "t.csv"
    path.unlink(missing_ok=True)
    with ResultsTable(path) as table:
        table.write([Result(**{**FACTS, **changes})])
    (row,) = _read(path)
    return row


def test_every_column_is_there_and_an_absent_limit_is_empty(tmp_path: Path) -> None:
    """A row holds every column; what does not apply is an empty cell, not 'None'."""
    row = _written(tmp_path)
    assert tuple(row) == COLUMNS
    assert row["time"] == "2027-03-04T05:06:07.891+00:00"
    assert row["lower_limit"] == ""
    assert float(row["value"]) == 3.73
    assert row["decision"] == "pass"
    assert row["simulated"] == "True"
    assert "None" not in row.values()


@given(
    note=st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=40),
    value=st.floats(allow_nan=False, allow_infinity=False),
)
def test_commas_quotes_newlines_and_figures_come_back_as_they_were(
    tmp_path_factory: pytest.TempPathFactory, note: str, value: float
) -> None:
    """Text comes back exactly but for the mark before a formula, and a number to the last bit (RFC 4180)."""
    row = _written(tmp_path_factory.mktemp("table"), note=note, value=value)
    assert row["note"].removeprefix("'") == note.removeprefix("'")
    assert float(row["value"]) == value


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"])
@pytest.mark.parametrize("column", ["serial", "model", "note", "quantity", "sequence"])
def test_no_spreadsheet_takes_a_cell_for_a_formula(tmp_path: Path, start: str, column: str) -> None:
    """Text that begins as a formula does is marked as text. Source: OWASP, CSV injection, from memory."""
    cell = _written(tmp_path, **{column: f"{start}cmd|'/C calc'!A0"})[column]
    assert cell.startswith("'")
    assert cell[1:].startswith(start)


def test_a_negative_number_stays_a_number(tmp_path: Path) -> None:
    """-120 dBm is a figure, not a formula."""
    assert float(_written(tmp_path, value=-120.25)["value"]) == -120.25


def test_rows_are_in_the_file_before_it_is_closed(tmp_path: Path) -> None:
    """Whoever reads the file while the run goes on finds every check that has ended."""
    table = ResultsTable(tmp_path / "t.csv")
    table.write([Result(**FACTS)])
    assert len(_read(table.path)) == 1
    table.write([Result(**FACTS), Result(**FACTS)])
    assert len(_read(table.path)) == 3
    table.close()


def test_a_table_never_overwrites_another(tmp_path: Path) -> None:
    """Two runs within one second get two names, and a table refuses a name that is taken."""
    first = table_path(tmp_path, time=WHEN, serial="A", sequence="s")
    ResultsTable(first).close()
    second = table_path(tmp_path, time=WHEN, serial="A", sequence="s")
    assert first.name == "20270304T050607+0000_A_s.csv"
    assert second.name == "20270304T050607+0000_A_s_2.csv"
    with pytest.raises(FileExistsError):
        ResultsTable(first)


def test_a_name_that_another_run_takes_in_the_same_moment_costs_no_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two runs that both saw the name free: one has it, the other the next."""
    named = {"time": WHEN, "serial": "A", "sequence": "s"}
    ResultsTable.begin(tmp_path, **named).close()
    looked: list[Path] = []
    exists = Path.exists

    def not_yet(self: Path) -> bool:
        looked.append(self)
        return len(looked) > 1 and exists(self)

    monkeypatch.setattr(Path, "exists", not_yet)
    second = ResultsTable.begin(tmp_path, **named)
    second.close()
    assert second.path.name == "20270304T050607+0000_A_s_2.csv"
    assert looked[0].name == "20270304T050607+0000_A_s.csv"


@pytest.mark.parametrize("letter", ["x", "漢", "🦉"])
def test_a_long_name_is_cut_to_what_file_systems_take(tmp_path: Path, letter: str) -> None:
    """255 bytes is the longest name of common file systems; letters are cut off whole."""
    path = table_path(tmp_path, time=WHEN, serial=letter * 64, sequence=letter * 200)
    assert len(path.name.encode()) <= 255
    ResultsTable(path).close()
    assert path.name in [one.name for one in tmp_path.iterdir()]


def test_the_row_and_the_table_s_line_say_the_same(tmp_path: Path) -> None:
    """What the store is given as a row stands in the table, cell for cell."""
    row = row_of(Result(**FACTS))
    line = _written(tmp_path)
    assert {name: "" if cell is None else str(cell) for name, cell in row.items()} == line


def test_the_header_is_one_line_of_plain_names(tmp_path: Path) -> None:
    """Column names are lower case with underscores, so that any program can take them as they are."""
    _written(tmp_path)
    header = next(csv.reader(io.StringIO((tmp_path / "t.csv").read_text(encoding="utf-8"))))
    assert all(name.isidentifier() and name == name.lower() for name in header)


def test_rows_can_be_put_into_another_order_and_written_on(tmp_path: Path) -> None:
    """The file holds the same rows in the order asked for, whole at any moment, and takes further ones behind them."""
    facts = {name: cell for name, cell in FACTS.items() if name != "quantity"}
    rows = [Result(**facts, quantity=name) for name in ("first", "second", "third", "fourth")]
    with ResultsTable(tmp_path / "t.csv") as table:
        table.write(rows[:3])
        table.arrange([2, 0, 1])
        assert [row["quantity"] for row in _read(table.path)] == ["third", "first", "second"]
        table.write(rows[3:])
        assert [row["quantity"] for row in _read(table.path)] == ["third", "first", "second", "fourth"]
        assert table.count_kept() == 4
    assert [one.name for one in tmp_path.iterdir()] == ["t.csv"]
