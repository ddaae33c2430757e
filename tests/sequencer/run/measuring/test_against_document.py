"""A result that is less certain than its document allows says so wherever it is read; its decision is made by the same rule."""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.problems import FileProblems
from sequencer.uncertainty.decision import Decision
from tests.sequencer.planning.loading.test_limit_rows import OWN, planned
from tests.support.spectral import BENCH, HEAD

SAID = (
    "U is 0.99 dB, more than EN 300 433, V2.1.1 (2016), allows (0.75 dB: clause not seen, figure from memory); "
    "the decision rule is the same for all that"
)
ROW = "limits_from: {file: en-300-433, row: carrier power}"
UNCERTAIN = ("accuracy: {power: 3 %}", "accuracy: {power: 20 %}")


@dataclass
class Said:
    """What a person reads of a run: screen, table, JSON and report; with the rows of the table."""

    screen: str
    table: list[dict[str, str]]
    plain: str
    page: str


def said(folder: Path, old: str = "", new: str = "") -> Said:
    """Measure the carrier's power on the demonstration bench with one text of its file changed, and read it everywhere."""
    text = BENCH.read_text(encoding="utf-8").replace(
        "unit: units ", f"unit: {BENCH.resolve().parent / 'units'} "
    )
    assert old in text
    (folder / "bench.yaml").write_text(text.replace(old, new), encoding="utf-8")
    (folder / "s.yaml").write_text(
        HEAD.format(mode="FM") + f"  - {{check: carrier_power, channel: 20, {ROW}}}\n", encoding="utf-8"
    )
    out = str(folder / "out")
    words = [
        "run",
        str(folder / "s.yaml"),
        "--bench",
        str(folder / "bench.yaml"),
        "--serial",
        "M40-0041",
        "--dry-run",
        "--results",
        out,
    ]
    told = [
        CliRunner(env={"COLUMNS": "200"}).invoke(main, one)
        for one in (
            words,
            ["results", "last", "--json", "--folder", out],
            ["report", "--folder", out, "last", f"{out}/r.html"],
        )
    ]
    assert [one.exit_code for one in told] == [0, 0, 0], [one.output for one in told]
    (table,) = Path(out).glob("*.csv")
    return Said(
        screen=" ".join(told[0].output.split()),
        table=list(csv.DictReader(table.read_text(encoding="utf-8").splitlines())),
        plain=told[1].output,
        page=(Path(out) / "r.html").read_text(encoding="utf-8"),
    )


def test_a_result_that_is_less_certain_than_allowed_says_so_everywhere(tmp_path: Path) -> None:
    """A power meter of 20 %: on the screen, in the table, in JSON and on the page; it passes as by its rule."""
    found = said(tmp_path, *UNCERTAIN)
    (row,) = found.table
    value, expanded = float(row["value"]), float(row["uncertainty"])
    assert pytest.approx(expanded / value, abs=0.002) == 1.0 - 10.0 ** (-0.99 / 10.0)
    assert SAID in row["note"]
    assert "U is 0.99 dB, more than EN 300 433" in found.screen
    assert SAID in json.loads(found.plain)["results"][0]["note"]
    assert SAID in found.page
    assert row["decision"] == Decision.PASS.value  # the simple rule: below 4 W


def test_a_result_that_is_certain_enough_says_nothing(tmp_path: Path) -> None:
    """The same with the meter as it is: 0.3 dB."""
    found = said(tmp_path)
    for text in (found.screen, found.table[0]["note"], found.plain, found.page):
        assert "more than EN 300 433" not in text
        assert "limit of EN 300 433" in text


def test_a_result_without_uncertainty_cannot_be_held_against_it(tmp_path: Path) -> None:
    """A bench file that does not state the meter's accuracy: the value stands, and that nobody can say."""
    found = said(tmp_path, "    accuracy: {power: 3 %}\n", "")
    assert (
        "U is not known, so that nobody can say whether it is within what EN 300 433"
        in found.table[0]["note"]
    )


def test_a_greatest_uncertainty_that_fits_no_result_is_refused(tmp_path: Path) -> None:
    """A power's in hertz would never be held against anything: told at the row that the check names, before anything is sent."""
    house = OWN.replace(
        "    set: {limit: {max: 4 W, min: 3 W}}",
        "    greatest_uncertainty: {difference: 10 Hz, clause: '9', basis: seen, source: nobody}\n    set: {limit: {max: 4 W, min: 3 W}}",
    )
    with pytest.raises(FileProblems) as refused:
        planned(
            tmp_path, "check: carrier_power, channel: 20, limits_from: {file: house.yaml, row: power}", house
        )
    assert (
        "the greatest uncertainty of the row 'power' is 10 Hz, and carrier_power gives results in W"
        in str(refused.value)
    )
    assert "sequence.yaml:7:" in str(refused.value)
