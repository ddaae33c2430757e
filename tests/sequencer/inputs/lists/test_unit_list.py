"""A list of units: what a spreadsheet writes is read, and whatever is wrong with it is told at once, with its line.

Outside the project: Python's csv module writes the lists (RFC 4180).
"""

from __future__ import annotations

import csv
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.inputs.lists.unit_list import MOST_UNITS, ListedUnit, read_unit_list
from sequencer.problems import FileProblems


def _list(folder: Path, text: str | bytes) -> Path:
    path = folder / "units.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize(
    "text",
    [
        "serial,model,comment\nM40-0007,m40,from Ferrow Quarry\nM40-0011,,\n",
        "\ufeffSerial;Model;Comment\r\nM40-0007;m40;from Ferrow Quarry\r\n;;\r\nM40-0011\r\n",
        "comment\tserial\tmodel\nfrom Ferrow Quarry\tM40-0007\tm40\n\tM40-0011\t\n",
        "sep=;\nserial;model;comment;;\n M40-0007 ;m40;from Ferrow Quarry;;\nM40-0011;;;;\n",
    ],
)
def test_what_spreadsheets_write_is_read(tmp_path: Path, text: str) -> None:
    """Comma, semicolon or tab; with or without a byte-order mark; columns in any order; empty lines and columns at the end."""
    units = read_unit_list(_list(tmp_path, text))
    assert [(one.serial, one.model, one.comment) for one in units] == [
        ("M40-0007", "m40", "from Ferrow Quarry"),
        ("M40-0011", "", ""),
    ]


def test_what_the_csv_module_writes_comes_back(tmp_path: Path) -> None:
    """Commas, quotes and signs of many languages in a comment too: another reader finds the same."""
    comments = [
        "plain",
        "a, b",
        'he said "no"',
        "Größe 5 µV; ±1",
        "日本",
        "'",
        "=1+1",
        " in the middle ".strip(),
        "",
    ]
    path = tmp_path / "units.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(
            [("serial", "comment"), *((f"U-{at}", one) for at, one in enumerate(comments))]
        )
    with path.open(encoding="utf-8", newline="") as file:
        theirs = [(row["serial"], row["comment"]) for row in csv.DictReader(file)]
    assert [(one.serial, one.comment) for one in read_unit_list(path)] == theirs


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("", 1, "the list is empty"),
        ("serial\n", 1, "no unit stands below"),
        ("M40-0007\nM40-0011\n", 1, "there is no column 'serial'"),
        ("serial,modell\nM40-0007,m40\n", 1, "the column 'modell' is not known"),
        ("serial,serial\nM40-0007,M40-0011\n", 1, "the column 'serial' stands there 2 times"),
        ("serial,model,model\nM40-0007,a,b\n", 1, "the column 'model' stands there 2 times"),
        (
            "serial,comment\nM40-0007,late, very late\n",
            2,
            "' very late' stands beyond|'very late' stands beyond",
        ),
        ("serial,model\n,m40\n", 2, "the serial is empty"),
        ("serial\nM40-0007\nM40-0011\nM40-0007\n", 4, "'M40-0007' stands on line 2 already"),
        ("serial\n=1+1\n", 2, "begins as a spreadsheet's formula does: '=1"),
        ("serial\n@SUM(A1)\n", 2, "begins as a spreadsheet's formula"),
        ("serial\n../../etc/passwd\n", 2, "cannot stand in a file's name"),
        ("serial\nC:evil\n", 2, "cannot stand in a file's name"),
        ("serial\nM40\x1b[31m\n", 2, "a control character"),
        ("serial\nM40\u202e7000\n", 2, "holds a control character"),
        (f"serial\n{'x' * 65}\n", 2, "the serial has 65 characters"),
        (f"serial,comment\nM40-0007,{'x' * 201}\n", 2, "the comment has 201 characters"),
        ('serial\n"M40-0007\n', 2, "quotes open here and never close"),
        (b"\x89PNG\r\n\x1a\n\0\0", 1, "text|control character"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(tmp_path: Path, text: str | bytes, line: int, said: str) -> None:
    """Where, what, what is allowed; nothing a terminal could act on comes back."""
    with pytest.raises(FileProblems, match=said) as raised:
        read_unit_list(_list(tmp_path, text))
    first = raised.value.complaints[0]
    assert (first.line, bool(first.allowed)) == (line, True)
    assert "\x1b" not in str(raised.value)
    assert "\u202e" not in str(raised.value)


@settings(max_examples=60)
@given(
    st.one_of(
        st.binary(max_size=80), st.text(max_size=80).map(lambda text: f"serial,comment\n{text}".encode())
    )
)
def test_whatever_is_in_it_is_read_or_refused(content: bytes) -> None:
    """No bytes make it raise anything else, and what is read can name a file and is no formula."""
    units: tuple[ListedUnit, ...] = ()
    said = ""
    with tempfile.TemporaryDirectory() as folder:
        try:
            units = read_unit_list(_list(Path(folder), content))
        except FileProblems as problems:
            said = str(problems)
    assert said.replace("\n", "").replace("\t", "").isprintable()
    for unit in units:
        assert unit.serial.isprintable()
        assert not set(unit.serial) & set('/\\:*?"<>|')
        assert unit.serial[0] not in "=+-@."


def test_texts_as_long_as_they_may_be_are_read(tmp_path: Path) -> None:
    """64 signs of a model, 200 of a comment, 400 of a position; one more of any is told."""
    longest = {"model": 64, "comment": 200, "position": 400}
    rows = ",".join("x" * most for most in longest.values())
    (unit,) = read_unit_list(_list(tmp_path, f"serial,model,comment,position\nA-1,{rows}\n"), positions=True)
    assert {name: len(getattr(unit, name)) for name in longest} == longest
    for name, most in longest.items():
        with pytest.raises(FileProblems, match=f"the {name} has {most + 1} characters"):
            read_unit_list(_list(tmp_path, f"serial,{name}\nA-1,{'x' * (most + 1)}\n"), positions=True)


def test_positions_are_read_where_there_are_some(tmp_path: Path) -> None:
    """The column is not known to a list for one bench."""
    path = _list(tmp_path, "serial,position\nA-1,left.yaml\n")
    assert read_unit_list(path, positions=True)[0].position == "left.yaml"
    with pytest.raises(FileProblems, match="the column 'position' is not known"):
        read_unit_list(path)


def test_of_what_is_wrong_forty_signs_are_shown(tmp_path: Path) -> None:
    """Of a serial, and of what stands beyond the last column."""
    for text in (f"serial\n={'x' * 50}\n", f"serial\nA-1,={'x' * 50}\n"):
        with pytest.raises(FileProblems) as raised:
            read_unit_list(_list(tmp_path, text))
        assert f"'={'x' * 39}'" in raised.value.complaints[0].message


def test_all_that_is_wrong_comes_at_once(tmp_path: Path) -> None:
    """In the order of the lines."""
    with pytest.raises(FileProblems) as raised:
        read_unit_list(_list(tmp_path, "serial,model\n=a,\nb/c,\nok,\nok,\n"))
    assert [one.line for one in raised.value.complaints] == [2, 3, 5]


def test_a_list_has_an_end(tmp_path: Path) -> None:
    """One unit more than is allowed is told on its line."""
    text = "serial\n" + "".join(f"U{number}\n" for number in range(MOST_UNITS + 1))
    with pytest.raises(FileProblems, match="1001 units"):
        read_unit_list(_list(tmp_path, text))
    assert read_unit_list(_list(tmp_path, text.rpartition("U")[0]))[-1] == ListedUnit(
        serial=f"U{MOST_UNITS - 1}", line=MOST_UNITS + 1
    )
